"""What a net should read as the board is drawn, by the circuit's tolerance analysis: the last source of limits.

    predictor = Predictor(board)
    predictor.volts(state, "VIN")      Limits(4.61, 4.78, "circuit"), None where the circuit has no answer

Answers are kept by bench state, so that many runs of one board share them. The rework in force of a unit is part of its
circuit; planted faults are not: the prediction is of what should be.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from harness.run.decide import Limits

if TYPE_CHECKING:
    from harness.describe.board import Board
    from harness.describe.state import BenchState

DRAWS = 200  # of the Monte Carlo that stands beside the worst case by sensitivities
SEED = 1
FLOOR_VOLTS = 15e-3  # what no part's tolerance covers: the supply's programming (10 mV is usual), leads and contacts


class Predictor:
    """Limits by the circuit, kept by bench state and net."""

    def __init__(self, board: Board, rework: Sequence[str] = ()) -> None:
        self.board = board
        self.rework = tuple(rework)
        self._model: Any = None
        self._known: dict[tuple[str, str], Limits | None] = {}

    def volts(self, state: BenchState, net: str) -> Limits | None:
        """The lowest and highest volts of a net over the parts' tolerances."""
        key = (state.key, net)
        if key not in self._known:
            self._known[key] = self._compute(state, net) if self.board.parts else None
        return self._known[key]

    def _compute(self, state: BenchState, net: str) -> Limits | None:
        from instruments.virtual.circuit import CircuitError, SolveError, Variant, parse_fault

        values: dict[str, float | str | bool] = {}
        for name, (volts, limit) in state.supplies.items():
            values.update({f"bench_{name}.volts": volts, f"bench_{name}.limit": limit, f"bench_{name}.on": True})
        values.update({f"{pin}.drive": level for pin, level in state.pins.items()})
        try:
            variant = Variant(faults=tuple(parse_fault(text) for text in self.rework), values=values)
            spread = self._compiled().spread(variant, [net], n=DRAWS, seed=SEED)
            return _limits(spread)
        except (CircuitError, SolveError):
            return None

    def _compiled(self) -> Any:
        if self._model is None:
            from harness.describe.circuit import with_supplies

            self._model = with_supplies(self.board).compile()
        return self._model


def _limits(spread: Any) -> Limits:
    low, high = float(spread.low[0]), float(spread.high[0])
    return Limits(low - FLOOR_VOLTS, high + FLOOR_VOLTS, "circuit")
