"""A simulation without transients: each change is settled by one solution of the operating point.

It answers the same questions as the circuit's `Simulation` and costs far less, for tools that run whole sequences on
hundreds of variants. What is lost: inrush, ramps behind a current limit, discharge times, and what a part does late (a
fuse that blows, a supervisor's delay). Ratings are watched all the same: voltages at once, currents and powers through
their heat filters while time passes.

`solver` may be handed in: it is given a variant and the last point and returns a batch and the member's place in it, so
that many simulations can have their points solved together (see lockstep.py).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any, cast

import numpy as np

from .circuit import CircuitError, Model, Overstress, Points, Variant
from .circuit.ratings import Watch
from .circuit.structure import Structure

KEPT = 64  # states that are remembered, the ones asked for last
Solver = Callable[[Variant, "State | None"], "State"]


class State:
    """One member of a batch of operating points, taken out of it so that the batch need not be kept."""

    __slots__ = ("at", "currents", "layout", "plan", "unknowns", "variant")

    def __init__(self, points: Points, member: int) -> None:
        self.layout = points.layout
        self.variant, self.plan = points.variants[member], points.plans[member]
        self.at = self.layout.home.copy()
        for terminal, node in self.plan.moves:
            self.at[terminal] = node
        self.unknowns, self.currents = points._x[:, member].copy(), points._currents[:, member].copy()

    def volts(self, net: str) -> float:
        node = self.layout.node.get(net)
        if node is None:
            raise CircuitError(f"no net {net!r}")
        return float(self.unknowns[node])

    def current(self, part: str, pin: str) -> float:
        layout = self.layout
        plus, minus = _rows(layout, layout.terminal(part, pin))
        total = self.currents[plus].sum() - self.currents[minus].sum()
        place = (part, pin)
        for a, b, siemens in self.plan.extras:
            if place in (a, b):
                here, there = (a, b) if a == place else (b, a)
                total += siemens * (self._at(here) - self._at(there))
        return float(total)

    def _at(self, place: Any) -> float:
        layout = self.layout
        node = self.at[layout.terminal(*place)] if isinstance(place, tuple) else layout.node[place]
        return float(self.unknowns[node])


@lru_cache(maxsize=1024)
def _rows(layout: Any, terminal: int) -> tuple[Any, Any]:
    """The element currents into and out of a terminal."""
    return np.flatnonzero(layout.current_plus == terminal), np.flatnonzero(layout.current_minus == terminal)


def gathered(states: Sequence[State]) -> Points:
    """Members of several batches of one model as one batch, to begin a solution from."""
    layout = states[0].layout
    whole = Points(layout, [state.variant for state in states], [state.plan for state in states])
    for column, state in enumerate(states):
        whole._x[:, column] = state.unknowns if state.layout is layout else 0.0
    return whole


def alone(model: Model) -> Solver:
    """A solver that solves each variant by itself, beginning at its last point."""

    def solve(variant: Variant, last: State | None) -> State:
        start = None if last is None else gathered([last])
        return State(model.solve([variant], start).require(), 0)

    return solve


class Instant:
    """One variant in time, always settled."""

    settled = True

    def __init__(self, model: Model, variant: Variant, solver: Solver | None = None) -> None:
        self.model = model
        self.variant = variant
        self.time = self._rested = 0.0
        self._solver = solver or alone(model)
        self._state: State | None = None
        self._stale = self._due = True
        self._known: dict[Any, State] = {}  # states that were solved before: the meter comes back to a point
        self._watch = Watch(model)

    def change(self, values: Mapping[str, Any] | None = None, moves: Mapping[str, str] | None = None) -> None:
        """Set values and move pins; solved when somebody looks, or when time passes."""
        self.change_gently(values or {}, moves or {})
        self._due = self._due or self._stale

    def change_gently(self, values: Mapping[str, Any], moves: Mapping[str, str]) -> None:
        """The same where only he who looks cares: states that nobody looks at are never solved."""
        old_values, old_moves = self.variant.values, self.variant.moves
        if all(old_values.get(key) == value for key, value in values.items()) and all(
            old_moves.get(key) == net for key, net in moves.items()
        ):
            return
        self.variant = replace(self.variant, values={**old_values, **values}, moves={**old_moves, **moves})
        self._stale = True

    def _look(self) -> State:
        if self._stale or self._state is None:
            key = (frozenset(self.variant.values.items()), frozenset(self.variant.moves.items()))
            state = self._known.pop(key, None)
            if state is None:
                state = self._solver(self.variant, self._state)
                if len(self._known) >= KEPT:
                    del self._known[next(iter(self._known))]
            self._known[key] = self._state = state
            self._stale = self._due = False
            self._measure(state)
        return self._state

    def _rest(self) -> None:
        """Let the parts warm up by the time that has passed in the present state."""
        if self._rested < self.time:
            self._watch.rest(self._rested, self.time - self._rested)
            self._rested = self.time

    def _measure(self, state: State) -> None:
        self._rest()
        self._watch.place(cast(Structure, state))  # it looks at nothing but where the terminals are
        self._watch.step(self.time, 0.0, state.unknowns, state.currents)

    @property
    def overstress(self) -> list[Overstress]:
        """What went past a rating so far, worst value of each, in order of time."""
        self._rest()
        return self._watch.found

    def volts(self, net: str) -> float:
        return self._look().volts(net)

    def current(self, part: str, pin: str) -> float:
        return self._look().current(part, pin)

    def advance(self, seconds: float) -> None:
        """Let time pass: parts warm up, nothing else moves."""
        if self._due or self._state is None:
            self._look()
        self.time += seconds

    def settle(self, limit_s: float) -> bool:
        self._look()
        return True
