"""What is off when a pytest ends badly, on a bench behind sockets; and a sequence file as tests, a step each."""

from __future__ import annotations

import os
import signal
import socket
import sys
import time
from pathlib import Path

import pytest

import wakeboard as wb
from tests import warm
from tests.processes import start
from tests.script.project import PLUGIN, run
from wakeboard.harness.describe.load import load_sequence

pytest_plugins = ["pytester"]
pytestmark = pytest.mark.timeout(400)


def test_a_sequence_file_is_collected_a_test_a_step(project):
    file = project.path / "first-power-on.toml"
    by_usb = file.read_text(encoding="utf-8").partition('supply = "CELL"')[0]
    file.write_text(by_usb[: by_usb.rindex("[[step]]")], encoding="utf-8")  # a run of all takes twice as long
    result = run(project, "first-power-on.toml", "--junitxml=out.xml")
    steps = len(load_sequence(file).steps)
    counts = result.parseoutcomes()
    assert sum(counts.get(each, 0) for each in ("passed", "failed", "skipped")) == steps
    assert counts["failed"] >= 1  # the line that Skep's radio pulls up
    assert counts["passed"] > steps // 2
    result.stdout.fnmatch_lines(["*RADIO_RST*"])
    table = wb.frame(project.path / "wakeboard.db")
    assert set(table["sequence"]) == {"First power-on"}
    assert table["step"].max() == steps
    again = run(project, "first-power-on.toml", "-m", "not needs_power")
    assert "failed" not in again.parseoutcomes()
    assert "power on" not in set(wb.frame(project.path / "wakeboard.db", latest=True)["kind"])


def test_a_step_left_out_and_a_trip_skip_what_follows(project):
    left_out = run(project, "first-power-on.toml", "-k", "not PANEL").parseoutcomes()
    steps = len(load_sequence(project.path / "first-power-on.toml").steps)
    assert left_out["deselected"] > 0
    assert left_out["passed"] == 1  # up to the first that was left out
    assert left_out["skipped"] == steps - left_out["deselected"] - 1
    tripped = run(project, "first-power-on.toml", "--wb-plant", "VUSB+GND:bridge=2")
    tripped.assert_outcomes(failed=1, skipped=tripped.parseoutcomes()["skipped"])
    tripped.stdout.fnmatch_lines(["*first-power-on.toml, step 1*"])


# --- a bench behind sockets, and a pytest that ends badly -------------------------------------------------------------
ENDS = """
import os, pathlib, time, pytest

@pytest.mark.needs_power
def test_on(supply):
    supply("USB").on(limit="500 mA", why="try")
    pathlib.Path("on").touch()
    how = os.environ["HOW"]
    if how == "fails":
        assert False
    if how == "hangs":
        time.sleep(120)

@pytest.mark.needs_power
def test_next(bench):
    pathlib.Path("next").touch()
    assert bench.on == {}
"""


@pytest.fixture
def served(project):
    """`wakeboard virtual` in a process of its own, and its bench file."""
    environment = {**os.environ, "WAKEBOARD_LOCKS": str(project.path / "locks"), "NO_COLOR": "1"}
    command = ["virtual", "board.toml", "--bench-file", "bench.toml", "--unit", "SK-A-001", "--settled"]
    server = start(*command, folder=project.path)
    until(lambda: (project.path / "bench.toml").exists(), "the bench file")
    yield project, environment
    server.terminate()
    server.communicate(timeout=30)


def until(seen, what):
    ends = time.monotonic() + 120
    while time.monotonic() < ends:
        if seen():
            return
        time.sleep(0.05)
    raise AssertionError(f"never seen: {what}")


def any_on(folder: Path) -> bool:
    """What the supplies themselves say, over a session of the test's own."""
    for instrument in wb.load_bench(folder / "bench.toml").instruments.values():
        if instrument.kind == "psu":
            place = ("127.0.0.1", int(instrument.address.split("::")[2]))
            with socket.create_connection(place, timeout=20) as link:
                for channel in instrument.feeds:
                    link.sendall(f"OUTP? (@{channel})\n".encode())
                    if link.recv(100).strip() not in (b"0", b"OFF"):
                        return True
    return False


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
@pytest.mark.parametrize(
    ("how", "sent", "options"),
    [("hangs", signal.SIGKILL, ()), ("hangs", signal.SIGINT, ()), ("fails", None, ("-x",))],
)
def test_the_power_is_off_at_every_end(served, how, sent, options):
    project, environment = served
    project.makepyfile(test_ends=ENDS)
    command = [*PLUGIN, "-p", "no:xdist", "--wb-bench", "bench.toml", "--wb-energise", *options, "test_ends.py"]
    process = warm.start(command, project.path, {**environment, "HOW": how}, together=True, program="pytest")
    until(lambda: (project.path / "on").exists() or process.poll() is not None, "the power on")
    assert (project.path / "on").exists(), process.communicate()[0].decode()
    assert how == "fails" or any_on(project.path)
    if sent is not None:
        process.send_signal(sent)
    said = process.communicate(timeout=180)[0].decode()
    assert "Traceback (most recent call last)" not in said or how == "fails"
    assert not (project.path / "next").exists()
    until(lambda: not any_on(project.path), "everything off")
