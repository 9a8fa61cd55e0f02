"""A supply with a lock of its own [IFLOCK: XDL II manual, p38], held by another program: asked, told, never taken.

Figures are those of the invented board and of the tool itself.
"""

from __future__ import annotations

import runpy
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from wakeboard.harness.cli import execute
from wakeboard.harness.cli.virtual import bench_toml
from wakeboard.harness.describe.load import load_bench, load_board
from wakeboard.harness.run.bench.virtual import virtual_bench
from wakeboard.instruments.virtual.wire.server import running

TELLS = "another program holds it: it answers -1 to IFLOCK?"
STEPS = """
[[step]]
do = "power on"
supply = "USB"
limit = "120 mA"
why = "the bench is virtual"

[[step]]
do = "wait"
for = "3 s"

[[step]]
do = "power off"
"""


class Other:
    """Another program, on a connection of its own."""

    def __init__(self, port: int) -> None:
        self.link = socket.create_connection(("127.0.0.1", port), timeout=10)

    def ask(self, line: str) -> str:
        self.link.sendall(line.encode() + b"\n")
        return self.link.recv(200).decode().strip()

    def close(self) -> None:
        self.link.close()


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    monkeypatch.setenv("WAKEBOARD_LOCKS", str(tmp_path / "locks"))
    monkeypatch.chdir(tmp_path)
    (tmp_path / "board.toml").write_text(runpy.run_path(str(Path(__file__).parent / "toy.py"))["BOARD"])
    (tmp_path / "steps.toml").write_text(f'title = "Steps"\nboard = "board.toml"\n{STEPS}')
    made = virtual_bench(load_board(tmp_path / "board.toml"), unit="T-1", psu="aim-tti", transients=False)
    with running(made) as served:
        (tmp_path / "bench.toml").write_text(bench_toml("Toy", "T-1", made.bench_description(served.instruments)))
        yield made


@pytest.fixture
def other(bench: Any) -> Iterator[Other]:
    (described,) = load_bench("bench.toml").of_kind("psu")
    program = Other(int(described.address.split("::")[2]))
    yield program
    program.close()


RUN = ["run", "steps.toml", "--unit", "T-1", "--bench", "bench.toml", "--energise"]


@pytest.mark.parametrize("command", [["bench", "bench.toml"], RUN], ids=["bench", "run"])
def test_what_another_holds_is_not_used(
    bench: Any, other: Other, command: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert other.ask("IFLOCK") == "1"
    assert execute(command) == 3
    told = capsys.readouterr()
    assert TELLS in " ".join((told.out + told.err).split())
    assert bench.outputs_on == []


def test_what_another_takes_in_mid_run_and_refuses_to_have_switched_off(
    bench: Any, other: Other, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing here can switch it off then; nobody may believe that it is."""

    def take() -> None:
        while not bench.outputs_on:
            time.sleep(0.01)
        taken.append(other.ask("IFLOCK"))

    taken: list[str] = []
    thread = threading.Thread(target=take)
    thread.start()
    assert execute(RUN) == 6
    thread.join()
    told = capsys.readouterr()
    assert taken == ["1"]
    assert bench.outputs_on == ["USB"]
    assert TELLS in " ".join((told.out + told.err).split())
    assert execute(["off"]) == 6
    assert TELLS in " ".join(capsys.readouterr().out.split())
    assert other.ask("IFUNLOCK") == "0"
    assert execute(["off"]) == 0
    assert bench.outputs_on == []


def test_a_run_takes_no_lock_that_could_outlive_it(bench: Any, other: Other) -> None:
    """A lock that a killed guard still held would keep the runner's own session from switching off."""
    states: list[str] = []

    def watch() -> None:
        while not bench.outputs_on:
            time.sleep(0.01)
        states.append(other.ask("IFLOCK?"))

    thread = threading.Thread(target=watch)
    thread.start()
    assert execute(RUN) == 0
    thread.join()
    assert [*states, other.ask("IFLOCK?")] == ["0", "0"]
