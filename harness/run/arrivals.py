"""When nets should come up after a supply went on, as the board is drawn: limits of a start-up's times.

    arrivals = Arrivals(board)
    due = arrivals.due(state, "USB", 5.0, wave, {"+3V3": Level(1.65), "RST": Level(1.4)})
    due.of("+3V3")                    Limits(1.1e-3, 2.9e-3, "circuit"); None: nobody can say
    due.between("+3V3", "RST")        of the time from the one to the other, where what moves both plays no part

How the supply itself rose is not the board's doing, so the circuit is driven with the wave that was seen on the
supply's own net; the times are after the same trigger. Around the times as drawn: what each stated tolerance moves them
by, all in the worst direction; what nobody states (forward voltages, currents of chips), 3.5 standard deviations of all
together; and what the solver and the straight lines for the wave leave open. Both are computed on an even rise as long
as the one seen, of a fixed row of lengths, and kept: many units of a board share them.

A ceramic capacitor that has less at its voltage than its tolerance says comes earlier than these limits.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from wakeboard.harness.describe.state import BenchState
from wakeboard.harness.run.decide import Limits
from wakeboard.instruments.virtual.circuit.bench.spread import DEVIATIONS
from wakeboard.instruments.waveform import NoSuchEvent, Waveform

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.instruments.virtual.circuit import Model
    from wakeboard.instruments.virtual.circuit.bench.rising import Level, Rising, Times, Wave
    from wakeboard.instruments.virtual.circuit.bench.unknowns import Unknown

TIME: Final = "start-up time"  # what such a reading is called
LENGTHS: Final = 1.5  # from one length of an even rise to the next
SHORTEST: Final = 1e-4  # s
LINE_SHARE: Final = 0.01  # of the height: how far straight lines may leave the wave
FLOOR_S, FLOOR_SHARE = 1e-4, 0.02  # what the solver's steps and the lines may be off by, s and of the time
GAIN: Final = 0.1  # an oscilloscope is off by no more; a net that stands lower is held down

Between = Callable[[], None] | None


@dataclass(frozen=True)
class _Spread:
    """Of an even rise of so many s: s by which each unknown moves each net, (T, N); bounded: which have stated ends."""

    seconds: float
    moved: NDArray[np.float64]
    bounded: NDArray[np.bool_]

    def width(self, moved: NDArray[np.float64]) -> float:
        """s, all that is stated in the worst direction and all that is not by its deviations; moved: (T,)."""
        worst = np.abs(moved[self.bounded]).sum()
        return float(worst + DEVIATIONS * np.linalg.norm(moved[~self.bounded]))


@dataclass(frozen=True)
class Due:
    """Limits of a start-up's times behind one wave of the supply. Nets that do not come up as drawn, or need not, have
    none. drawn: s after the trigger; longer: times the even rise that the spread is of; lines: s by which the straight
    lines may be off."""

    drawn: Times = field(default_factory=dict)
    spread: _Spread | None = None
    longer: float = 1.0
    lines: float = 0.0

    def of(self, net: str) -> Limits | None:
        """s after the trigger."""
        at = self.drawn.get(net)
        moved = self._moved(net)
        return None if at is None or moved is None else self._around(at, moved)

    def between(self, first: str, second: str) -> Limits | None:
        """s from the one to the other, not below zero."""
        a, b, moved, other = self.drawn.get(first), self.drawn.get(second), self._moved(first), self._moved(second)
        if a is None or b is None or moved is None or other is None:
            return None
        found = self._around(b - a, other - moved)
        return None if found is None else Limits(max(0.0, found.low or 0.0), found.high, "circuit")

    def _moved(self, net: str) -> NDArray[np.float64] | None:
        if self.spread is None or net not in self.drawn:
            return None
        return np.asarray(self.spread.moved[:, list(self.drawn).index(net)], dtype=np.float64)

    def _around(self, at: float, moved: NDArray[np.float64]) -> Limits | None:
        assert self.spread is not None
        width = self.spread.width(moved) * self.longer
        room = width + FLOOR_S + FLOOR_SHARE * abs(at) + self.lines
        return Limits(at - room, at + room, "circuit") if math.isfinite(room) else None


class Arrivals:
    """Of one board, with the rework of one unit."""

    def __init__(self, board: Board, rework: Sequence[str] = ()) -> None:
        self.board = board
        self.rework = tuple(rework)
        self._known: dict[tuple[object, ...], _Spread] = {}

    def due(
        self, state: BenchState, supply: str, volts: float, seen: Waveform, levels: Mapping[str, Level],
        between: Between = None,
    ) -> Due:  # fmt: skip
        """levels: what each net passes; state: before the supply went on; volts: what it was set to; seen: its own net.
        Nothing is due where the circuit has no answer or the supply's net did not rise to what was set."""
        from wakeboard.instruments.virtual.circuit import CircuitError, SolveError

        wave = _wave(seen, volts)
        if wave is None or not self.board.parts:
            return Due()
        try:
            if between is not None:
                between()
            behind, length = self._behind(state, supply, levels), _length(seen)
            spread = self._spread(behind, (state.key, supply), (volts, seen.end), length, between)
            lines = _within(seen, volts) / volts * length
            return Due(behind.times(wave), spread, max(1.0, length / spread.seconds), lines)
        except (CircuitError, SolveError):
            return Due()

    def times(
        self, state: BenchState, supply: str, volts: float, seen: Waveform, levels: Mapping[str, Level],
        faults: Sequence[str] = (),
    ) -> Times:  # fmt: skip
        """Net -> s after the trigger, with faults planted beside the rework; {} where there is no answer."""
        from wakeboard.instruments.virtual.circuit import CircuitError, SolveError

        wave = _wave(seen, volts)
        try:
            return {} if wave is None else self._behind(state, supply, levels, faults).times(wave)
        except (CircuitError, SolveError):
            return {}

    def _behind(
        self, state: BenchState, supply: str, levels: Mapping[str, Level], planted: Sequence[str] = ()
    ) -> Rising:
        from wakeboard.instruments.virtual.circuit import Variant, parse_fault
        from wakeboard.instruments.virtual.circuit.bench.parts import supply_name
        from wakeboard.instruments.virtual.circuit.bench.rising import Rising
        from wakeboard.instruments.virtual.circuit.bench.state import state_values

        known = set(self._model.circuit.nets)
        faults = tuple(parse_fault(text) for text in (*self.rework, *planted))
        wanted = {net: level for net, level in levels.items() if net in known}
        return Rising(self._model, Variant(faults, state_values(state)), supply_name(supply), wanted)

    def _spread(
        self, behind: Rising, key: tuple[str, ...], shape: tuple[float, float], length: float, between: Between
    ) -> _Spread:
        """Of the even rise that is nearest in length. shape: what it rises to, V, and how long it is followed, s."""
        step = round(math.log(max(length, SHORTEST) / SHORTEST, LENGTHS))
        full = (*key, *shape, step, *sorted(behind.levels.items()))
        if full not in self._known:
            self._known[full] = self._compute(behind, shape, SHORTEST * LENGTHS**step, between)
        return self._known[full]

    def _compute(self, behind: Rising, shape: tuple[float, float], seconds: float, between: Between) -> _Spread:
        volts, lasts = shape
        even = [(0.0, 0.0), (seconds, volts), (seconds + lasts, volts)]
        bounded = np.array([each.ends is not None for each in self._unknowns], dtype=bool)
        return _Spread(seconds, behind.moved(even, self._unknowns, between), bounded)

    @cached_property
    def _unknowns(self) -> list[Unknown]:
        from wakeboard.harness.describe.board.circuit import board_circuit
        from wakeboard.harness.describe.board.spreads import unknowns
        from wakeboard.instruments.virtual.circuit.bench.unknowns import bounded

        reworked = {text.partition(":")[0].partition(".")[0] for text in self.rework}
        circuit = board_circuit(self.board)
        stated = bounded(part for part in circuit.parts if part.name not in reworked)
        found = [each for each in unknowns(circuit, self.board.adjacent, reworked) if not each.stated]
        return [*stated, *(each for each in found if each.stray is None and each.drawn != 0.0)]

    @cached_property
    def _model(self) -> Model:
        from wakeboard.harness.describe.board.circuit import on_supplies

        return on_supplies(self.board).compile()


def _length(seen: Waveform) -> float:
    """s that the supply's own net takes to rise, as if evenly. Raises NoSuchEvent."""
    return seen.rise().value / 0.8


def _wave(seen: Waveform, volts: float) -> Wave | None:
    """The supply's own net by straight lines, the oscilloscope's gain taken out by what was set; None where it does not
    rise, or not to what was set."""
    from wakeboard.instruments.virtual.circuit.bench.rising import straight

    try:
        stands = seen.settled.value
        _length(seen)
    except NoSuchEvent:
        return None
    if abs(stands - volts) > GAIN * volts:
        return None
    times = np.asarray(seen.start + seen.dt * np.arange(len(seen.volts)), dtype=np.float64)
    return straight(times, np.clip(seen.volts * (volts / stands), 0.0, None), _within(seen, volts))


def _within(seen: Waveform, volts: float) -> float:
    """V by which straight lines may leave the wave: not less than its codes and noise, which are no shape of it."""
    return max(LINE_SHARE * volts, 1.5 * seen.lsb + 2 * seen.noise)
