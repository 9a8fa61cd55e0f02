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
        self.prepare(state, [net])
        return self._known[state.key, net]

    def prepare(self, state: BenchState, nets: Sequence[str]) -> None:
        """Compute what is not known yet, several nets of a state together: it takes a moment, so that a runner has it
        done before it energises anything."""
        new = [net for net in dict.fromkeys(nets) if (state.key, net) not in self._known]
        if not new:
            return
        found = self._compute(state, new) if self.board.parts else None
        for place, net in enumerate(new):
            self._known[state.key, net] = found[place] if found else None

    def _compute(self, state: BenchState, nets: list[str]) -> list[Limits] | None:
        from instruments.virtual.circuit import CircuitError, SolveError, Variant, parse_fault

        values: dict[str, float | str | bool] = {}
        for name, (volts, limit) in state.supplies.items():
            values.update({f"bench_{name}.volts": volts, f"bench_{name}.limit": limit, f"bench_{name}.on": True})
        values.update({f"{pin}.drive": level for pin, level in state.pins.items()})
        try:
            variant = Variant(faults=tuple(parse_fault(text) for text in self.rework), values=values)
            spread = self._compiled().spread(variant, nets, n=DRAWS, seed=SEED)
        except (CircuitError, SolveError):
            return None
        return [
            Limits(float(spread.low[place]) - FLOOR_VOLTS, float(spread.high[place]) + FLOOR_VOLTS, "circuit")
            for place in range(len(nets))
        ]

    def _compiled(self) -> Any:
        if self._model is None:
            from harness.describe.circuit import with_supplies

            self._model = with_supplies(self.board).compile()
        return self._model
