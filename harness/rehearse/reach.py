"""What a bench could see of a fault at all: every point in every state that can be set.

A fault is equivalent when it moves no reachable reading by more than what tolerances and the meter already do. For a
fault that a sequence misses, the reading that it moves most tells the cheapest measurement to add.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from harness.describe.circuit import METER, board_circuit, supply_part, supply_part_name
from harness.describe.state import BenchState
from harness.review.cases import Case, cases
from instruments.virtual.circuit.model import Model, Variant
from instruments.virtual.circuit.part import Part

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from harness.describe.board import Board
    from instruments.virtual.circuit.fault import Fault
    from instruments.virtual.circuit.points import Points

    Array = NDArray[np.float64]

DRAWS: Final = 24
"""Specimens drawn within tolerance to learn what a good board's readings may be."""
WIDER: Final = 1.5
"""By how much their spread is widened: 24 draws see less than all boards do."""
VOLTS_FLOOR: Final = 5e-3
AMPS_FLOOR: Final = 1e-3
"""What a meter and a supply's readback cannot tell apart, V and A: common practice, no source."""
OHMS_SHARE: Final = 0.05
POWER_TEST: Final = (1e-4, 10.0)
LINE_TEST: Final = (5e-6, 10.0)
"""The unpowered resistance test, A and at most V: a meter's 10 kΩ range on supplies and rails, its 1 MΩ range on lines,
where 100 kΩ must stay below what opens a clamp diode (34401A class: 100 µA and 5 µA, from memory)."""


@dataclass(frozen=True)
class Sight:
    """One reading that could be taken: at a point (or a supply, for its current), in a state."""

    point: str
    state: str
    quantity: str


class Reach:
    """All sights of a board. `shows` (F, sights): by how many margins each fault moves each one."""

    def __init__(self, board: Board) -> None:
        self.board = board
        self.nets = list(dict.fromkeys(point.net for point in board.points.values())) or sorted(board.nets)
        self.cases = list(_worth_setting(board))
        self.tests = self.nets
        self.power = {each.net for tables in (board.supplies, board.rails) for each in tables.values()}
        circuit = board_circuit(board).plus(*(supply_part(board, name) for name in board.supplies))
        self.powered = circuit.compile()
        probe = Part(METER, "meter", {"HI": board.ground, "LO": board.ground}, {"ohms": 10e6})
        self.unpowered = board_circuit(board).plus(probe).compile()
        self.sights = list(self._sights())

    def _sights(self) -> Iterator[Sight]:
        for case in self.cases:
            for net in self.nets:
                yield Sight(self._point(net), case.state, "dc volts")
            yield Sight(next(iter(case.supplies)), case.state, "current")
        for net in self.tests:
            for polarity in ("", ", leads swapped"):
                yield Sight(self._point(net), BenchState().key + polarity, "ohms")

    def _point(self, net: str) -> str:
        points = self.board.points_on(net)
        return points[0] if points else net

    # --- solving ----------------------------------------------------------------------------------------------------
    def readings(self, variants: Sequence[Variant], start: list[Points] | None = None) -> tuple[Array, list[Points]]:
        """Readings (B, sights) of variants, NaN where there is no answer, and the points to start the next from."""
        columns: list[Array] = []
        kept: list[Points] = []
        for k, case in enumerate(self.cases):
            solved = self._solve(self.powered, variants, dict(case.values()), {}, start[k] if start else None)
            kept.append(solved)
            columns += [solved.net(net) for net in self.nets]
            columns.append(-solved.current(supply_part_name(next(iter(case.supplies))), "P"))
        for k, (net, swapped) in enumerate(self._tests(), len(self.cases)):
            ends = {f"{METER}.LO": net} if swapped else {f"{METER}.HI": net}
            amps, compliance = POWER_TEST if net in self.power else LINE_TEST
            test = {f"{METER}.test_amps": amps, f"{METER}.compliance_volts": compliance}
            solved = self._solve(self.unpowered, variants, test, ends, start[k] if start else None)
            kept.append(solved)
            volts = solved.net(net)
            columns.append((-volts if swapped else volts) / amps)
        return np.array(columns).T, kept

    def _tests(self) -> Iterator[tuple[str, bool]]:
        return ((net, swapped) for net in self.tests for swapped in (False, True))

    @staticmethod
    def _solve(
        model: Model, variants: Sequence[Variant], values: dict[str, object], moves: dict[str, str], start: Points | None
    ) -> Points:
        full = [
            Variant(v.faults, {**values, **v.values}, v.seed, {**moves, **v.moves})  # type: ignore[dict-item]
            for v in variants
        ]
        return model.solve(full, start)

    # --- what shows -------------------------------------------------------------------------------------------------
    def shows(self, planted: Sequence[Sequence[Fault]]) -> Array:
        """(F, sights): how far each set of faults moves each reading, in margins; inf where nothing is solved."""
        nominal, points = self.readings([Variant()])
        drawn, _ = self.readings([Variant(seed=seed) for seed in range(1, DRAWS + 1)], points)
        margin = np.nanmax(np.abs(drawn - nominal), axis=0) * WIDER + self._floor(nominal[0])
        moved, _ = self.readings([Variant(tuple(faults)) for faults in planted], points)
        ratio: Array = np.abs(moved - nominal) / margin
        return np.where(np.isfinite(ratio), ratio, np.inf)

    def _floor(self, nominal: Array) -> Array:
        floors = {"dc volts": VOLTS_FLOOR, "current": AMPS_FLOOR}
        return np.array(
            [
                floors.get(sight.quantity, OHMS_SHARE * abs(value) + 1.0)
                for sight, value in zip(self.sights, nominal, strict=True)
            ]
        )

    def cheapest(self, shows: Array, visited: frozenset[str]) -> Sight | None:
        """The added measurement that shows a fault: (sights,) of `shows`; states that the sequence visits come first."""
        best: tuple[tuple[bool, bool, float], Sight] | None = None
        for sight, margins in zip(self.sights, shows, strict=True):
            if margins <= 1:
                continue
            rank = (sight.state in visited, bool(margins >= 2), float(min(margins, 1e6)))
            if best is None or rank > best[0]:
                best = (rank, sight)
        return best[1] if best else None


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
    from instruments.virtual.circuit.library import library

    return library(board_circuit(board), board.adjacent, control_nets(board))


__all__ = ["Case", "Reach", "Sight", "control_nets", "fault_library"]
