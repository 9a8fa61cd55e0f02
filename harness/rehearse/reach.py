"""What a bench could see of a fault at all: every point in every state that can be set.

A fault is equivalent when it moves no reachable reading by more than what tolerances and the meter already do. Readings
are those of a meter, a supply and one known resistor: volts at every point in every state, volts under the resistor
with nothing driven, each supply's current, and unpowered ohms with the resistor across, at two test currents and both
ways round. What only takes another time (most capacitors), what shows in AC, and what only the firmware would notice is
equivalent by this definition. For a fault that a sequence misses, the reading that it moves most, states that the
sequence visits first, is the cheapest measurement to add.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

from wakeboard.harness.describe.board.circuit import board_circuit, supply_nets
from wakeboard.harness.describe.board.spreads import lacking, unknowns
from wakeboard.harness.describe.state import BenchState
from wakeboard.harness.review.study.cases import Case, cases
from wakeboard.instruments.virtual.circuit.bench.figures import (
    JUNCTION_FROM,
    JUNCTION_VOLTS,
    KNOWN_OHMS,
    LEAST_METER_OHMS,
)
from wakeboard.instruments.virtual.circuit.bench.parts import meter, powered, probes, supply_name
from wakeboard.instruments.virtual.circuit.bench.slopes import Slopes
from wakeboard.instruments.virtual.circuit.bench.spread import unstated_amps, unstated_volts
from wakeboard.instruments.virtual.circuit.bench.state import OhmsTest, loaded
from wakeboard.instruments.virtual.circuit.model import Model, Variant
from wakeboard.instruments.virtual.circuit.part import Value
from wakeboard.instruments.virtual.circuit.solver.points import Points

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.rehearse.trial import Trial
    from wakeboard.instruments.virtual.circuit.faults.fault import Fault

    Array = NDArray[np.float64]

DRAWS: Final = 24
"""Specimens drawn within tolerance to learn what a good board's readings may be."""
WIDER: Final = 1.5
"""By how much their spread is widened: 24 draws see less than all boards do."""
VOLTS_FLOOR: Final = 5e-3
AMPS_FLOOR: Final = 1e-3
"""What a meter and a supply's readback cannot tell apart, V and A: common practice, no source."""
TESTS: Final = ((1e-4, JUNCTION_VOLTS), (1e-5, 0.0))
"""Unpowered tests through it: A (a meter's 10 kΩ and 100 kΩ ranges), and V of junction drop that nobody knows better.
At 100 µA the net sees up to 1 V and clamp diodes conduct; at 10 µA it sees 0.1 V and none does."""
TEST_SHARE: Final = 0.005
"""Of an ohms reading: what a meter and its leads cannot tell apart (common practice, no source)."""
_DRAWN: Final[Mapping[str, Value]] = {}
Setting = tuple[frozenset[tuple[str, float]], frozenset[tuple[str, str]], float | None]


@dataclass(frozen=True)
class Sight:
    """One reading that could be taken: at a point (or a supply, for its current), in a state."""

    point: str
    state: str
    quantity: str
    within: tuple[float, float] | None = field(default=None, compare=False)
    """What good boards read there, V or A; None for an unpowered test, whose reading is its current's."""


@dataclass(frozen=True)
class _State:
    """One setting of the bench: what is set and moved in which circuit. amps: the supply whose current is read."""

    model: Model
    values: Mapping[str, Value]
    moves: Mapping[str, str]
    nets: tuple[str, ...]
    amps: str = ""
    sign: float = 1.0


class Reach:
    """All sights of a board. `shows` (F, sights): by how many margins each fault moves each one."""

    def __init__(self, board: Board, planted: Sequence[Sequence[Fault]] = (), bleed: bool = True) -> None:
        """planted: every set of faults that will be asked for; room for the pins that they lift is made once. bleed:
        whether there is a known resistor: without one nothing is read under it, powered or not."""
        self.bleed = bleed
        self.board = board
        self.nets = list(dict.fromkeys(point.net for point in board.points.values())) or sorted(board.nets)
        self.cases = list(_worth_setting(board))
        self.loaded = [case for case in self.cases if not case.drives]
        supplied = powered(board_circuit(board), supply_nets(board)).plus(*probes(self.nets, board.ground))
        self.powered = supplied.compile()
        self.unpowered = supplied.plus(meter(board.ground)).compile()
        for model in (self.powered, self.unpowered):
            model.lift([Variant(tuple(faults)) for faults in planted])
        self.sights = list(self._sights())
        self._states = list(self._settings())

    def _sights(self) -> Iterator[Sight]:
        for case in self.cases:
            for net in self.nets:
                yield Sight(self._point(net), case.state, "dc volts")
            yield Sight(next(iter(case.supplies)), case.state, "current")
        for case, net in self._loads():
            yield Sight(self._point(net), f"{case.state}; load=10kΩ", "dc volts")
        for amps, _, net, swapped in self._tests():
            how = f"ohms{' reversed' if swapped else ''} at {1e6 * amps:g} µA"
            yield Sight(self._point(net), BenchState(load_ohms=KNOWN_OHMS).key, how)

    def _settings(self) -> Iterator[_State]:
        """In the order of the sights."""
        for case in self.cases:
            part = supply_name(next(iter(case.supplies)))
            yield _State(self.powered, dict(case.values()), {}, tuple(self.nets), part)
        for case, net in self._loads():
            yield _State(self.powered, {**case.values(), **loaded(net, KNOWN_OHMS)}, {}, (net,))
        for amps, _, net, swapped in self._tests():
            test = OhmsTest(net, amps, swapped=swapped, shunt=KNOWN_OHMS).placed()
            yield _State(self.unpowered, test.values, test.moves, (net,), sign=-1.0 if swapped else 1.0)

    def _point(self, net: str) -> str:
        points = self.board.points_on(net)
        return points[0] if points else net

    def _loads(self) -> Iterator[tuple[Case, str]]:
        """States with nothing driven, each point in turn under the resistor."""
        cases = self.loaded if self.bleed else []
        return ((case, net) for case in cases for net in self.nets if net != self._fed(case))

    def _fed(self, case: Case) -> str:
        return self.board.supplies[next(iter(case.supplies))].net

    def _tests(self) -> Iterator[tuple[float, float, str, bool]]:
        """(A, V unknown, net, leads reversed) of each unpowered test."""
        tests = TESTS if self.bleed else ()
        return ((amps, v, net, swapped) for amps, v in tests for net in self.nets for swapped in (False, True))

    # --- solving ----------------------------------------------------------------------------------------------------
    def readings(self, variants: Sequence[Variant], start: Sequence[Points] = ()) -> tuple[Array, list[Points]]:
        """Readings (B, sights) of variants, NaN where there is no answer, and the points of each circuit, state by
        state. start: what was given back for a single variant; each state then begins at its point there."""
        columns: list[Array] = []
        solved: list[Points] = []
        for model in (self.powered, self.unpowered):
            states = self._of(model)
            if not states:
                continue
            begin = start[len(solved)] if start else None
            solved.append(self._solve(model, states, variants, begin))
            columns += self._columns(states, solved[-1], len(variants))
        return np.array(columns).T, solved

    @staticmethod
    def _solve(model: Model, states: Sequence[_State], variants: Sequence[Variant], begin: Points | None) -> Points:
        """One batch: each variant in the first state, then each in the next. A specimen's values are laid out once for
        all states, under what these set."""
        full = [
            Variant(v.faults, {**state.values, **v.values} if v.values else state.values, v.seed,
                    {**state.moves, **v.moves}, under=_DRAWN)
            for state in states
            for v in variants
        ]  # fmt: skip
        if begin is None:
            return model.solve(full)
        return model.solve(full, Points.gathered([(begin, place) for place in range(len(states)) for _ in variants]))

    @staticmethod
    def _columns(states: Sequence[_State], solved: Points, count: int) -> Iterator[Array]:
        amps = {part: -solved.current(part, "P") for part in {state.amps for state in states} - {""}}
        for place, state in enumerate(states):
            members = slice(place * count, (place + 1) * count)
            for net in state.nets:
                yield state.sign * solved.net(net)[members]
            if state.amps:
                yield amps[state.amps][members]

    # --- what shows -------------------------------------------------------------------------------------------------
    @cached_property
    def _good(self) -> tuple[Array, Array, list[Points]]:
        """(nominal readings, margins, the fault-free points to begin at)."""
        nominal, points = self.readings([Variant()])
        drawn, _ = self.readings([Variant(seed=seed) for seed in range(1, DRAWS + 1)], points)
        margin = np.nanmax(np.abs(drawn - nominal), axis=0) * WIDER + self._floor(nominal[0])
        return nominal[0], margin, points

    @cached_property
    def _unstated(self) -> Array:
        """(sights,) V or A by which what no drawing states of the parts may move a good board's readings. A fault that
        moves one by less is not equivalent for that: it may show beside other readings."""
        _, _, solved = self._good
        unknown = [u for u in unknowns(board_circuit(self.board), self.board.adjacent) if not u.stated]
        out: list[float] = []
        for model, points in zip([m for m in (self.powered, self.unpowered) if self._of(m)], solved, strict=True):
            moved = Slopes(model, points).moved(unknown)
            for place, state in enumerate(self._of(model)):
                variant, at = Variant((), dict(state.values), None, state.moves), Points.gathered([(points, place)])
                for net in state.nets:
                    sides = unstated_volts(model, [variant], at, moved, net, [place])
                    out.append(float(max(sides[0][0], sides[1][0])))
                if state.amps:
                    out.append(float(unstated_amps(moved, next(iter(self.cases[place].supplies)), [place])[0]))
        return np.array(out)

    def _of(self, model: Model) -> list[_State]:
        return [state for state in self._states if state.model is model]

    def prepare(self) -> None:
        """Learn what a good board reads, so that it is known before it is asked for."""
        _ = self._unstated

    def shows(self, planted: Sequence[Sequence[Fault]]) -> Array:
        """(F, sights): how far each set of faults moves each reading, in margins; inf where nothing is solved."""
        nominal, margin, points = self._good
        moved, _ = self.readings([Variant(tuple(faults)) for faults in planted], points)
        ratio: Array = np.abs(moved - nominal) / margin
        return np.where(np.isfinite(ratio), ratio, np.inf)

    def _floor(self, nominal: Array) -> Array:
        """What meter and readback cannot tell apart, in each sight's unit (ohms tests are held in volts)."""
        floors = [AMPS_FLOOR if sight.quantity == "current" else VOLTS_FLOOR for sight in self.sights]
        tests = list(self._tests())
        for place, (amps, unknown, _, _) in enumerate(tests, len(self.sights) - len(tests)):
            volts = abs(nominal[place])
            floors[place] = TEST_SHARE * amps * KNOWN_OHMS + (unknown if volts > JUNCTION_FROM else 0.0)
        return np.array(floors)

    @cached_property
    def _set_as(self) -> list[Setting]:
        return [_setting(sight.state) for sight in self.sights]

    def cheapest(self, shows: Array, visited: frozenset[str]) -> Sight | None:
        """The added measurement that shows a fault: (sights,) of `shows`; states that are visited come first."""
        best: tuple[tuple[bool, bool, float], Sight] | None = None
        known = {_setting(state) for state in visited}
        for place in np.flatnonzero(shows > 1):
            sight, margins = self.sights[place], float(f"{shows[place]:.5g}")  # rounding must not choose among equals
            rank = (self._set_as[place] in known, margins >= 2, min(margins, 1e6))
            if best is None or rank > best[0]:
                best = (rank, replace(sight, within=self._within(int(place))))
        return best[1] if best else None

    def _within(self, place: int) -> tuple[float, float] | None:
        if self.sights[place].quantity not in ("dc volts", "current"):
            return None
        nominal, margin, _ = self._good
        wide = margin[place] + self._unstated[place]
        without = self._without(place)
        return float(np.nanmin([nominal[place], *without]) - wide), float(np.nanmax([nominal[place], *without]) + wide)

    def _without(self, place: int) -> list[float]:
        """What a good board reads in a sight of volts where it lacks one of the things that parts may lack."""
        sight, net = self.sights[place], self.board.net_of(self.sights[place].point)
        paths = [each.path for each in lacking(board_circuit(self.board))]
        if sight.quantity != "dc volts" or not paths:
            return []
        state = next(state for state, first in self._firsts if first <= place < first + len(state.nets))
        variants = [Variant((), {**state.values, path: 0.0}, None, state.moves) for path in paths]
        return [float(volts) for volts in state.model.solve(variants).net(net)]

    @cached_property
    def _firsts(self) -> list[tuple[_State, int]]:
        """Each state with the number of its first sight."""
        counts = [len(state.nets) + bool(state.amps) for state in self._states]
        return list(zip(self._states, [0, *itertools.accumulate(counts)], strict=False))

    def read_already(self, sight: Sight, good: Trial) -> int | None:
        """The first step that takes this reading as the sequence is: there a tighter limit does."""
        setting = _setting(sight.state)
        found = [
            step
            for (step, of, quantity, state), _ in good.readings.items()
            if quantity == sight.quantity and self._same(of, sight.point) and state and _setting(state) == setting
        ]
        return min(found, default=None)

    def _same(self, of: str, point: str) -> bool:
        """Whether two names are of one net."""
        if of == point:
            return True
        try:
            return self.board.net_of(of) == self.board.net_of(point)
        except LookupError:
            return False


def _setting(state: str) -> Setting:
    """What of a state's key must be set by hand: which volts, which pins, which resistor. Limits and the meter's own
    resistance are not."""
    found = BenchState.parse(state)
    volts = frozenset((name, volts) for name, (volts, _) in found.supplies.items())
    load = found.load_ohms if found.load_ohms is not None and found.load_ohms < LEAST_METER_OHMS else None
    return volts, frozenset(found.pins.items()), load


def _worth_setting(board: Board) -> Iterator[Case]:
    """One supply at a time, each switched rail by itself; lines are driven from the first supply only."""
    first = next(iter(board.supplies))
    for case in cases(board):
        if len(case.supplies) != 1 or case.corner != "nominal":
            continue
        if len(case.drives) <= 1 and (not case.line or first in case.supplies):
            yield case


def control_nets(board: Board) -> list[str]:
    """The nets on which hidden pulls are tried."""
    return list(dict.fromkeys(line.net for line in board.lines.values()))


def fault_library(board: Board) -> list[Fault]:
    """Every single fault worth planting in a board."""
    from wakeboard.instruments.virtual.circuit.faults.library import library

    return library(board_circuit(board), board.adjacent, control_nets(board))


__all__ = ["Case", "Reach", "Sight", "control_nets", "fault_library"]
