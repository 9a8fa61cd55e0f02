"""The served bench on a busy computer: an answer waits for the circuit, which is never told to be slower than it is.

Time is played: each slice of the circuit takes so many seconds of the computer's.

Every figure is a time of the test's own; none is a fact of the trade.
"""

from __future__ import annotations

import asyncio
import gc
import socket
import warnings
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import pytest

from wakeboard.instruments.virtual.circuit import SolveError
from wakeboard.instruments.virtual.wire import server
from wakeboard.instruments.virtual.wire.server import CATCH_UP, TOO_SLOW, RealTime, Served

FIRST = 100.0  # s on the clock on the wall when the bench begins


class Circuit:
    """A stage that takes `cost` seconds of computing for a second of its own."""

    def __init__(self, wall: SimpleNamespace, cost: float) -> None:
        self.wall, self.cost, self.now, self.pace = wall, cost, 0.0, 1e-3
        self.fails = False

    def advance(self, seconds: float) -> None:
        if self.fails:
            raise SolveError("no answer", member=0, node="N", parts=(), residual=1.0)
        self.now += seconds
        self.wall.now += self.cost * seconds


@pytest.fixture
def wall(monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    wall = SimpleNamespace(now=FIRST)
    monkeypatch.setattr(server, "time", SimpleNamespace(monotonic=lambda: wall.now))
    return wall


def test_what_the_budget_does_not_reach_is_made_up_for(wall: Any) -> None:
    circuit = Circuit(wall, cost=0.5)
    clock = RealTime(circuit)  # type: ignore[arg-type]
    wall.now += 0.1  # the computer did something else
    assert not clock.sync()
    assert circuit.now < 0.02, "others get their turn"
    for _ in range(100):
        if clock.sync():
            break
    assert circuit.now == pytest.approx(wall.now - FIRST, abs=0.005)


def test_what_is_too_much_to_make_up_for_is_lost(wall: Any) -> None:
    circuit = Circuit(wall, cost=0.5)
    clock = RealTime(circuit)  # type: ignore[arg-type]
    wall.now += 10.0
    while not clock.sync():
        pass
    assert wall.now - FIRST - circuit.now == pytest.approx(10.0 - CATCH_UP, abs=0.01)


def test_a_circuit_without_an_answer_keeps_nobody_waiting(wall: Any, capsys: pytest.CaptureFixture[str]) -> None:
    circuit = Circuit(wall, cost=0.5)
    clock = RealTime(circuit)  # type: ignore[arg-type]
    circuit.fails = True
    wall.now += 0.1
    assert clock.sync()
    circuit.fails = False
    assert clock.sync()
    assert circuit.now == 0.0, "its time stood still"
    assert capsys.readouterr().err.startswith("virtual bench: no answer")


class Instrument:
    """Answers with the circuit's time; a message "wait" takes 10 ms of its own."""

    gap = unfinished = 0.0

    def __init__(self, circuit: Circuit) -> None:
        self.circuit = circuit
        self.reply: str | None = None

    def run(self, message: str) -> Iterator[float]:
        if message == "wait":
            yield 0.0
        self.reply = f"{message} {self.circuit.now:.3f}"

    def wrap(self, reply: str) -> bytes:
        return reply.encode()


def answers(wall: Any, cost: float, *messages: str, behind: float) -> tuple[list[tuple[str, float]], list[float]]:
    """What came back, each with the clock on the wall since the beginning, and how late the circuit was then."""
    circuit = Circuit(wall, cost)
    clock = RealTime(circuit)  # type: ignore[arg-type]
    served = Served("supply", Instrument(circuit), clock, None)  # type: ignore[arg-type]
    told: list[tuple[str, float]] = []
    late: list[float] = []

    def send(data: bytes) -> None:
        told.append((data.decode().split()[0], wall.now - FIRST))
        late.append(wall.now - FIRST - circuit.now)

    async def talk() -> None:
        wall.now += behind
        for message in messages:
            served.submit(SimpleNamespace(send=send), message)  # type: ignore[arg-type]
        for _ in range(2000):
            await asyncio.sleep(0)
            if len(told) == len(messages):
                return

    asyncio.run(talk())
    return told, late


def test_an_answer_waits_for_the_circuit_and_messages_keep_their_order(wall: Any) -> None:
    """Before, it came after 4 ms of computing, of a moment 90 ms before the question."""
    told, late = answers(wall, 0.5, "one", "wait", "three", behind=0.1)
    assert [name for name, _ in told] == ["one", "wait", "three"]
    assert max(late) < 0.005


def test_a_circuit_that_is_slower_than_time_makes_nobody_wait_for_ever(
    wall: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    told, _ = answers(wall, 3.0, "one", "two", behind=0.1)
    assert [name for name, _ in told] == ["one", "two"]
    assert told[0][1] < 0.1 + CATCH_UP + 0.02
    assert capsys.readouterr().err == f"virtual bench: {TOO_SLOW}\n", "once"


def test_no_port_stays_open_where_what_follows_fails() -> None:
    """An instrument is served and whoever is told of it fails: its socket is shut at once, not some day."""
    idle = SimpleNamespace(cut=lambda _: [], reset_on_connect=False)
    stage = SimpleNamespace(now=0.0, pace=1.0, moving=False, advance=lambda _: None, next_event=lambda: None)
    bench = SimpleNamespace(stage=stage, instruments={"meter": idle}, target=None)
    told: list[server.Addresses] = []

    def ready(addresses: server.Addresses) -> None:
        told.append(addresses)
        raise OSError("the page has no address")

    with pytest.raises(OSError, match="no address"):
        server.serve(bench, ready=ready)  # type: ignore[arg-type]
    port = int(told[0].instruments["meter"].split("::")[2])
    with pytest.raises(ConnectionRefusedError), socket.create_connection(("127.0.0.1", port), timeout=5):
        pass


@pytest.mark.parametrize("turns", range(6))
def test_a_client_that_comes_as_the_bench_ends_leaves_no_socket(turns: int) -> None:
    """Between a connection's acceptance and its first sign of life are a few turns of the loop: none of them may leave
    it open behind the loop's end, to be found by the garbage collector in whatever runs then."""

    idle = SimpleNamespace(cut=lambda _: [], reset_on_connect=False)
    stage = SimpleNamespace(now=0.0, pace=1.0, moving=False, advance=lambda _: None, next_event=lambda: None)
    bench: Any = SimpleNamespace(stage=stage, instruments={"meter": idle}, target=None)

    async def come_and_end() -> None:
        served = server.WireServer(bench, "127.0.0.1", 0, None)
        addresses = await served.start()
        port = int(addresses.instruments["meter"].split("::")[2])
        with socket.create_connection(("127.0.0.1", port), timeout=5):
            for _ in range(turns):
                await asyncio.sleep(0)
            await served.stop()

    gc.collect()
    with warnings.catch_warnings(record=True) as told:
        warnings.simplefilter("always")
        asyncio.run(come_and_end())
        gc.collect()
    assert [str(each.message) for each in told if issubclass(each.category, ResourceWarning)] == []
