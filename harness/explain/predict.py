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
from typing import Any, Final, cast

import numpy as np

from harness.describe.circuit import METER, supply_part_name
from harness.describe.state import BenchState
from harness.explain.observe import CURRENT, OHMS, Observation
from harness.explain.uncertainty import Array
from instruments.virtual.circuit import Circuit, Fault, Model, Part, Points, Variant

_KEEP: Final = 400
"""Batches up to this size are kept to begin later ones from."""

VOLTMETER_OHMS = 10e6
_IDLE = "(meter's lead)"


@dataclass(frozen=True)
class Change:
    """A board that differs from the drawn one: faults, and values of parts ("PART.value")."""

    faults: tuple[Fault, ...] = ()
    values: Mapping[str, Any] = field(default_factory=dict)
    setting_errors: Mapping[str, float] = field(default_factory=dict)  # relative, of what the bench sets
    seed: int | None = None  # a specimen: every part drawn within its tolerance

    def plus(self, other: Change) -> Change:
        return Change(
            (*self.faults, *other.faults),
            {**self.values, **other.values},
            {**self.setting_errors, **other.setting_errors},
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
        self._kept: dict[tuple[Any, ...], Array] = {}
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
            for net in self._nets_read(o.state):
                values[f"{probe_name(net)}.on"] = True
        elif o.of != self.ground:
            values[f"{probe_name(o.of)}.on"] = True
            values[f"{probe_name(o.of)}.value"] = ohms
        return Scene(values)

    def _nets_read(self, state: BenchState) -> list[str]:
        key = replace_load(state)
        return [n for n in self.nets if n != self.ground and self._reads(n, key)]

    def _reads(self, net: str, key: str) -> bool:
        return any(
            o.of == net and o.quantity not in (OHMS, CURRENT) and replace_load(o.state) == key
            for o in self.observations
        )

    def _ohms_scene(self, o: Observation, values: dict[str, Any]) -> Scene:
        values[f"{METER}.test_amps"] = o.test_amps
        values[f"{METER}.compliance_volts"] = o.open_volts
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

    def solve(self, scenes: Sequence[Scene], changes: Sequence[Change], near: Sequence[Change]) -> Points:
        """All changes in all scenes, scene by scene; answers are kept to begin others from."""
        variants = [s.variant(c, self.fixed) for s in scenes for c in changes]
        starts = [self._begin(n, s) for s in scenes for n in near]
        points = self.model.solve(variants, begin_from(self.model, starts))
        if len(changes) <= _KEEP:
            self._keep(scenes, changes, points)
        return points

    def _begin(self, near: Change, scene: Scene) -> Array | None:
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
                column = points._x[:, k * len(changes) + h]
                if np.all(np.isfinite(column)):
                    self._kept[change.key, scene.key] = column
                    self._kept.setdefault((change.key, scene.supplies), column)

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


@dataclass(frozen=True)
class _Begin:
    """Where the solver begins: one column of unknowns a variant (what it asks of earlier Points)."""

    layout: object
    variants: tuple[None, ...]
    _x: Array


def begin_from(model: Model, columns: Sequence[Array | None]) -> Points:
    """Start values for as many variants; None, or a column of another layout: from zero."""
    size = model.layout.nodes + model.layout.branches
    x = np.zeros((size, len(columns)))
    for k, column in enumerate(columns):
        if column is not None and len(column) == size:
            x[:, k] = column
    return cast(Points, _Begin(model.layout, (None,) * len(columns), x))


def _ohms(volts: float, o: Observation) -> float:
    across = -volts if o.turned else volts
    return np.inf if across > 0.98 * o.open_volts else across / o.test_amps


def replace_load(state: BenchState) -> str:
    """The key of a state without what loads the point."""
    return BenchState(state.supplies, state.pins).key


def with_load(state: BenchState, ohms: float | None, to: str | None = None) -> BenchState:
    """The same state under another load."""
    return BenchState(state.supplies, state.pins, ohms, to)
