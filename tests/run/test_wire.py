"""Real processes: the virtual bench on TCP ports and a pty, `wakeboard run` against it, and what is killed meanwhile.

Nothing here asserts how long something takes; waits end as soon as what is waited for is seen, and give up late.
"""

from __future__ import annotations

import json
import math
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.processes import LATE, start, wait_until
from wakeboard.harness.cli.options import to_json
from wakeboard.harness.describe.load import load_bench, load_sequence
from wakeboard.harness.run.session import take_unit
from wakeboard.results.store.store import Store

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals and ptys of POSIX systems")


class Bench:
    """`wakeboard virtual` in a process of its own, and a plain socket to its supply that asks what is on."""

    def __init__(self, toy: Any) -> None:
        self.folder = toy.folder
        self.file = toy.folder / "bench.toml"
        self.process = start("virtual", "board.toml", "--unit", "T-1", "--settled", "--bench-file", "bench.toml",
                             folder=toy.folder)  # fmt: skip
        wait_until(self.file.exists, "the bench file")
        self.described = load_bench(self.file)

    def port(self, name: str) -> int:
        return int(self.described.instruments[name].address.split("::")[2])

    def on(self) -> bool:
        """What the supply says of output 1, over a session of the test's own."""
        with socket.create_connection(("127.0.0.1", self.port("supply")), timeout=10) as link:
            link.sendall(b"OUTP? (@1)\n")
            return link.recv(100).strip() in (b"1", b"+1", b"ON")

    def up(self) -> bool:
        """Output 1 on at its full voltage, not at what the bench's self-check gives it."""
        with socket.create_connection(("127.0.0.1", self.port("supply")), timeout=10) as link:
            link.sendall(b"MEAS:VOLT? (@1)\n")
            return self.on() and float(link.recv(100)) > 2.0

    def stop(self) -> None:
        self.process.kill()
        self.process.communicate()


@pytest.fixture(scope="module")
def bench(make_toy: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """One for all tests here: it must be fit for the next run whatever a run did to it."""
    with pytest.MonkeyPatch.context() as patch:
        folder = tmp_path_factory.mktemp("bench")
        patch.setenv("WAKEBOARD_LOCKS", str(folder / "locks"))
        served = Bench(make_toy(folder))
        yield served
        served.stop()


@pytest.fixture
def waiting(bench: Bench) -> Iterator[subprocess.Popen[bytes]]:
    """A run over the wire that has switched the output on and waits."""
    run = start("run", "waiting.toml", "--unit", "T-1", "--bench", "bench.toml", "--energise", folder=bench.folder)
    try:
        wait_until(lambda: bench.up() or run.poll() is not None, "the output on")
        assert run.poll() is None, run.communicate()
        yield run
    finally:
        if run.poll() is None:
            run.kill()
        run.communicate()


def children(pid: int) -> list[int]:
    return [int(text) for text in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def gone(pid: int) -> bool:
    """Ended, or a zombie that nobody has waited for yet."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True


def latest(bench: Bench) -> Any:
    with Store.open(bench.folder / "wakeboard.db") as store:
        store.mark_abandoned()
        return store.run()


def test_a_killed_runner_leaves_nothing_on_and_its_run_is_found(bench: Bench, waiting: Any) -> None:
    guard = children(waiting.pid)[0]
    waiting.kill()
    waiting.wait()
    wait_until(lambda: not bench.on(), "the output off")
    wait_until(lambda: gone(guard), "the end of the guard")
    record = latest(bench)
    assert record.abandoned
    assert record.outcome == "error"
    assert record.steps[0].kind == "resistance"


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_to_the_runner_ends_the_run_with_the_outputs_off(bench: Bench, waiting: Any, number: int) -> None:
    waiting.send_signal(number)
    _, said = waiting.communicate(timeout=LATE)
    assert waiting.returncode == 4, said.decode()
    assert not bench.on()
    record = latest(bench)
    assert not record.abandoned
    assert record.outputs_off is True
    assert "stopped by the operator" in record.says


def test_a_hung_runner_is_cut_off_and_says_so_when_it_wakes(bench: Bench, waiting: Any) -> None:
    waiting.send_signal(signal.SIGSTOP)
    wait_until(lambda: not bench.on(), "the output off")
    waiting.send_signal(signal.SIGCONT)
    _, said = waiting.communicate(timeout=LATE)
    assert waiting.returncode == 3, said.decode()
    assert "silent" in said.decode(), said.decode()


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM])
def test_a_guard_that_dies_is_replaced_by_the_runner(bench: Bench, waiting: Any, number: int) -> None:
    os.kill(children(waiting.pid)[0], number)
    _, said = waiting.communicate(timeout=LATE)
    assert waiting.returncode == 3, said.decode()
    assert "guard is gone" in said.decode()
    assert not bench.on()
    assert latest(bench).outputs_off is True


def readings_of(document: Any) -> list[Any]:
    return [(step["name"], reading) for step in document["steps"] for reading in step["readings"]]


def test_in_process_and_over_the_wire_read_the_same(bench: Bench) -> None:
    """Reading for reading within the meter's uncertainty: the difference of two readings has U = 2 sqrt(u1² + u2²)."""
    sequence = load_sequence(bench.folder / "bring-up.toml")
    here = json.loads(to_json(take_unit(sequence, unit="T-1").record.as_json()))
    code, said, there = run_to_end(bench, "bring-up.toml", "bench.toml", cold=True)
    assert code == 0, said
    assert [(s["name"], s["outcome"]) for s in here["steps"]] == [(s["name"], s["outcome"]) for s in there["steps"]]
    for (step, one), (_, two) in zip(readings_of(here), readings_of(there), strict=True):
        assert (one["of"], one["quantity"], one["state"]) == (two["of"], two["quantity"], two["state"])
        if step.startswith("power off"):  # how far it has discharged by then depends on when it was looked at
            continue
        if one["value"] is None or two["value"] is None or one["quantity"] == "rate":
            assert (one["value"] is None) == (two["value"] is None)
            continue
        allowed = 2 * math.hypot(one["u"] or 0, two["u"] or 0)
        assert abs(one["value"] - two["value"]) <= max(allowed, 1e-3), (step, one, two)


def test_the_json_document_is_the_contract(bench: Bench) -> None:
    document = latest(bench).as_json()
    assert set(document) >= {
        "run", "unit", "board", "revision", "sequence", "outcome", "outputs_off", "energised_s", "trip", "steps",
    }  # fmt: skip
    reading = document["steps"][0]["readings"][0]
    assert set(reading) >= {"of", "quantity", "value", "unit", "u", "low", "high", "outcome", "state"}


# --- one clear error, the right exit code, outputs off ---
def run_to_end(bench: Bench, sequence: str, bench_file: str, cold: bool = False) -> tuple[int, str, Any]:
    run = start("run", sequence, "--unit", "T-1", "--bench", bench_file, "--energise", "--json", folder=bench.folder,
                cold=cold)  # fmt: skip
    out, err = run.communicate(timeout=LATE)
    return run.returncode, err.decode(), json.loads(out) if out.strip() else None


def changed(bench: Bench, old: str, new: str) -> str:
    text = bench.file.read_text()
    assert old in text
    (bench.folder / "changed.toml").write_text(text.replace(old, new))
    return "changed.toml"


@pytest.mark.parametrize("name", ["supply", "meter"])
def test_an_absent_instrument(bench: Bench, name: str) -> None:
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        free = unused.getsockname()[1]
    file = changed(bench, f"::{bench.port(name)}::", f"::{free}::")
    code, said, _ = run_to_end(bench, "bring-up.toml", file)
    assert code == 3
    assert name in said
    assert str(free) in said
    assert "Traceback" not in said
    assert not bench.on()


def test_a_wrong_identity(bench: Bench) -> None:
    file = changed(bench, "[instruments.supply]", '[instruments.supply]\nidentity = "NOBODY"')
    code, said, _ = run_to_end(bench, "bring-up.toml", file)
    assert code == 3
    assert "NOBODY" in said
    assert "E36312A" in said
    assert not bench.on()


def test_a_serial_port_that_is_not_there(bench: Bench) -> None:
    port = bench.described.links["console"].port
    code, said, document = run_to_end(bench, "bring-up.toml", changed(bench, port, "/dev/no-such-port"))
    assert code == 3
    assert "/dev/no-such-port" in said
    assert document["outputs_off"] is True
    assert document["outcome"] == "error"
    assert not bench.on()


def test_the_report_of_the_guard_is_on_the_disk(bench: Bench, tmp_path: Path) -> None:
    from wakeboard.harness.run.guard.client import ProcessGuard
    from wakeboard.harness.run.guard.supplies import plan_of

    report = tmp_path / "guard.jsonl"
    guard = ProcessGuard(plan_of(bench.described), report=str(report))
    try:
        assert guard.prove_off().confirmed
    finally:
        guard._process.stdin.close()  # the runner's end, as when it is killed
        guard._process.wait(LATE)
        guard._process.stdout.close()
    told = json.loads(report.read_text().splitlines()[-1])
    assert told["states"] == {"USB": "off", "AUX": "off"}
    assert "pipe" in told["why"]


def test_the_last_one_a_bench_that_vanishes_is_not_confirmed_off(bench: Bench, waiting: Any) -> None:
    bench.stop()
    _, said = waiting.communicate(timeout=LATE)
    assert waiting.returncode == 6, said.decode()
    assert "OUTPUTS NOT CONFIRMED OFF" in said.decode()
    assert "front panel" in said.decode()
