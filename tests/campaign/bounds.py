"""How fast the guard is, seen at the instrument's socket, with the instrument's own time for its messages taken out.

    python -m tests.campaign --bounds [--count 100]

Each figure is of so many real runs over loopback; the 99th percentile is the value that one in a hundred exceeds (the
largest, where there are fewer than a hundred). The clock is CLOCK_MONOTONIC, which all processes of a computer share.

over-current    the board draws too much from a random moment on -> the first off command begins to run
runner killed   SIGKILL -> the last output is off
runner hung     SIGSTOP; from the end of the lease that the runner gave last -> the last output is off
guard killed    SIGKILL -> the last output is off, by the runner's own session
polls           messages answered a second; the share of the time that the instrument is busy with them, which is the
                share of what it allows; the same beside a loop that does nothing but send and receive on a bare socket,
                in turn with it in the same run; processor time of the guard's process
"""

from __future__ import annotations

import os
import random
import signal
import socket
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from tests.campaign.judge import Event, record
from tests.campaign.lane import Going, Lane

ALLOWED = {"over-current": 0.005, "runner killed": 0.050, "runner hung": 0.050, "guard killed": 0.250}
ALLOWED_SHARE, ALLOWED_CORE = 0.80, 0.20
LATENCY = 0.005  # s: what a message takes the instrument
WAITING_STEP = 3  # the last step that is acknowledged before the long wait
SURGE_OHMS = 62.0  # 80 mA at 5 V: above the step's trip of 60 mA, below the limit
LATENCIES = (0.001, 0.002, 0.005, 0.010, 0.020)
POLLING = 2.0  # s
TURNS = 5  # guard and bare loop in turn; the median counts
TICK = os.sysconf("SC_CLK_TCK") if hasattr(os, "sysconf") else 100


@dataclass
class Figure:
    """Seconds of each run, and how many had no answer."""

    name: str
    seconds: list[float] = field(default_factory=list)
    missed: int = 0

    def quantile(self, share: float) -> float:
        ordered = sorted(self.seconds)
        return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def busy(events: Sequence[Event], start: float, end: float) -> float:
    """Seconds of [start, end] that the supply spent on messages."""
    total, began = 0.0, None
    for event in events:
        if event.name != "supply":
            continue
        if event.what == ">":
            began = event.time
        elif event.what == "done" and began is not None:
            total += max(0.0, min(end, event.time) - max(start, began))
            began = None
    if began is not None:
        total += max(0.0, end - max(start, began))
    return total


def off_command(events: Sequence[Event], after: float) -> float | None:
    return next(
        (e.time for e in events if e.what == ">" and e.time > after and "OUTP" in e.text and "OFF" in e.text), None
    )


def last_off(events: Sequence[Event], after: float) -> float | None:
    times = [e.time for e in events if e.what == "out" and e.text == "off" and e.time > after]
    return times[-1] if times else None


@contextmanager
def waiting(lane: Lane) -> Iterator[Going]:
    """A run with both outputs on, in its long wait; ended afterwards by the operator's signal where it still runs."""
    going = lane.begin({"role": "none", "quiet": True}, sequence="waiting.toml")

    def there() -> bool:
        return any(note["what"] == "ack" and note["step"] == WAITING_STEP for note in going.notes())

    if not lane.until(there, 30):
        raise RuntimeError(f"the run did not come to its wait: {going.notes()[-3:]}")
    time.sleep(0.1)
    yield going
    for pid in (going.pid, going.guard):
        if pid is not None:
            try:
                os.kill(pid, signal.SIGCONT)
            except ProcessLookupError:
                continue
    lane.end(going)


def over_current(lane: Lane, going: Going) -> tuple[float, float | None]:
    at = lane.order("surge", ohms=SURGE_OHMS)
    lane.until(lambda: not lane.on(), 5)
    return at, off_command(lane.events(going), at)


def _signalled(number: signal.Signals, pid: int, lane: Lane) -> float:
    at = time.monotonic()
    os.kill(pid, number)
    lane.until(lambda: not lane.on(), 20)
    return at


def runner_killed(lane: Lane, going: Going) -> tuple[float, float | None]:
    at = _signalled(signal.SIGKILL, going.pid, lane)
    return at, last_off(lane.events(going), at)


def runner_hung(lane: Lane, going: Going) -> tuple[float, float | None]:
    _signalled(signal.SIGSTOP, going.pid, lane)
    ended = next((note["ended"] for note in going.notes() if note["what"] == "lease over"), None)
    if ended is None:
        return 0.0, None
    return ended, last_off(lane.events(going), ended)


def guard_killed(lane: Lane, going: Going) -> tuple[float, float | None]:
    guard = going.guard
    assert guard is not None
    at = _signalled(signal.SIGKILL, guard, lane)
    return at, last_off(lane.events(going), at)


MEASURED: dict[str, Callable[[Lane, Going], tuple[float, float | None]]] = {
    "over-current": over_current,
    "runner killed": runner_killed,
    "runner hung": runner_hung,
    "guard killed": guard_killed,
}


def measure(lane: Lane, name: str, count: int, rng: random.Random) -> Figure:
    figure = Figure(name)
    for _ in range(count):
        with waiting(lane) as going:
            time.sleep(rng.uniform(0.0, 0.2))
            start, end = MEASURED[name](lane, going)
            if end is None:
                figure.missed += 1
            else:
                figure.seconds.append(end - start - busy(lane.events(going), start, end))
    return figure


@dataclass(frozen=True, slots=True)
class Polls:
    """Messages a second, share of the time in which the instrument is busy, share of a core."""

    rate: float
    share: float
    core: float


def polling(lane: Lane, latency: float) -> tuple[Polls, Polls]:
    """The guard's, and a bare loop's with the same questions."""
    lane.order("latency", seconds=latency)
    try:
        turns = [(_guard_polls(lane), _bare_polls(lane)) for _ in range(TURNS)]
        return _median([guard for guard, _ in turns]), _median([bare for _, bare in turns])
    finally:
        lane.order("latency", seconds=LATENCY)


def _median(polls: Sequence[Polls]) -> Polls:
    return Polls(*(statistics.median(getattr(each, key) for each in polls) for key in ("rate", "share", "core")))


def _guard_polls(lane: Lane) -> Polls:
    with waiting(lane) as going:
        guard = going.guard
        assert guard is not None
        start, used = time.monotonic(), _processor(guard)
        time.sleep(POLLING)
        end, used = time.monotonic(), _processor(guard) - used
        seen = _polls(lane.events(going), start, end, used)
        os.kill(going.pid, signal.SIGKILL)
    return seen


def _bare_polls(lane: Lane) -> Polls:
    """The last question that the guard asked, again and again."""
    before = record(lane.record_file)
    line = next(e.text for e in reversed(before) if e.name == "supply" and e.what == ">" and "MEAS" in e.text)
    place = lane.record_file.stat().st_size
    with socket.create_connection(("127.0.0.1", lane.ports["supply"])) as link:
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        start, used = time.monotonic(), time.thread_time()
        while (end := time.monotonic()) < start + POLLING:
            link.sendall(line.encode() + b"\n")
            link.recv(4096)
        used = time.thread_time() - used
    return _polls(record(lane.record_file, place), start, end, used)


def _polls(events: Sequence[Event], start: float, end: float, used: float) -> Polls:
    asked = sum(1 for e in events if e.name == "supply" and e.what == "<" and start <= e.time <= end)
    return Polls(asked / (end - start), busy(events, start, end) / (end - start), used / (end - start))


def polls(latencies: Sequence[float] = LATENCIES) -> int:
    """Print the table by itself."""
    with Lane(Path(tempfile.mkdtemp(prefix="polls-")), LATENCY) as lane:
        good = _print_polls(lane, latencies)
    print(f"\nload {os.getloadavg()[0]:.1f} of {os.cpu_count()} cores", file=sys.stderr)
    return 0 if good else 1


def _print_polls(lane: Lane, latencies: Sequence[float]) -> bool:
    print("\n| reply time | messages a second | of the instrument's time | a bare loop's | beside it | of a core |")
    print("| ---: | ---: | ---: | ---: | ---: | ---: |")
    good = True
    for latency in latencies:
        guard, bare = polling(lane, latency)
        good = good and guard.share >= ALLOWED_SHARE and guard.core < ALLOWED_CORE
        cells = (f"{latency * 1e3:.0f} ms", f"{guard.rate:.0f}", f"{guard.share:.0%}", f"{bare.share:.0%}",
                 f"{guard.rate / bare.rate:.0%}", f"{guard.core:.0%}")  # fmt: skip
        print(f"| {' | '.join(cells)} |", flush=True)
    return good


def _processor(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICK


def budget(figures: Sequence[Figure]) -> list[str]:
    """What a person has to reckon with: software plus the instrument's own time, for two outputs."""
    by = {figure.name: figure.quantile(0.99) for figure in figures if figure.seconds}
    lines = [
        "| reply time of the supply | over-current to off command | runner killed to both off |",
        "| ---: | ---: | ---: |",
    ]
    for reply in (0.001, 0.005, 0.020, 0.080):
        # at worst: the message under way, the other output's, and the one that shows it; then command and proof each
        trip = by.get("over-current", 0.0) + 3 * reply
        killed = by.get("runner killed", 0.0) + 4 * reply
        lines.append(f"| {reply * 1e3:.0f} ms | {trip * 1e3:.0f} ms | {killed * 1e3:.0f} ms |")
    return lines


def main(count: int = 100, seed: int = 6) -> int:
    rng = random.Random(seed)
    load = os.getloadavg()[0]
    good = True
    with Lane(Path(tempfile.mkdtemp(prefix="bounds-")), LATENCY) as lane:
        figures = []
        print("| bound | runs | median | 99th percentile | largest | promised | |")
        print("| --- | ---: | ---: | ---: | ---: | ---: | --- |")
        for name in MEASURED:
            figure = measure(lane, name, count, rng)
            figures.append(figure)
            if not figure.seconds:
                print(f"| {name} | 0 | | | | | nothing was seen |")
                good = False
                continue
            held = figure.quantile(0.99) <= ALLOWED[name] and not figure.missed
            good = good and held
            shown = (figure.quantile(0.5), figure.quantile(0.99), max(figure.seconds))
            cells = [f"{1e3 * seconds:.1f} ms" for seconds in shown]
            verdict = ("held" if held else "NOT HELD") + (f", {figure.missed} missed" if figure.missed else "")
            cells += [f"{1e3 * ALLOWED[name]:.0f} ms", verdict]
            print(f"| {name} | {len(figure.seconds)} | {' | '.join(cells)} |", flush=True)
        good = _print_polls(lane, LATENCIES) and good
        print("\n" + "\n".join(budget(figures)))
    print(f"\nload {load:.1f} before, {os.getloadavg()[0]:.1f} after, of {os.cpu_count()} cores", file=sys.stderr)
    print(f"\nMeasured at a load of {load:.1f} of {os.cpu_count()} cores, {count} runs each.")
    return 0 if good else 1
