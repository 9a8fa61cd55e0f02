"""A simulation without transients: each change is settled by one solution of the operating point.

It answers the same questions as the circuit's `Simulation` and costs far less, for tools that run whole sequences on
hundreds of variants. What is lost: inrush, ramps behind a current limit, discharge times, and what a part does late (a
fuse that blows, a supervisor's delay). Ratings are watched all the same: voltages at once, currents and powers through
their heat filters while time passes.

`solver` may be handed in: it is given a variant and the last point and returns a batch and the member's place in it, so
that many simulations can have their points solved together (see lockstep.py).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from .circuit import Model, Overstress, Points, Variant
from .circuit.ratings import Watch

Solver = Callable[[Variant, "State | None"], "State"]


class State:
    """One member of a batch of operating points."""

    __slots__ = ("member", "points")

    def __init__(self, points: Points, member: int) -> None:
        self.points = points
        self.member = member


def alone(model: Model) -> Solver:
    """A solver that solves each variant by itself, beginning at its last point."""

    def solve(variant: Variant, last: State | None) -> State:
        start = None if last is None else Points.gathered([(last.points, last.member)])
        return State(model.solve([variant], start).require(), 0)

    return solve


class Instant:
    """One variant in time, always settled."""

    settled = True

    def __init__(self, model: Model, variant: Variant, solver: Solver | None = None) -> None:
        self.model = model
        self.variant = variant
        self.time = 0.0
        self._solver = solver or alone(model)
        self._state: State | None = None
        self._stale = True
        self._watch = Watch(model)

    def change(self, values: Mapping[str, Any] | None = None, moves: Mapping[str, str] | None = None) -> None:
        """Set values and move pins; solved when somebody looks, or when time passes."""
        self.variant = replace(
            self.variant,
            values={**self.variant.values, **(values or {})},
            moves={**self.variant.moves, **(moves or {})},
        )
        self._stale = True

    def _look(self) -> State:
        if self._stale or self._state is None:
            self._state = self._solver(self.variant, self._state)
            self._stale = False
            self._measure(self._state)
        return self._state

    def _measure(self, state: State) -> None:
        structure, unknowns, currents = state.points.state(state.member)
        self._watch.place(structure)
        self._watch.step(self.time, 0.0, unknowns, currents)

    @property
    def overstress(self) -> list[Overstress]:
        """What went past a rating so far, worst value of each, in order of time."""
        return self._watch.found

    def volts(self, net: str) -> float:
        state = self._look()
        return float(state.points.net(net)[state.member])

    def current(self, part: str, pin: str) -> float:
        state = self._look()
        return float(state.points.current(part, pin)[state.member])

    def advance(self, seconds: float) -> None:
        """Let time pass: parts warm up, nothing else moves."""
        self._look()
        self._watch.rest(self.time, seconds)
        self.time += seconds

    def settle(self, limit_s: float) -> bool:
        self._look()
        return True
