"""A simulation without transients: each change is settled by one solution of the operating point.

It answers the same questions as the circuit's `Simulation` and costs far less, for tools that run whole sequences on
hundreds of variants. What is lost: inrush, ramps behind a current limit, discharge times, and what a part does late (a
fuse that blows, a supervisor's delay). Ratings are watched all the same: voltages at once, currents and powers through
their heat filters while time passes. Nothing is computed before somebody asks: neither a state at which nobody looks
nor the warming of the parts.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import TypeVar

import numpy as np

from wakeboard.instruments.virtual.circuit import Circuit, Model, Overstress, Variant
from wakeboard.instruments.virtual.circuit.part import Value
from wakeboard.instruments.virtual.circuit.solver.path import Path, Point
from wakeboard.instruments.virtual.circuit.solver.ratings import Watch
from wakeboard.instruments.virtual.circuit.solver.structure import Layout

KEPT = 4096  # states that are remembered, the ones asked for last
CLOSE = 0.1  # V: a board that stands this near the model one in every net is on the same branch as it

NEAR_VOLTS, NEAR_HEAT = 0.95, 0.25
"""Of a voltage rating; of a current rating squared, and of a power: from there on a state is near to burning a part. A
meter's and a test resistor's loads, by which one run differs from another, take milliamperes and lift nothing."""

T = TypeVar("T")
Heard = tuple[frozenset[tuple[str, Value]], frozenset[tuple[str, str]]]
States = Mapping[Heard, Point]
"""Solved states by how the bench stands in them."""


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
        self._switches = [f"{name}.on" for name in named["bench_supply"]]

    def heard(self, values: Mapping[str, Value]) -> frozenset[tuple[str, Value]]:
        """The same for values between which the circuit cannot tell: an output that is off is so whatever it is set to.
        values: what differs from how the parts stand at first."""
        heard = dict(values)
        for switch, settings in self._idle:
            if not heard.get(switch, self.values.get(switch)):
                for setting in settings:
                    heard.pop(setting, None)
        return frozenset(heard.items())

    def is_dark(self, values: Mapping[str, Value]) -> bool:
        """Whether every output is off. values: what differs from how the parts stand at first."""
        return not any(values.get(switch, self.values.get(switch)) for switch in self._switches)

    def reached(self, values: Mapping[str, Value], moves: Mapping[str, str]) -> frozenset[tuple[str, str]]:
        """The same for moves between which the circuit cannot tell: a meter without a test current is a resistor,
        either way round. moves: what differs from how the parts stand at first."""
        at = dict(moves)
        for amps, high, low in self._leads:
            if not values.get(amps, self.values.get(amps)):
                at[high], at[low] = sorted((at.get(high) or self.moves[high], at.get(low) or self.moves[low]))
        return frozenset(at.items())


@lru_cache(maxsize=8)
def _bench(circuit: Circuit) -> Bench:
    return Bench(circuit)


@lru_cache(maxsize=8)
def _watch(model: Model, layout: Layout) -> Watch:
    """A watch to look at states with, which keeps nothing of them."""
    return Watch(model)


class Instant:
    """One variant in time, always settled."""

    settled = True

    def __init__(self, model: Model, variant: Variant, begins: States | None = None) -> None:
        """begins: states of a board much like this one, to begin a solution at (`known` of its simulation)."""
        self.model = model
        self.time = 0.0
        self._begins = begins or {}
        self._alike: Point | None = None  # that board's in the state before
        self._variant = variant
        self._path = Path(model, variant.faults, variant.seed)
        self._bench = _bench(model.circuit)
        self._values, self._moves = dict(variant.values), dict(variant.moves)  # what differs from the compiled circuit
        self._heard: frozenset[tuple[str, Value]] | None = None
        self._dark = False  # whether every output is off, in what is heard
        self._state: Point | None = None
        self._stale = self._due = True
        self.known: dict[Heard, Point] = {}  # states that were solved before: the meter comes back to a point
        self._past: list[tuple[float, Point]] = []  # since when which state held
        self.course: list[Heard] = []  # how the bench stood in each of them

    def change(self, values: Mapping[str, Value] | None = None, moves: Mapping[str, str] | None = None) -> None:
        """Set values and move pins; solved when somebody looks, or when time passes."""
        self.change_gently(values or {}, moves or {})
        self._due = self._due or self._stale

    def change_gently(self, values: Mapping[str, Value], moves: Mapping[str, str]) -> None:
        """The same where only he who looks cares: states that nobody looks at are never solved."""
        if values and _noted(self._values, self._bench.values, values):
            self._stale, self._heard = True, None
        if moves and _noted(self._moves, self._bench.moves, moves):
            self._stale = True

    def present(self) -> Variant:
        """The variant as it is set now."""
        return replace(self._variant, values=dict(self._values), moves=dict(self._moves))

    def _look(self) -> Point:
        if not self._stale and self._state is not None:
            return self._state
        if self._heard is None:
            self._heard, self._dark = self._bench.heard(self._values), self._bench.is_dark(self._values)
        key = self._heard, self._bench.reached(self._values, self._moves)
        state = self.known.pop(key, None)
        if state is None:
            state = self._path.point(self._values, self._moves, self._begin_at(key))
            if len(self.known) >= KEPT:
                del self.known[next(iter(self.known))]
        self.known[key] = self._state = state
        self._alike = self._begins.get(key)
        self._stale = self._due = False
        self._past.append((self.time, state))
        self.course.append(key)
        return state

    def _begin_at(self, key: Heard) -> Point | None:
        """Where to look for a state: at the one before, or closer by, where the board much like this one is in the same
        state. With power on a board may have more than one answer and goes on along the branch it is on: there only if
        it stood by the other board until now."""
        there, last, alike = self._begins.get(key), self._state, self._alike
        if there is None or last is None or self._dark:
            return there or last
        if alike is None or alike.layout is not last.layout:
            return last
        return there if np.abs(last.unknowns - alike.unknowns)[: last.layout.nodes].max() < CLOSE else last

    @property
    def overstress(self) -> list[Overstress]:
        """What went past a rating so far, worst value of each, in order of time."""
        return self._warmed().found if self._may_have_burned() else []

    def nears_a_rating(self, ahead: Iterable[Heard]) -> bool:
        """Whether a part went past a rating so far, or would come near one where the bench stands in these ways in
        turn. Raises SolveError. Afterwards all is as it was, but for the states that are known."""
        if self._may_have_burned():
            return True
        before = self._values, self._moves, self._state, self._alike, len(self._past)
        try:
            for heard, reached in dict.fromkeys(ahead):
                self._values, self._moves, self._heard, self._stale = dict(heard), dict(reached), None, True
                self._look()
            states = [state for _, state in self._past[before[-1] :]]
        finally:
            self._values, self._moves, self._state, self._alike, past = before
            self._heard, self._stale, self._due = None, True, True
            del self._past[past:], self.course[past:]
        return self._exceeded(states, NEAR_VOLTS, NEAR_HEAT)

    def _may_have_burned(self) -> bool:
        return self._exceeded([state for _, state in self._past])

    def _exceeded(self, states: Sequence[Point], *shares: float) -> bool:
        """See Watch.exceeded_by."""
        some = list({id(state): state for state in states}.values())
        if not some:
            return False
        layout = some[0].layout
        if any(state.layout is not layout for state in some):
            return True
        at, unknowns, currents = (np.array([getattr(s, of) for s in some]) for of in ("at", "unknowns", "currents"))
        return _watch(self.model, layout).exceeded_by(at, unknowns, currents, *shares)

    def _warmed(self) -> Watch:
        """A watch that has seen every state for as long as it held."""
        watch, last = Watch(self.model), 0.0
        for time, state in self._past:
            if time > last:
                watch.rest(last, time - last)
                last = time
            watch.place_at(state.at)
            watch.step(time, 0.0, state.unknowns, state.currents)
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


def _noted(mine: dict[str, T], first: Mapping[str, T], new: Mapping[str, T]) -> bool:
    """Keep in `mine` what differs from `first`; whether anything is new."""
    changed = False
    for key, value in new.items():
        drawn = first.get(key)
        if mine.get(key, drawn) == value:
            continue
        changed = True
        if value == drawn:
            del mine[key]
        else:
            mine[key] = value
    return changed
