"""A simulation without transients: each change is settled by one solution of the operating point.

It answers the same questions as the circuit's `Simulation` and costs far less, for tools that run whole sequences on
hundreds of variants. What is lost: inrush, ramps behind a current limit, discharge times, and what a part does late (a
fuse that blows, a supervisor's delay). Ratings are watched all the same: voltages at once, currents and powers through
their heat filters while time passes. Nothing is computed before somebody asks: neither a state at which nobody looks
nor the warming of the parts.

`solver` may be handed in: it is given a variant and the last state and returns the next one, so that many simulations
can have their points solved together (see lockstep.py).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from typing import Any

import numpy as np

from .circuit import Circuit, CircuitError, Model, Overstress, Points, Variant
from .circuit.ratings import Watch

KEPT = 512  # states that are remembered, the ones asked for last
Solver = Callable[[Variant, "State | None"], "State"]


class State:
    """One operating point: a member of a batch, which is kept as long as any of its members is."""

    __slots__ = ("_amps", "_parts", "member", "points")

    def __init__(self, points: Points, member: int) -> None:
        self.points = points
        self.member = member
        self._parts: tuple[Any, Any, Any] | None = None
        self._amps: dict[tuple[str, str], float] = {}

    @property
    def parts(self) -> tuple[Any, Any, Any]:
        """The node of each terminal, the unknowns (n,), the element currents (C,)."""
        if self._parts is None:
            self._parts = self.points.state(self.member)
        return self._parts

    def volts(self, net: str) -> float:
        node = self.points.layout.node.get(net)
        if node is None:
            raise CircuitError(f"no net {net!r}")
        return float(self.parts[1][node])

    def current(self, part: str, pin: str) -> float:
        place = (part, pin)
        found = self._amps.get(place)
        if found is None:
            found = self._amps[place] = self._current(place)
        return found

    def _current(self, place: tuple[str, str]) -> float:
        layout, currents = self.points.layout, self.parts[2]
        plus, minus = _rows(layout, layout.terminal(*place))
        total = currents[plus].sum() - currents[minus].sum()
        for a, b, siemens in self.points.plans[self.member].extras:
            if place in (a, b):
                here, there = (a, b) if a == place else (b, a)
                total += siemens * (self._at(here) - self._at(there))
        return float(total)

    def _at(self, place: Any) -> float:
        layout, (at, unknowns, _) = self.points.layout, self.parts
        return float(unknowns[at[layout.terminal(*place)] if isinstance(place, tuple) else layout.node[place]])

    def begin(self) -> Points:
        """Itself as a batch of one, to begin a solution from."""
        return self.points if len(self.points) == 1 else gathered([self])


@lru_cache(maxsize=1024)
def _rows(layout: Any, terminal: int) -> tuple[Any, Any]:
    """The element currents into and out of a terminal."""
    return np.flatnonzero(layout.current_plus == terminal), np.flatnonzero(layout.current_minus == terminal)


def gathered(states: Sequence[State]) -> Points:
    """Members of several batches of one model as one batch, to begin a solution from."""
    return Points.gathered([(state.points, state.member) for state in states])


def alone(model: Model) -> Solver:
    """A solver that solves each variant by itself, beginning at its last point."""

    def solve(variant: Variant, last: State | None) -> State:
        return State(model.solve([variant], None if last is None else last.begin()).require(), 0)

    return solve


class Bench:
    """The bench's parts of a circuit: how they stand at first, and which of their settings play no part in a state."""

    def __init__(self, circuit: Circuit) -> None:
        parts = [part for part in circuit.parts if part.kind in ("bench_supply", "meter", "bleed")]
        self.values = {f"{part.name}.{name}": value for part in parts for name, value in part.values.items()}
        self.moves = {f"{part.name}.{pin}": net for part in parts for pin, net in part.pins.items()}
        named = {kind: [part.name for part in parts if part.kind == kind] for kind in ("bench_supply", "meter")}
        self._idle = [
            *((f"{name}.on", (f"{name}.volts", f"{name}.limit")) for name in named["bench_supply"]),
            *((f"{name}.test_amps", (f"{name}.compliance_volts",)) for name in named["meter"]),
        ]
        self._leads = [(f"{name}.test_amps", f"{name}.HI", f"{name}.LO") for name in named["meter"]]

    def key(self, values: Mapping[str, Any], moves: Mapping[str, str]) -> Any:
        """The same for settings between which the circuit cannot tell: an output that is off is so whatever it is set
        to, and a meter without a test current is a resistor, either way round. values, moves: what differs from how
        the parts stand at first."""
        heard = dict(values)
        for switch, settings in self._idle:
            if not heard.get(switch, self.values.get(switch)):
                for setting in settings:
                    heard.pop(setting, None)
        at = dict(moves)
        for amps, high, low in self._leads:
            if not heard.get(amps, self.values.get(amps)):
                ends = sorted((at.get(high) or self.moves[high], at.get(low) or self.moves[low]))
                at[high], at[low] = ends
        return frozenset(heard.items()), frozenset(at.items())


@lru_cache(maxsize=8)
def _bench(circuit: Circuit) -> Bench:
    return Bench(circuit)


@lru_cache(maxsize=8)
def _watch(model: Model, layout: Any) -> Watch:
    """A watch to look at states with, which keeps nothing of them."""
    return Watch(model)


class Instant:
    """One variant in time, always settled."""

    settled = True

    def __init__(self, model: Model, variant: Variant, solver: Solver | None = None) -> None:
        self.model = model
        self.time = 0.0
        self._faults, self._seed = variant.faults, variant.seed
        self._solver = solver or alone(model)
        self._bench = _bench(model.circuit)
        self._values, self._moves = dict(variant.values), dict(variant.moves)  # what differs from the compiled circuit
        self._state: State | None = None
        self._stale = self._due = True
        self._known: dict[Any, State] = {}  # states that were solved before: the meter comes back to a point
        self._past: list[tuple[float, State]] = []  # since when which state held

    @property
    def variant(self) -> Variant:
        """The variant as it stands now."""
        return Variant(self._faults, dict(self._values), self._seed, dict(self._moves))

    def change(self, values: Mapping[str, Any] | None = None, moves: Mapping[str, str] | None = None) -> None:
        """Set values and move pins; solved when somebody looks, or when time passes."""
        self.change_gently(values or {}, moves or {})
        self._due = self._due or self._stale

    def change_gently(self, values: Mapping[str, Any], moves: Mapping[str, str]) -> None:
        """The same where only he who looks cares: states that nobody looks at are never solved."""
        if values:
            self._note(self._values, self._bench.values, values)
        if moves:
            self._note(self._moves, self._bench.moves, moves)

    def _note(self, mine: dict[str, Any], first: Mapping[str, Any], new: Mapping[str, Any]) -> None:
        for key, value in new.items():
            drawn = first.get(key)
            if mine.get(key, drawn) == value:
                continue
            self._stale = True
            if value == drawn:
                del mine[key]
            else:
                mine[key] = value

    def _look(self) -> State:
        if not self._stale and self._state is not None:
            return self._state
        key = self._bench.key(self._values, self._moves)
        state = self._known.pop(key, None)
        if state is None:
            state = self._solver(self.variant, self._state)
            if len(self._known) >= KEPT:
                del self._known[next(iter(self._known))]
        self._known[key] = self._state = state
        self._stale = self._due = False
        self._past.append((self.time, state))
        return state

    @property
    def overstress(self) -> list[Overstress]:
        """What went past a rating so far, worst value of each, in order of time."""
        return self._warmed().found if self._may_have_burned() else []

    def _may_have_burned(self) -> bool:
        states = list({id(state): state for _, state in self._past}.values())
        if not states:
            return False
        layout = states[0].points.layout
        if any(state.points.layout is not layout for state in states):
            return True
        at, unknowns, currents = (np.array(each) for each in zip(*(state.parts for state in states), strict=True))
        return _watch(self.model, layout).exceeded_by(at, unknowns, currents)

    def _warmed(self) -> Watch:
        """A watch that has seen every state for as long as it held."""
        watch, last = Watch(self.model), 0.0
        for time, state in self._past:
            if time > last:
                watch.rest(last, time - last)
                last = time
            at, unknowns, currents = state.parts
            watch.place_at(at)
            watch.step(time, 0.0, unknowns, currents)
        if self.time > last:
            watch.rest(last, self.time - last)
        return watch

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
