"""The families of faults. Each gives tries: a row of the table, and what to do in one run.

seams    the N-th write, read, query, commit and spawn of runner and guard fails, once and for good, for every N
kills    kill -9 and SIGSTOP of runner, guard and both, at moments drawn from a seed over the length of a run
network  a proxy before each instrument that drops, stalls, halves, delays, doubles, cuts, swaps
power    a supply that does not obey, feeds a short after off, comes back; another program that meddles; presses of
         Ctrl-C; a stop of both processes, as a sleep of the computer is
disk     the disk is full from a given size of the store's files on; their pages are written over
"""

from __future__ import annotations

import os
import random
import signal
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from tests.campaign.judge import Verdict
from tests.campaign.lane import GIVE_UP, Going, Lane, gone
from tests.campaign.proxy import BACK, KINDS, Mischief, Proxy

SETTLE = 0.6  # s: what was under way when a process was stopped has arrived by then
HOLD = 0.5  # s for which both are stopped


@dataclass(frozen=True)
class Try:
    """row: the line of the table; what: this try, for a person; run: does it."""

    row: str
    what: str
    run: Callable[[Lane], Verdict]
    out_of_reach: bool = False  # nothing that is left can reach the supply: left on is then told, not avoided


@dataclass(frozen=True)
class Scale:
    """How many operations a run has, from runs without a fault; how long it takes."""

    counts: dict[str, dict[str, int]]
    seconds: float
    replies: dict[str, int]


def scale(lane: Lane, runs: int = 3) -> Scale:
    """From runs without a fault: the most that was counted. A machine that is very busy may let one fail: no more, and
    never with an output on, a step lost or a wrong word."""
    counts: dict[str, dict[str, int]] = {}
    seconds = 0.0
    replies: dict[str, int] = {}
    passed = failed = 0
    while passed < runs:
        started = time.monotonic()
        going = lane.begin()
        noted: list[Any] = []
        tidy, lane._tidy = lane._tidy, lambda _going: None  # type: ignore[method-assign]
        try:
            verdict = lane.end(going)
        finally:
            lane._tidy = tidy  # type: ignore[method-assign]
        noted = going.notes()
        if verdict.code != 0 or verdict.bad:
            failed += 1
            if verdict.bad or verdict.left_on or failed > 1:
                raise RuntimeError(f"a run without a fault must pass: {verdict}")
            continue
        passed += 1
        seconds = max(seconds, max(n["time"] for n in noted) - started)
        for each in noted:
            if each["what"] == "counts":
                had = counts.setdefault(each["role"], dict(each["counts"]))
                had.update({op: max(had[op], count) for op, count in each["counts"].items()})
        for event in lane.events(going):
            if event.what == "<":
                replies[event.name] = replies.get(event.name, 0) + 1
        lane._tidy(going)
    return Scale(counts, seconds, {name: count // runs for name, count in replies.items()})


# --- seams ----------------------------------------------------------------------------------------------------------
def seams(measured: Scale, every: bool, rng: random.Random, sample: int = 1) -> Iterator[Try]:
    for role, ops in measured.counts.items():
        for op, most in ops.items():
            if not most:
                continue
            numbers = range(1, most + 1) if every else sorted(rng.sample(range(1, most + 1), min(sample, most)))
            for once in (True, False):
                for n in numbers:
                    yield _seam(role, op, n, once)


def _seam(role: str, op: str, n: int, once: bool) -> Try:
    spec = {"role": role, "op": op, "n": n, "once": once, "warm": True}
    name = f"{op} of the {role} fails, {'once' if once else 'for good'}"
    return Try(name, f"{name}, number {n}", lambda lane: _if_broken(lane.run(spec)))


def _if_broken(verdict: Verdict) -> Verdict:
    """A run that came to its own end says nothing of how fast the power was cut."""
    if verdict.code in (0, 1) and not any("trip" in note for note in verdict.notes):
        verdict.off_after = None
    return verdict


# --- kills ----------------------------------------------------------------------------------------------------------
def kills(measured: Scale, count: int, rng: random.Random) -> Iterator[Try]:
    ways = [(who, how) for how in (signal.SIGKILL, signal.SIGSTOP) for who in ("runner", "guard", "both")]
    for number in range(count):
        who, how = ways[number % len(ways)]
        moment = rng.uniform(0.0, 1.1 * measured.seconds)
        yield kill(who, how, moment)


def kill(who: str, how: signal.Signals, moment: float, sequence: str = "sequence.toml") -> Try:
    def run(lane: Lane) -> Verdict:
        return lane.run(during=lambda lane, going: _strike(lane, going, who, how, moment), sequence=sequence)

    verb = "killed" if how == signal.SIGKILL else "stopped"
    name = f"runner and guard {verb} together" if who == "both" else f"{who} {verb}"
    return Try(name, f"{name} after {moment:.3f} s", lambda lane: _protected(lane, run(lane)), who == "both")


def _strike(lane: Lane, going: Going, who: str, how: signal.Signals, moment: float) -> None:
    time.sleep(moment)
    guard = going.guard
    pids = [pid for pid in (guard if who != "runner" else None, going.pid if who != "guard" else None) if pid]
    going.fault_at = time.monotonic()
    struck = [pid for pid in pids if _signal(pid, how)]
    if how == signal.SIGSTOP and struck:
        _stopped(lane, who)
        for pid in struck:
            _signal(pid, signal.SIGCONT)


def _stopped(lane: Lane, who: str) -> None:
    """Until the outputs are off; where both are stopped nobody can do that, and they go on after a while."""
    if who == "both":
        time.sleep(HOLD)
    elif lane.until(lane.on, SETTLE):
        lane.until(lambda: not lane.on(), GIVE_UP)


def _signal(pid: int, how: signal.Signals) -> bool:
    if gone(pid):
        return False
    try:
        os.kill(pid, how)
    except ProcessLookupError:
        return False
    return True


def _protected(lane: Lane, verdict: Verdict) -> Verdict:
    """Where both are dead: are the instrument's own protections armed on what is left on?"""
    if verdict.code == 0:
        verdict.off_after = None
    for name, state in lane.order("state").items():
        if state["on"]:
            armed = state["ovp"] is not None and state["ocp"] is not None
            verdict.notes.append(f"{name} protections {'armed' if armed else 'NOT ARMED'}: {state}")
            verdict.odd = verdict.odd or not armed
    return verdict


# --- network --------------------------------------------------------------------------------------------------------
def network(measured: Scale, each: int, rng: random.Random) -> Iterator[Try]:
    for kind in KINDS:
        for once in (True, False):
            for _ in range(each):
                name = rng.choice(["supply", "supply", "meter", "scanner"])
                nth = rng.randint(1, max(1, measured.replies.get(name, 1)))
                yield network_try(name, Mischief(kind, nth, once, seed=rng.getrandbits(32)))


def network_try(name: str, mischief: Mischief) -> Try:
    def run(lane: Lane) -> Verdict:
        with Proxy(lane.ports[name], mischief) as proxy:
            bench = lane.write_bench({**lane.ports, name: proxy.port}, "proxied.toml")
            going = lane.begin(bench=bench)
            verdict = lane.end(going, lambda: proxy.failed_at)
        return _if_broken(verdict)

    dead = name == "supply" and not mischief.once
    where = "supply" if dead else "an instrument"
    row = f"{where}: {mischief.kind}, {'once' if mischief.once else 'for good'}"
    what = f"{name}: {mischief.kind} at {'reply' if mischief.kind in BACK else 'message'} {mischief.nth}, " + (
        "once" if mischief.once else "for good"
    )
    return Try(row, what, run, dead)


# --- disk -----------------------------------------------------------------------------------------------------------
def disk(count: int, rng: random.Random, store_bytes: int) -> Iterator[Try]:
    """No file of the runner may grow beyond a size: the store's log, its database, the guard's report, a lock file."""
    for number in range(count):
        size = rng.choice([1, 64]) if number % 8 == 0 else rng.randint(1024, 2 * store_bytes)
        yield Try(
            "the disk is full", f"no file above {size} bytes", lambda lane, size=size: _if_broken(lane.run(fsize=size))
        )


PAGE, FRAME, LOG_HEAD = 4096, 4096 + 24, 32  # bytes, of SQLite's file and of its log


def harmed(count: int, rng: random.Random) -> Iterator[Try]:
    """Something writes over pages of the store's file or of its log while the board has power; none becomes shorter."""
    for number in range(count):
        yield harmed_try(("file", "log")[number % 2], rng.uniform(0.0, 0.8), rng.randint(1, 4), rng.getrandbits(32))


def harmed_try(where: str, moment: float, every: int, seed: int) -> Try:
    def during(lane: Lane, going: Going) -> None:
        lane.until(lambda: {"USB", "AUX"} <= set(lane.on()) or gone(going.pid), 60)
        time.sleep(0.3 + moment)
        going.fault_at = time.monotonic()
        path = going.db if where == "file" else going.db.with_name(going.db.name + "-wal")
        if not path.exists():
            return
        rng, size, step = random.Random(seed), path.stat().st_size, PAGE if where == "file" else FRAME
        with path.open("r+b") as file:
            for place in range(0 if where == "file" else LOG_HEAD + 24, size - 64, step):
                if rng.randrange(every) == 0:
                    file.seek(place)
                    file.write(b"\xa5" * 64)

    def run(lane: Lane) -> Verdict:
        verdict = _if_broken(lane.run(during=during, sequence="limited.toml"))
        told = verdict.code == 5 and any("StoreError: " in each and "damaged" in each for each in verdict.notes)
        if told and not any("Traceback" in each for each in verdict.notes):
            verdict.odd = False  # nobody can read it: that was told, and its steps are beside it. The command says 3
        return verdict

    what = f"a page of the store's {where} in {every} written over"
    return Try(f"the store's {where} is damaged in place", f"{what}, after {moment:.2f} s", run)


# --- power ----------------------------------------------------------------------------------------------------------
@dataclass(frozen=True)
class Trouble:
    """What goes wrong while a board has power. do: gives when it began; codes: the exit codes that are right; words:
    what the story must say, one of them, unless nobody can have seen it; left: whether nothing can switch the output
    off; deaf: SIGINT is ignored where the run begins, as in the background of a shell."""

    row: str
    do: Callable[[Lane, Going], float]
    codes: tuple[int, ...]
    words: str | tuple[str, ...]
    sequence: str = "limited.toml"
    left: bool = False
    deaf: bool = False


def _disobey(lane: Lane, _going: Going) -> float:
    lane.order("become", supply="USB", kind="disobey")
    return float(lane.order("surge", ohms=9.0))


def _raise_limit(lane: Lane, _going: Going) -> float:
    return float(lane.order("meddle", supply="USB", amps=2.0))


def _raise_volts(lane: Lane, _going: Going) -> float:
    return float(lane.order("meddle", supply="USB", volts=5.8))


def _switch_second_on(lane: Lane, _going: Going) -> float:
    return float(lane.order("meddle", supply="AUX", volts=3.3, on=True))


def _switch_off(lane: Lane, _going: Going) -> float:
    return float(lane.order("meddle", supply="USB", on=False))


def _feed_short(lane: Lane, _going: Going) -> float:
    lane.order("become", supply="USB", kind="lie")
    return float(lane.order("surge", ohms=2.5))


def _come_back(times: int) -> Callable[[Lane, Going], float]:
    def do(lane: Lane, going: Going) -> float:
        lane.order("become", supply="USB", kind="return", times=times)
        os.kill(going.pid, signal.SIGINT)
        return time.monotonic()

    return do


def _press(lane: Lane, going: Going) -> float:
    began = time.monotonic()
    for _ in range(20):
        _signal(going.pid, signal.SIGINT)
        time.sleep(0.02)
    return began


def _press_stuck(lane: Lane, going: Going) -> float:
    lane.order("become", supply="USB", kind="stick")
    return _press(lane, going)


def _stop_both(lane: Lane, going: Going) -> float:
    began = time.monotonic()
    pids = [pid for pid in (going.guard, going.pid) if pid and _signal(pid, signal.SIGSTOP)]
    time.sleep(STOP)
    for pid in pids:
        _signal(pid, signal.SIGCONT)
    return began


STOP = 2.0  # s: less than a lease, more than a computer is ever busy for
RETURNED = ("is on", "it was on, or came back")  # 0: where the run had come to its end by then
TROUBLES = (
    Trouble("a supply does not hold its limit", _disobey, (1,), "does not hold its limit"),
    Trouble("another program raises the limit", _raise_limit, (3,), "says 2 A"),
    Trouble("another program raises the voltage", _raise_volts, (3,), "says 5.8 V"),
    Trouble("another program switches a second output on", _switch_second_on, (3,), "of AUX: it is on", "one.toml"),
    Trouble("another program switches the output off", _switch_off, (3,), "no protection of its own has tripped"),
    Trouble("an output says off and feeds a short", _feed_short, (6,), "come out of it", left=True),
    Trouble(
        "an output comes back 20 ms after off, once", _come_back(1), (0, 3, 4), ("is on", "it was on, or came back")
    ),
    Trouble("an output comes back 20 ms after off, always", _come_back(1000), (6,), "not confirmed off", left=True),
    Trouble("twenty presses of Ctrl-C", _press, (4,), "stopped by the operator"),
    Trouble("twenty presses, a run in the background", _press, (4,), "stopped by the operator", deaf=True),
    Trouble("twenty presses of Ctrl-C, an output that sticks", _press_stuck, (6,), "not confirmed off", left=True),
    Trouble("runner and guard stopped for 2 s", _stop_both, (3,), "stood still for"),
)


def power(each: int, rng: random.Random) -> Iterator[Try]:
    for trouble in TROUBLES:
        for _ in range(each):
            yield power_try(trouble, rng.uniform(0.0, 0.8))


def power_try(trouble: Trouble, moment: float) -> Try:
    made: list[float] = []

    def during(lane: Lane, going: Going) -> None:
        wanted = {"USB"} if trouble.sequence == "one.toml" else {"USB", "AUX"}
        lane.until(lambda: wanted <= set(lane.on()) or gone(going.pid), 60)
        time.sleep(0.3 + moment)  # the step that switched it on has ended
        if wanted <= set(lane.on()):
            going.fault_at = trouble.do(lane, going)
            made.append(going.fault_at)

    def run(lane: Lane) -> Verdict:
        for _ in range(3):  # a machine that is very busy may end a run, as link-lost, before its trouble has begun
            verdict = lane.run(during=during, sequence=trouble.sequence, deaf=trouble.deaf)
            if made or verdict.bad or verdict.left_on:
                break
        words = (trouble.words,) if isinstance(trouble.words, str) else trouble.words
        told = any(each in " ".join(verdict.notes) for each in words)
        if verdict.code not in trouble.codes or not (told or verdict.unseen):
            verdict.odd = True
            verdict.notes.append(f"exit code {verdict.code}, not {trouble.codes}, with {trouble.words!r}")
        return verdict

    return Try(trouble.row, f"{trouble.row}, after {moment:.2f} s", run, trouble.left)
