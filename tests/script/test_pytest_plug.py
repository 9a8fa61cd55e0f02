"""The pytest plug-in, by pytester: a board's tests on the virtual bench, and what is off when they end."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from importlib import metadata
from pathlib import Path
from xml.etree import ElementTree

import pandas as pd  # noqa: F401  pytester forgets what is first imported while it runs
import pytest
import sqlalchemy.dialects.sqlite  # noqa: F401

import wakeboard as wb
from wakeboard.harness.describe.load import load_sequence
from wakeboard.harness.explain import explaining  # noqa: F401
from wakeboard.results import frames, store  # noqa: F401

pytest_plugins = ["pytester"]
pytestmark = pytest.mark.timeout(400)

KNOWN = any(point.name == "wakeboard" for point in metadata.entry_points(group="pytest11"))
CACHE = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
"""Where the compiled solver is: pytester gives each test a home of its own."""
PLUG = () if KNOWN else ("-p", "wakeboard.harness.pytest_plug")

TWENTY = '''
"""Skep's main rail and its reset, as a hardware engineer writes them down."""
import pytest

pytestmark = pytest.mark.needs_power


@pytest.mark.parametrize("name", ["USB", "CELL"])
def test_main_rail(supply, point, name):
    supply(name).on(limit="120 mA", check="> 1 kΩ", ramp="0.5 V every 20 ms")
    assert 3.2 < point("+3V3").volts() < 3.4
    assert supply(name).amps() < 0.04


def test_the_radio_is_held_in_reset(supply, point):
    supply("USB").on(limit="120 mA", check="> 1 kΩ")
    assert point("RADIO_RST").read("< 0.8 V").outcome == "pass"


def test_no_rail_is_left_on(bench, board, unit):
    assert bench.on == {}
    assert (board.name, unit) == ("Skep", "SK-A-001")
'''


@pytest.fixture
def skep(pytester, monkeypatch):
    """Skep's files as the root folder of a project."""
    for variable in ("PYTEST_ADDOPTS", "PYTEST_PLUGINS"):
        monkeypatch.delenv(variable, raising=False)
    monkeypatch.setenv("XDG_CACHE_HOME", CACHE)
    source = wb.skep(pytester.path / "made")
    for file in source.iterdir():
        shutil.move(file, pytester.path / file.name)
    return pytester


def run(pytester, *args):
    return pytester.runpytest_subprocess(*PLUG, "-p", "no:xdist", "--wb-unit", "SK-A-001", *args)


def test_twenty_lines_for_skep(skep):
    skep.makepyfile(test_skep=TWENTY)
    result = run(skep, "--junitxml=out.xml")
    result.assert_outcomes(passed=3, failed=1)  # the radio's hidden pull-up wins: that is Skep's flaw
    result.stdout.fnmatch_lines(["*readings*", "*RADIO_RST*"])
    names = {each.get("name") for each in ElementTree.parse(skep.path / "out.xml").iter("property")}
    assert any(name.startswith("+3V3, dc volts, USB=5V@120mA") for name in names)
    table = wb.frame(skep.path / "wakeboard.db", unit="SK-A-001")
    assert set(table["sequence"]) == {"pytest"}
    kinds = table.drop_duplicates("step")["kind"].tolist()
    assert kinds.count("power on") == kinds.count("power off") == 3  # off between tests


def test_refusals_and_marks(skep):
    skep.makepyfile(
        """
        import pytest, wakeboard as wb

        def test_unmarked(supply):
            supply("USB").on(limit="120 mA", check="> 1 kΩ")

        def test_unmarked_step(run_step):
            run_step(do="power on", supply="USB", limit="120 mA", why="try")

        @pytest.mark.needs_power
        def test_unlimited(supply):
            supply("USB").on(why="try")

        @pytest.mark.needs_power
        def test_unchecked(supply):
            supply("CELL").on(limit="120 mA")

        def test_ohms(point, run_step):
            assert point("USB").ohms() > 1e3
            run_step(do="resistance", of=["V33"], expect="> 1 MΩ")
        """
    )
    result = run(skep)
    result.assert_outcomes(failed=5)
    result.stdout.fnmatch_lines(
        ["*is not marked so: @pytest.mark.needs_power*", "*is not marked so*", "*nothing is energised without one*",
         '*energised before its check for a short*', "*StepFailed: resistance: V33: fail*"]
    )  # fmt: skip
    assert "power on" not in set(wb.frame(skep.path / "wakeboard.db")["kind"])


def test_a_sequence_file_is_collected_a_test_a_step(skep):
    result = run(skep, "first-power-on.toml", "--junitxml=out.xml")
    steps = len(load_sequence(skep.path / "first-power-on.toml").steps)
    counts = result.parseoutcomes()
    assert sum(counts.get(each, 0) for each in ("passed", "failed", "skipped")) == steps
    assert counts["failed"] >= 1  # the line that Skep's radio pulls up
    assert counts["passed"] > 10
    result.stdout.fnmatch_lines(["*RADIO_RST*"])
    table = wb.frame(skep.path / "wakeboard.db")
    assert set(table["sequence"]) == {"First power-on"}
    assert table["step"].max() == steps
    assert wb.explain(skep.path / "wakeboard.db").best.faults[0].startswith("U5.NRST:pull_up")
    again = run(skep, "first-power-on.toml", "-m", "not needs_power")
    assert "failed" not in again.parseoutcomes()
    assert "power on" not in set(wb.frame(skep.path / "wakeboard.db", latest=True)["kind"])


def test_a_step_left_out_and_a_trip_skip_what_follows(skep):
    left_out = run(skep, "first-power-on.toml", "-k", "not PANEL")
    left_out.assert_outcomes(passed=1, skipped=left_out.parseoutcomes()["skipped"], deselected=3)
    tripped = run(skep, "first-power-on.toml", "--wb-plant", "VUSB+GND:bridge=2")
    tripped.assert_outcomes(failed=1, skipped=tripped.parseoutcomes()["skipped"])
    tripped.stdout.fnmatch_lines(["*first-power-on.toml, step 1*"])


def test_nothing_is_done_for_a_project_that_does_not_ask(pytester):
    """No TOML file is read by itself, nothing heavy is loaded, and -p no: keeps all of it out."""
    pytester.makefile(".toml", board="[board\n", steps="[[step]]\n")
    pytester.makepyfile(
        """
        import sys
        def test_one(request):
            assert "wakeboard.harness.describe" not in sys.modules
            assert not {"numpy", "pydantic", "pandas", "sqlalchemy", "click"} & set(sys.modules)
        """
    )
    pytester.runpytest_subprocess(*PLUG).assert_outcomes(passed=1)
    asked = pytester.runpytest_subprocess(*PLUG, "steps.toml")
    assert "found nothing" in asked.stdout.str()
    if KNOWN:
        kept_out = pytester.runpytest_subprocess("-p", "no:wakeboard", "--wb-unit", "X")
        assert "unrecognized arguments" in kept_out.stderr.str()


def test_one_bench_is_not_shared_out(skep):
    pytest.importorskip("xdist")
    skep.makepyfile(test_skep=TWENTY)
    bench = skep.runpytest_subprocess(*PLUG, "-n", "2", "--wb-bench", "bench.toml")
    assert "one bench serves one process" in bench.stderr.str()
    steps = skep.runpytest_subprocess(*PLUG, "-n", "2", "first-power-on.toml")
    assert "its steps go in order" in steps.stdout.str()


# --- a bench behind sockets, and a pytest that ends badly -------------------------------------------------------------
ENDS = """
import os, pathlib, time, pytest

@pytest.mark.needs_power
def test_on(supply):
    supply("USB").on(limit="120 mA", why="try")
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
def served(skep):
    """`wakeboard virtual` in a process of its own, and its bench file."""
    environment = {**os.environ, "WAKEBOARD_LOCKS": str(skep.path / "locks"), "NO_COLOR": "1"}
    command = ["virtual", "board.toml", "--bench-file", "bench.toml", "--unit", "SK-A-001", "--settled"]
    server = subprocess.Popen(
        [sys.executable, "-m", "wakeboard", *command], cwd=skep.path, env=environment, stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )  # fmt: skip
    until(lambda: (skep.path / "bench.toml").exists(), "the bench file")
    yield skep, environment
    server.terminate()
    server.wait(30)


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
    skep, environment = served
    skep.makepyfile(test_ends=ENDS)
    command = [sys.executable, "-m", "pytest", *PLUG, "-p", "no:xdist", "--wb-bench", "bench.toml", "--wb-energise"]
    process = subprocess.Popen(
        [*command, *options, "test_ends.py"], cwd=skep.path, env={**environment, "HOW": how}, stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT, preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )  # fmt: skip
    until(lambda: (skep.path / "on").exists() or process.poll() is not None, "the power on")
    assert how == "fails" or any_on(skep.path)
    if sent is not None:
        process.send_signal(sent)
    said = process.communicate(timeout=180)[0].decode()
    assert (skep.path / "on").exists(), said
    assert not (skep.path / "next").exists()
    until(lambda: not any_on(skep.path), "everything off")
