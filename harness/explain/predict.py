"""What a board with given faults would have read: each observation in its own bench state, many boards at once.

A scene is one bench state: which supplies are on at what setting, which pins are driven, what loads the probed net. It
is one operating point of the circuit; several observations may share it. With H boards and S scenes, H·S variants go to
the batched solver together. A bench supply stands across each supply of the board, a switched resistor ("probe") on
each probed net for the voltmeter's input, and one ohmmeter is moved to where it is needed.

Where many boards are screened, all probes of one bench state are connected at once: a 10 MΩ meter elsewhere moves a net
by less than what is decided on in a screening. What is reported afterwards is solved scene by scene (`exact`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Final

import numpy as np

from harness.describe.circuit import METER, supply_part_name
from harness.describe.state import BenchState
from harness.explain.observe import CURRENT, OHMS, VOLTS, Observation
from harness.explain.uncertainty import Array
from instruments.virtual.circuit import Circuit, Fault, Part, Points, Variant

_KEEP: Final = 400
"""Batches up to this size are kept to begin later ones from."""

VOLTMETER_OHMS = 10e6
SUPPLY_FARADS: Final = 22e-6
"""Output capacitor of a bench supply: it stays on the net when the output is off (common practice, 10 to 500 µF)."""
PUSH_AMPS = 1e-6
STRAY_AMPS: Final = 5e-9
"""Leakage that no part states: flux, moisture, a meter's bias current (estimate, no source)."""
HELD_VOLTS: Final = 0.3
"""What a net that nothing discharges may still hold (one standard deviation; estimate, no source)."""
REST_S: Final = 0.5
"""Seconds that a net had to discharge before it was read (estimate)."""


@dataclass(frozen=True)
class Change:
    """A board that differs from the drawn one: faults, and values of parts ("PART.value")."""

    faults: tuple[Fault, ...] = ()
    values: Mapping[str, Any] = field(default_factory=dict)
    setting_errors: Mapping[str, float] = field(default_factory=dict)  # relative, of what the bench sets
    factors: Mapping[str, float] = field(default_factory=dict)  # path -> what a value set already is multiplied by
    seed: int | None = None  # a specimen: every part drawn within its tolerance

    def plus(self, other: Change) -> Change:
        values = {**self.values, **other.values}
        for path, factor in other.factors.items():
            if path in self.values:
                values[path] = self.values[path] * factor
        return Change(
            (*self.faults, *other.faults),
            values,
            {**self.setting_errors, **other.setting_errors},
            self.factors,
            self.seed if other.seed is None else other.seed,
        )

    @cached_property
    def key(self) -> tuple[Any, ...]:
        """What tells it from other changes."""
        values = tuple(sorted((k, str(v)) for k, v in self.values.items()))
        return (tuple(map(str, self.faults)), values, tuple(sorted(self.setting_errors.items())), self.seed)


@dataclass(frozen=True)
class Scene:
    """One operating point: what the bench sets, and where the ohmmeter's leads are."""

    values: Mapping[str, Any]
    moves: Mapping[str, str] = field(default_factory=dict)

    @cached_property
    def key(self) -> tuple[Any, ...]:
        return (tuple(sorted(self.values.items())), tuple(sorted(self.moves.items())))

    @cached_property
    def supplies(self) -> tuple[Any, ...]:
        """The part of the key that says what is powered."""
        return tuple(sorted((k, v) for k, v in self.values.items() if k.startswith("bench_")))

    def variant(self, change: Change, fixed: Change) -> Variant:
        """The board with this change and the rework, in this scene."""
        both = fixed.plus(change)
        values = {**both.values, **self.values}
        for path, share in both.setting_errors.items():
            if path in values:
                values[path] = values[path] * (1 + share)
        return Variant(both.faults, values, both.seed, self.moves)


_DRAWN = Change().key


def probe_name(net: str) -> str:
    return f"probe_{net}"


class Predictor:
    """Predicts the observations of one unit. `fixed`: the rework in force; it changes the circuit first."""

    def __init__(
        self,
        circuit: Circuit,
        supplies: Mapping[str, str],
        observations: Sequence[Observation],
        fixed: Change | None = None,
        may_move: Iterable[Fault] = (),
    ) -> None:
        self.observations = list(observations)
        self.fixed = fixed or Change()
        self.supplies = dict(supplies)
        self.ground = circuit.ground
        self.circuit = circuit
        self.model = self._with_bench(circuit).compile()
        self._kept: dict[tuple[Any, ...], _Stand] = {}
        self._make_room(may_move)
        self._exact = [self._scene(o, shared=False) for o in self.observations]
        self._shared = [self._scene(o, shared=True) for o in self.observations]

    def _make_room(self, faults: Iterable[Fault]) -> None:
        """Let the circuit lay out a place for every pin that may be lifted, once, before anything is solved."""
        for fault in faults:
            if fault.on_pin and fault.kind == "open":
                self.model.plan(Variant((fault,)))

    # --- the bench ------------------------------------------------------------------------------------------------
    def _with_bench(self, circuit: Circuit) -> Circuit:
        self.nets = sorted({o.of for o in self.observations if o.quantity != CURRENT})
        parts = [
            Part(supply_part_name(name), "bench_supply", {"P": net, "N": self.ground}, {"volts": 0.0, "on": False})
            for name, net in self.supplies.items()
        ]
        for net in self.nets:
            if net == self.ground or net not in circuit.nets:
                continue
            ends = {"1": net, "2": self.ground}
            parts.append(Part(probe_name(net), "bleed", ends, {"value": VOLTMETER_OHMS, "on": False}))
        meter = Part(METER, "meter", {"HI": self.ground, "LO": self.ground}, {"ohms": 1e9})
        return circuit.plus(*parts, meter)

    def bench_values(self, state: BenchState) -> dict[str, Any]:
        """Settings of supplies and driven pins in a bench state."""
        values: dict[str, Any] = {}
        for name in self.supplies:
            volts, limit = state.supplies.get(name, (0.0, 0.0))
            part = supply_part_name(name)
            on = name in state.supplies
            values[f"{part}.on"] = on
            if on:
                values[f"{part}.volts"], values[f"{part}.limit"] = volts, limit
        for pin, level in state.pins.items():
            values[f"{pin}.drive"] = level
        return values

    def _scene(self, o: Observation, shared: bool) -> Scene:
        values = self.bench_values(o.state)
        if o.quantity == OHMS:
            return self._ohms_scene(o, values)
        if o.quantity == CURRENT:
            return Scene(values)
        if o.state.to is not None:
            return self._pulled_scene(o, values)
        ohms = o.state.load_ohms or VOLTMETER_OHMS
        if shared and ohms >= 1e6:
            for net in self._read_in[replace_load(o.state)]:
                values[f"{probe_name(net)}.on"] = True
        elif o.of != self.ground:
            values[f"{probe_name(o.of)}.on"] = True
            values[f"{probe_name(o.of)}.value"] = ohms
        return Scene(values)

    @cached_property
    def _read_in(self) -> dict[str, list[str]]:
        """Bench state without its load -> nets whose volts are read in it."""
        found: dict[str, dict[str, None]] = {}
        for o in self.observations:
            if o.quantity == VOLTS and o.of != self.ground:
                found.setdefault(replace_load(o.state), {})[o.of] = None
        return {key: list(nets) for key, nets in found.items()}

    def _ohms_scene(self, o: Observation, values: dict[str, Any]) -> Scene:
        values[f"{METER}.test_amps"] = o.test_amps
        values[f"{METER}.compliance_volts"] = o.open_volts
        if o.shunt is not None:
            values[f"{probe_name(o.of)}.on"] = True
            values[f"{probe_name(o.of)}.value"] = o.shunt
        lead = "LO" if o.turned else "HI"
        return Scene(values, {f"{METER}.{lead}": o.of})

    def _pulled_scene(self, o: Observation, values: dict[str, Any]) -> Scene:
        """A test resistor to another net than ground, with the voltmeter beside it."""
        assert o.state.to is not None
        values[f"{METER}.ohms"] = o.state.load_ohms or VOLTMETER_OHMS
        values[f"{probe_name(o.of)}.on"] = True
        return Scene(values, {f"{METER}.HI": o.of, f"{METER}.LO": o.state.to})

    # --- solving --------------------------------------------------------------------------------------------------
    def scenes(self) -> list[int]:
        """For each observation the number of its (shared) scene: what is read at one operating point."""
        numbers: dict[tuple[Any, ...], int] = {}
        return [numbers.setdefault(scene.key, len(numbers)) for scene in self._shared]

    def predict(
        self,
        changes: Sequence[Change],
        *,
        exact: bool = False,
        only: Sequence[int] | None = None,
        near: Sequence[Change] | None = None,
    ) -> Array:
        """(H, n) what each observation would be (as `as_seen` counts it); NaN where the circuit has no answer.

        only: these observations, in this order. near: for each change one that was solved before and lies close, to
        begin from; the drawn board otherwise.
        """
        wanted = range(len(self.observations)) if only is None else only
        all_scenes = self._exact if exact else self._shared
        scenes = [all_scenes[k] for k in wanted]
        unique = list({scene.key: scene for scene in scenes}.values())
        points = self.solve(unique, changes, near or [Change()] * len(changes))
        first = {scene.key: k * len(changes) for k, scene in enumerate(unique)}
        out = np.empty((len(changes), len(scenes)))
        cache: dict[tuple[str, str], Array] = {}
        for column, (k, scene) in enumerate(zip(wanted, scenes, strict=True)):
            at = first[scene.key]
            members = slice(at, at + len(changes))
            out[:, column] = self._read(points, self.observations[k], scene, members, cache)
        return out

    # --- what is not at rest --------------------------------------------------------------------------------------
    def slack(self, changes: Sequence[Change]) -> Array:
        """(H, n) standard deviation of each observation from charge that a net still holds and from stray leakage.

        A net that nothing drives is found by pushing 1 µA into it: its resistance times the leakage, and what is left
        of an earlier voltage after `REST_S` with the capacitors on it. Zero for ohms and currents: they have their own.
        """
        held = [k for k, o in enumerate(self.observations) if o.quantity == VOLTS and o.state.to is None]
        out = np.zeros((len(changes), len(self.observations)))
        if not held:
            return out
        before = self.predict(changes, exact=True, only=held, near=changes)
        scenes = [self._pushed(self._exact[k], self.observations[k].of) for k in held]
        points = self.solve(scenes, changes, changes)
        count = len(changes)
        for column, k in enumerate(held):
            net = self.observations[k].of
            rise = points.net(net)[column * count : (column + 1) * count] - before[:, column]
            ohms = np.nan_to_num(np.abs(rise), nan=1.0) / PUSH_AMPS
            tau = np.maximum(ohms * self.farads.get(net, 0.0), 1e-9)
            out[:, k] = np.hypot(ohms * STRAY_AMPS, HELD_VOLTS * np.exp(-REST_S / tau))
        return out

    @cached_property
    def farads(self) -> dict[str, float]:
        """Capacitance on each net, a bench supply's own included."""
        total = dict.fromkeys(self.supplies.values(), SUPPLY_FARADS)
        for part in self.circuit.parts:
            if part.kind == "capacitor":
                for net in part.pins.values():
                    total[net] = total.get(net, 0.0) + float(part.values["value"])
        return total

    @staticmethod
    def _pushed(scene: Scene, net: str) -> Scene:
        values = {**scene.values, f"{METER}.test_amps": PUSH_AMPS, f"{METER}.compliance_volts": 100.0}
        return Scene({**values, f"{METER}.ohms": 1e12}, {f"{METER}.HI": net})

    def solve(self, scenes: Sequence[Scene], changes: Sequence[Change], near: Sequence[Change]) -> Points:
        """All changes in all scenes, scene by scene; answers are kept to begin others from."""
        variants = [s.variant(c, self.fixed) for s in scenes for c in changes]
        starts = [self._begin(n, s) for s in scenes for n in near]
        points = self.model.solve(variants, _begin_from(starts))
        if len(changes) <= _KEEP:
            self._keep(scenes, changes, points)
        return points

    def _begin(self, near: Change, scene: Scene) -> _Stand | None:
        """The nearest answer kept: of the same board in this scene, or with the same supplies, or the drawn one's."""
        kept = self._kept
        for key in (near.key, _DRAWN):
            for place in (scene.key, scene.supplies):
                if (key, place) in kept:
                    return kept[key, place]
        return None

    def _keep(self, scenes: Sequence[Scene], changes: Sequence[Change], points: Points) -> None:
        if len(self._kept) > 200_000:
            self._kept.clear()
        for k, scene in enumerate(scenes):
            for h, change in enumerate(changes):
                member = k * len(changes) + h
                if points.status[member] == "ok":
                    self._kept[change.key, scene.key] = points, member
                    self._kept.setdefault((change.key, scene.supplies), (points, member))

    def _read(
        self, points: Points, o: Observation, scene: Scene, members: slice, cache: dict[tuple[str, str], Array]
    ) -> Array:
        key = (CURRENT if o.quantity == CURRENT else "net", o.of)
        if key not in cache:
            of_supply = o.quantity == CURRENT
            cache[key] = -points.current(supply_part_name(o.of), "P") if of_supply else points.net(o.of)
        found: Array = cache[key][members]
        if o.quantity != OHMS:
            return found
        return np.array([o.as_seen(_ohms(float(v), o)) for v in found])


_Stand = tuple[Points, int]
"""One answer: the batch that it belongs to, and its place there."""


def _begin_from(stands: Sequence[_Stand | None]) -> Points | None:
    """Start values for as many variants; where one has none, those of another."""
    some = next((s for s in stands if s is not None), None)
    return Points.gathered([s or some for s in stands]) if some is not None else None


def _ohms(volts: float, o: Observation) -> float:
    across = -volts if o.turned else volts
    if across > 0.98 * o.open_volts:
        return np.inf
    if o.shunt is None or not across > 0:
        return across / o.test_amps
    siemens = o.test_amps / across - 1 / o.shunt
    return 1 / siemens if siemens > 0 else np.inf


def replace_load(state: BenchState) -> str:
    """The key of a state without what loads the point."""
    return BenchState(state.supplies, state.pins).key


def with_load(state: BenchState, ohms: float | None, to: str | None = None) -> BenchState:
    """The same state under another load."""
    return BenchState(state.supplies, state.pins, ohms, to)
