"""When nets should come up after a supply went on, as the board is drawn: limits of a start-up's times.

    arrivals = Arrivals(board)
    arrivals.limits(state, "USB", 5.0, wave, {"+3V3": Level(1.65)})      {"+3V3": Limits(1.1e-3, 2.9e-3, "circuit")}

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
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

from wakeboard.harness.describe.state import BenchState
from wakeboard.harness.run.decide import Limits
from wakeboard.instruments.waveform import NoSuchEvent, Waveform

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.instruments.virtual.circuit import Model
    from wakeboard.instruments.virtual.circuit.bench.rising import Level, Rising, Times, Wave
    from wakeboard.instruments.virtual.circuit.bench.unknowns import Unknown

DEVIATIONS: Final = 3.5  # as spread.py's, of what nobody states
LENGTHS: Final = 1.5  # from one length of an even rise to the next
SHORTEST: Final = 1e-4  # s
LINE_SHARE: Final = 0.02  # of the height: how far straight lines may leave the wave
FLOOR_S, FLOOR_SHARE = 1e-4, 0.02  # what the solver's steps and the lines may be off by, s and of the time
GAIN: Final = 0.1  # an oscilloscope is off by no more; a net that stands lower is held down

Between = Callable[[], None] | None


@dataclass(frozen=True)
class _Spread:
    """Of an even rise of so many s: the times as drawn, and s by which they may be off."""

    seconds: float
    widths: Mapping[str, float]


class Arrivals:
    """Of one board, with the rework of one unit."""

    def __init__(self, board: Board, rework: Sequence[str] = ()) -> None:
        self.board = board
        self.rework = tuple(rework)
        self._known: dict[tuple[object, ...], _Spread | None] = {}

    def limits(
        self, state: BenchState, supply: str, volts: float, seen: Waveform, levels: Mapping[str, Level],
        between: Between = None,
    ) -> dict[str, Limits]:  # fmt: skip
        """Net -> limits of the time at which it passes its level, s after the trigger. state: before the supply
        went on; volts: what it was set to; seen: its own net. Nets that do not come up as drawn, or may not, have none;
        nor has any where the circuit has no answer or the supply's net did not rise to what was set."""
        from wakeboard.instruments.virtual.circuit import CircuitError, SolveError

        wave = _wave(seen, volts)
        if wave is None or not self.board.parts:
            return {}
        try:
            if between is not None:
                between()
            behind = self._behind(state, supply, levels)
            spread = self._spread(behind, (state.key, supply), (volts, seen.end), _length(seen), between)
            return {} if spread is None else _limits(behind.times(wave), spread, _length(seen))
        except (CircuitError, SolveError):
            return {}

    def _behind(self, state: BenchState, supply: str, levels: Mapping[str, Level]) -> Rising:
        from wakeboard.instruments.virtual.circuit import Variant, parse_fault
        from wakeboard.instruments.virtual.circuit.bench.parts import supply_name
        from wakeboard.instruments.virtual.circuit.bench.rising import Rising
        from wakeboard.instruments.virtual.circuit.bench.state import state_values

        known = set(self._model.circuit.nets)
        faults = tuple(parse_fault(text) for text in self.rework)
        wanted = {net: level for net, level in levels.items() if net in known}
        return Rising(self._model, Variant(faults, state_values(state)), supply_name(supply), wanted)

    def _spread(
        self, behind: Rising, key: tuple[str, ...], shape: tuple[float, float], length: float, between: Between
    ) -> _Spread | None:
        """Of the even rise that is nearest in length. shape: what it rises to, V, and how long it is followed, s."""
        step = round(math.log(max(length, SHORTEST) / SHORTEST, LENGTHS))
        full = (*key, *shape, step, *sorted(behind.levels.items()))
        if full not in self._known:
            self._known[full] = self._compute(behind, shape, SHORTEST * LENGTHS**step, between)
        return self._known[full]

    def _compute(self, behind: Rising, shape: tuple[float, float], seconds: float, between: Between) -> _Spread:
        volts, lasts = shape
        even = [(0.0, 0.0), (seconds, volts), (seconds + lasts, volts)]
        unknowns = self._unknowns
        moved = behind.moved(even, unknowns, between)
        bounded = np.array([each.ends is not None for each in unknowns], dtype=bool)
        worst = np.abs(moved[bounded]).sum(axis=0)
        open_to = DEVIATIONS * np.linalg.norm(moved[~bounded], axis=0)
        widths = worst + open_to
        return _Spread(seconds, dict(zip(behind.levels, map(float, widths), strict=True)))

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
    return straight(times, np.clip(seen.volts * (volts / stands), 0.0, None), LINE_SHARE * volts)


def _limits(drawn: Times, spread: _Spread, length: float) -> dict[str, Limits]:
    longer = max(1.0, length / spread.seconds)
    found = {}
    for net, at in drawn.items():
        width = spread.widths[net] * longer
        if at is None or not math.isfinite(width):
            continue
        room = width + FLOOR_S + FLOOR_SHARE * abs(at) + LINE_SHARE * length
        found[net] = Limits(at - room, at + room, "circuit")
    return found
