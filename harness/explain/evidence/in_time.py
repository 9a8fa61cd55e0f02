"""What a start-up's times say of faults that no reading at rest tells from the board as drawn.

    found = in_time(run, board)           None: no such time was outside its limits
    found.seen                            each time beside what the drawing gives behind the same supply
    found.fits                            faults whose times are near enough to all of them, the nearest first

It stands beside the ranking and changes nothing in it: that weighs readings at rest, and a start-up's time is none.
Tried are the faults of the library that are alike at rest to no fault (most of what can be wrong with a capacitor);
each is one transient behind the wave that was seen on the supply's own net. Where none makes it so, the value of each
of their parts is sought that does, from a hundredth to a hundred times (in_time_values.py). Two faults at once are not
tried. How far a time may be off without a fault
is what tolerances, and what nobody states, make of it (run/arrivals.py), taken as 3.5 deviations.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from wakeboard.harness.describe.state import BenchState, StateError
from wakeboard.harness.explain.evidence.in_time_values import AtFault, Times, fitted, parts_with_values
from wakeboard.harness.run.arrivals import TIME, Arrivals, Due
from wakeboard.instruments.virtual.circuit.bench.spread import DEVIATIONS
from wakeboard.instruments.waveform import Waveform
from wakeboard.results.told import PowerTold, StartUpTold

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.instruments.virtual.circuit.bench.rising import Level
    from wakeboard.results.records import RunRecord, Step

NEAR: Final = 3.0
"""Standard deviations within which a time counts as accounted for."""
NAMED: Final = 5  # faults that are told, the nearest first: more is no help at the bench


@dataclass(frozen=True)
class TimeRead:
    """A time of a run, s after the trigger: what was read (None: it never came), its standard uncertainty, what the
    drawing gives (None: it does not come up), and one standard deviation of that without a fault."""

    net: str
    value: float | None
    u: float
    drawn: float | None
    sigma: float
    outcome: str

    def off(self, due: float | None) -> float:
        """Standard deviations between what was read and what is due."""
        if self.value is None or due is None:
            return 0.0 if self.value is due else math.inf
        return abs(self.value - due) / math.hypot(self.u, self.sigma)


@dataclass(frozen=True)
class TimedFault:
    """A fault and the times that it would make."""

    fault: str
    times: Mapping[str, float | None]
    off: float


@dataclass(frozen=True)
class InTime:
    """supply: whose start-up. fits: what accounts for every time; nearest: where nothing does, what comes nearest;
    tried: faults of the library; sought: parts of which the value was sought."""

    supply: str
    seen: list[TimeRead]
    fits: list[TimedFault] = field(default_factory=list)
    nearest: list[TimedFault] = field(default_factory=list)
    tried: int = 0
    sought: int = 0

    def as_json(self) -> dict[str, object]:
        return {
            "supply": self.supply, "tried": self.tried, "sought": self.sought,
            "seen": [{"of": s.net, "read": s.value, "u": s.u, "drawn": s.drawn, "outcome": s.outcome}
                     for s in self.seen],
            "fits": [{"fault": fit.fault, "times": dict(fit.times)} for fit in self.fits],
            "nearest": [{"fault": fit.fault, "times": dict(fit.times)} for fit in self.nearest],
        }  # fmt: skip


@dataclass(frozen=True)
class _Shot:
    """What was seen of one start-up, as Arrivals takes it."""

    before: BenchState
    supply: str
    volts: float
    wave: Waveform
    levels: Mapping[str, Level]


def in_time(
    run: RunRecord, board: Board, rework: Sequence[str] = (), between: Callable[[], None] | None = None
) -> list[InTime]:
    """One for each start-up of a run with a time that is outside its limits. [] also where the supply's own net was not
    seen, or the circuit has no answer."""
    found = []
    for step in run.steps:
        odd = any(each.quantity == TIME and each.outcome in ("fail", "marginal") for each in step.readings)
        shot = _shot(step, board) if odd else None
        if shot is not None:
            found += list(_explained(step, shot, Arrivals(board, rework), between))
    return found


def _explained(step: Step, shot: _Shot, arrivals: Arrivals, between: Callable[[], None] | None) -> Iterator[InTime]:
    given = (shot.before, shot.supply, shot.volts, shot.wave, shot.levels)
    due = arrivals.due(*given, between)
    if not due.drawn:
        return
    seen = list(_seen(step, due))

    def at(fault: str) -> Mapping[str, float | None]:
        if between is not None:
            between()
        return arrivals.times(*given, [fault])

    tried = list(_tried(seen, at, _invisible_at_rest(arrivals.board)))
    fits = [each for each in tried if each.off <= NEAR]
    sought: list[TimedFault] = []
    parts = [] if fits else parts_with_values(each.fault for each in tried)
    if parts:
        sought = list(_tried(seen, at, _values(arrivals.board, seen, due.drawn, at, tried, parts)))
        fits = [each for each in sought if each.off <= NEAR]
    near = [] if fits else [each for each in sorted([*tried, *sought], key=_off) if math.isfinite(each.off)]
    yield InTime(shot.supply, seen, sorted(fits, key=_off)[:NAMED], near[:2], len(tried), len(parts))


def _off(fault: TimedFault) -> float:
    return fault.off


def _tried(seen: Sequence[TimeRead], at: AtFault, faults: Iterable[str]) -> Iterator[TimedFault]:
    """Each fault with its times, where the circuit has an answer with it."""
    for fault in faults:
        times = at(fault)
        if times:
            yield TimedFault(fault, times, max(each.off(times.get(each.net)) for each in seen))


def _values(
    board: Board, seen: Sequence[TimeRead], drawn: Times, at: AtFault, tried: Sequence[TimedFault],
    parts: Sequence[str],
) -> Iterator[str]:  # fmt: skip
    """For each part the value with which the time that is furthest off comes out as read."""
    from wakeboard.harness.describe.board.circuit import board_circuit

    odd = max((each for each in seen if each.value is not None), key=lambda each: each.off(each.drawn), default=None)
    if odd is None or odd.value is None:
        return
    circuit = board_circuit(board)
    for part in parts:
        known = {each.fault: each.times for each in tried if each.fault.startswith(f"{part}:value=")}
        found = fitted(circuit, part, odd.net, odd.value, at, {**known, "": drawn})
        if found is not None:
            yield found


def _seen(step: Step, due: Due) -> Iterator[TimeRead]:
    for each in step.readings:
        if each.quantity != TIME or each.of not in due.drawn or each.outcome == "skipped":
            continue
        limits, drawn = due.of(each.of), due.drawn[each.of]
        sigma = 0.0 if limits is None or limits.high is None or drawn is None else (limits.high - drawn) / DEVIATIONS
        yield TimeRead(each.of, each.value, each.u or 0.0, drawn, sigma, each.outcome)


def _shot(step: Step, board: Board) -> _Shot | None:
    from wakeboard.instruments.virtual.circuit.bench.rising import Level

    power, told = PowerTold.of(step), StartUpTold.of(step)
    waves, net = told.waves or {}, (told.trigger or {}).get("net")
    supply = next((name for name, each in board.supplies.items() if each.net == net), None)
    if supply is None or net not in waves or power.volts is None:
        return None
    levels = {
        name: Level(float(wave["level"]), wave.get("share"))
        for name, wave in waves.items()
        if name != net and wave.get("level") is not None
    }
    return _Shot(_before(step, supply), supply, power.volts, _wave(str(net), waves[str(net)]), levels)


def _before(step: Step, supply: str) -> BenchState:
    """The bench before the supply went on, by what a reading of the step says that was on."""
    for each in step.readings:
        if each.quantity == TIME:
            try:
                state = BenchState.parse(each.state)
            except StateError:
                break
            return BenchState({name: at for name, at in state.supplies.items() if name != supply}, state.pins)
    return BenchState()


def _wave(net: str, kept: Mapping[str, object]) -> Waveform:
    times = np.array(kept["times"], dtype=np.float64)
    low, high = np.array(kept["low"], dtype=np.float64), np.array(kept["high"], dtype=np.float64)
    dt = float(np.diff(times).mean())
    middle = float(times[0]) + dt / 2  # of the samples that the first one stands for
    return Waveform(net, middle, dt, (low + high) / 2, max(float(np.median(high - low)), 1e-3))


def _invisible_at_rest(board: Board) -> list[str]:
    from wakeboard.harness.describe.board.circuit import board_circuit
    from wakeboard.instruments.virtual.circuit.faults.alike import alike
    from wakeboard.instruments.virtual.circuit.faults.library import library

    circuit = board_circuit(board)
    as_drawn = alike(circuit, [])
    return [str(fault) for fault in library(circuit, board.adjacent) if alike(circuit, [fault]) == as_drawn]
