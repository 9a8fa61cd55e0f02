"""What a board with given faults would have read: each observation in its own bench state, many boards at once.

A scene is one bench state: which supplies are on at what setting, which pins are driven, what loads the probed net. It
is one operating point of the circuit; several observations may share it. With H boards and S scenes, H·S variants go to
the batched solver together (circuit/bench/stand.py).

Where many boards are screened, all probes of one bench state are connected at once: a 10 MΩ meter elsewhere moves a net
by less than what is decided on in a screening. What is reported afterwards is solved scene by scene (`exact`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cached_property
from typing import Final

import numpy as np

from wakeboard.harness.describe.state import BenchState
from wakeboard.harness.explain.evidence.observe import CURRENT, OHMS, VOLTS, Observation
from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.instruments.virtual.circuit import Circuit, Fault, Points
from wakeboard.instruments.virtual.circuit.bench.change import DRAWN, Change, Scene
from wakeboard.instruments.virtual.circuit.bench.figures import (
    LEAST_METER_OHMS,
    NO_INPUT_OHMS,
    STRAY_AMPS,
    SUPPLY_FARADS,
    VOLTMETER_OHMS,
)
from wakeboard.instruments.virtual.circuit.bench.parts import METER, probe_name
from wakeboard.instruments.virtual.circuit.bench.slopes import Slopes
from wakeboard.instruments.virtual.circuit.bench.stand import Answer, Stand, taken
from wakeboard.instruments.virtual.circuit.bench.state import OhmsTest, loaded, state_values
from wakeboard.instruments.virtual.circuit.bench.unknowns import Stray, Unknown
from wakeboard.instruments.virtual.circuit.solver.devices import Mask

PUSH_AMPS = 1e-6  # A into a net, to learn its resistance without moving it far
HELD_VOLTS: Final = 0.3
"""What a net that nothing discharges may still hold (one standard deviation; estimate, no source)."""
REST_S: Final = 0.5
"""Seconds that a net had to discharge before it was read (estimate)."""
LINEAR: Final = 1e-5
"""V that any net may move by for slopes to say how far: e^(V/25 mV) is straight there to 2e-4 of it, 2 nV."""
SCENES_AT_ONCE: Final = 128
"""Scenes of which all parameters are laid out together."""
STIFF_OHMS: Final = 200e3
"""Below this a net's resistance at its operating point stands for what 1 µA would find: the push moves it by 0.2 V."""


class Predictor:
    """Predicts the observations of one unit. `fixed`: the rework in force; it changes the circuit first.

    stand: the compiled circuit that other units of the board use too; else one is made, with room for `may_move`.
    """

    def __init__(
        self,
        circuit: Circuit,
        supplies: Mapping[str, str],
        observations: Sequence[Observation],
        fixed: Change | None = None,
        may_move: Iterable[Fault] = (),
        stand: Stand | None = None,
    ) -> None:
        self.observations = list(observations)
        self.fixed = fixed or Change()
        self.supplies = dict(supplies)
        self.ground = circuit.ground
        self.circuit = circuit
        self.stand = stand or Stand(circuit, supplies, may_move)
        self._drawn_moved: tuple[Sequence[Unknown], Array] | None = None
        self._exact = [self._scene(o, shared=False) for o in self.observations]
        self._shared = [self._scene(o, shared=True) for o in self.observations]

    # --- the bench ----------------------------------------------------------------------------------------------------
    def _scene(self, o: Observation, shared: bool) -> Scene:
        values = dict(state_values(o.state))
        if o.quantity == OHMS:
            placed = ohms_test(o).placed()
            return Scene({**values, **placed.values}, placed.moves)
        if o.quantity == CURRENT:
            return Scene(values)
        if o.state.to is not None:
            return self._pulled_scene(o, values)
        ohms = o.state.load_ohms or VOLTMETER_OHMS
        if shared and ohms >= LEAST_METER_OHMS:
            for net in self._read_in[replace_load(o.state)]:
                values[f"{probe_name(net)}.on"] = True
        elif o.of != self.ground:
            values |= loaded(o.of, ohms)
        return Scene(values)

    @cached_property
    def _read_in(self) -> dict[str, list[str]]:
        """Bench state without its load -> nets whose volts are read in it."""
        found: dict[str, dict[str, None]] = {}
        for o in self.observations:
            if o.quantity == VOLTS and o.of != self.ground:
                found.setdefault(replace_load(o.state), {})[o.of] = None
        return {key: list(nets) for key, nets in found.items()}

    def _pulled_scene(self, o: Observation, values: dict[str, object]) -> Scene:
        """A test resistor to another net than ground, with the voltmeter beside it."""
        assert o.state.to is not None
        values[f"{METER}.ohms"] = o.state.load_ohms or VOLTMETER_OHMS
        values[f"{probe_name(o.of)}.on"] = True
        return Scene(values, {f"{METER}.HI": o.of, f"{METER}.LO": o.state.to})

    # --- predictions ----------------------------------------------------------------------------------------------
    def scenes(self) -> list[int]:
        """For each observation the number of its (shared) scene: what is read at one operating point."""
        numbers: dict[tuple[object, ...], int] = {}
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
        wanted = list(range(len(self.observations)) if only is None else only)
        out = np.empty((len(changes), len(wanted)))
        if not len(changes):
            return out
        rows = self._rows(changes, wanted, self._exact if exact else self._shared, near)
        for column, k in enumerate(wanted):
            o = self.observations[k]
            out[:, column] = self._as_read(o, taken(rows[k], o.of if o.quantity == CURRENT else None, o.of))
        return out

    def _rows(
        self, changes: Sequence[Change], wanted: Sequence[int], scenes: Sequence[Scene], near: Sequence[Change] | None
    ) -> dict[int, list[Answer]]:
        """Observation -> the answers of all changes in its scene."""
        unique: dict[tuple[object, ...], Scene] = {}
        for k in wanted:
            unique.setdefault(scenes[k].key, scenes[k])
        whole = [self.fixed.plus(change) for change in changes]
        begin = [self.fixed] * len(changes) if near is None else [self.fixed.plus(change) for change in near]
        answers = dict(zip(unique, self.stand.answers(list(unique.values()), whole, begin), strict=True))
        return {k: answers[scenes[k].key] for k in wanted}

    def without(self, change: Change, paths: Sequence[str]) -> Array:
        """(P, n) each observation in shared scenes, where one value ("PART.value") alone is 0 beside a change.

        In most states a diode more or less moves nothing by more than LINEAR, and the slopes at the answer without that
        say how far; the others are solved.
        """
        out = np.empty((len(paths), len(self.observations)))
        scenes = {scene.key: scene for scene in self._shared}
        at: dict[tuple[object, ...], list[int]] = {}
        for k, scene in enumerate(self._shared):
            at.setdefault(scene.key, []).append(k)
        whole = self.fixed.plus(change)
        changes = [whole.plus(Change(values={path: 0.0})) for path in paths]
        for scene, (volts, still) in zip(scenes.values(), self._set_to_nothing(whole, paths, scenes), strict=True):
            seen = at[scene.key]
            if any(self.observations[k].quantity == CURRENT for k in seen):
                still = np.zeros_like(still)
            moved = np.flatnonzero(~still)
            row: list[Answer] = []
            if len(moved):
                (row,) = self.stand.answers([scene], [changes[h] for h in moved], [self.fixed] * len(moved))
            for k in seen:
                o = self.observations[k]
                if still.any():
                    out[still, k] = self._as_read(o, volts[still, self.stand.model.layout.node[o.of]])
                if row:
                    out[moved, k] = self._as_read(o, taken(row, o.of if o.quantity == CURRENT else None, o.of))
        return out

    def _set_to_nothing(
        self, whole: Change, paths: Sequence[str], scenes: Mapping[tuple[object, ...], Scene]
    ) -> Iterator[tuple[Array, Mask]]:
        """By scene: V (P, size) by slopes, where one value alone is 0; and for which of them slopes will do (P,)."""
        rows = [row[0] for row in self.stand.answers(list(scenes.values()), [whole], [self.fixed])]
        for first in range(0, len(rows), SCENES_AT_ONCE):
            some = rows[first : first + SCENES_AT_ONCE]
            slopes = Slopes(self.stand.model, Points.gathered([(batch.points, member) for batch, member in some]))
            for member, step in enumerate(slopes.set_to([(path, 0.0) for path in paths])):
                still = np.abs(step).max(axis=1) <= LINEAR  # not where it is not finite
                yield slopes.unknowns[member] + step, still & slopes.solved[member]

    @staticmethod
    def _as_read(o: Observation, read: Array) -> Array:
        """Volts of a net, or a supply's amperes, as an observation counts them."""
        if o.quantity != OHMS:
            return read
        test = ohms_test(o)
        return np.array([o.as_seen(test.ohms(float(v))) for v in read])

    # --- first order ----------------------------------------------------------------------------------------------
    def shifts(self, changes: Sequence[Change], tolerances: Sequence[Unknown]) -> Array:
        """(H, T, n) how far one standard deviation of each value moves each observation (as `as_seen` counts it)."""
        if [change.key for change in changes] == [DRAWN.key]:  # each weighing asks it again
            if self._drawn_moved is None or self._drawn_moved[0] is not tolerances:
                self._drawn_moved = tolerances, self._shifts(changes, tolerances)
            return self._drawn_moved[1].copy()
        return self._shifts(changes, tolerances)

    def _shifts(self, changes: Sequence[Change], tolerances: Sequence[Unknown]) -> Array:
        out = np.zeros((len(changes), len(tolerances), len(self.observations)))
        if not tolerances or not self.observations or not len(changes):
            return out
        slopes, members = self._slopes(changes, range(len(self.observations)))
        moved = slopes.moved(tolerances)
        for k, o in enumerate(self.observations):
            by = moved.current(o.of, members[k]) if o.quantity == CURRENT else moved.net(o.of, members[k])
            if o.quantity == OHMS:
                by = by * np.array([_decades_per_volt(v, o) for v in slopes.volts(o.of, members[k])])[:, None]
            out[:, :, k] = np.where(np.isfinite(by), by, 0.0)
        return out

    def beside(
        self, changes: Sequence[Change], unknowns: Sequence[Unknown], deviations: Array, near: Sequence[Change],
        acting: Array, begin: Sequence[Array | None] = (),
    ) -> tuple[Array, Array, list[Array]]:  # fmt: skip
        """(H, n) each observation in shared scenes, where of each change so many deviations (H, T) of every stray flow
        beside what is drawn; (H, T, n) how far one standard deviation of each unknown that is `acting` (T,) moves it
        there; and of each change where all is in balance, scene by scene (scenes, unknowns of the circuit). NaN where
        there is no answer. begin: of each change where a board much like it is in balance, as given back before."""
        wanted = range(len(self.observations))
        strays = [k for k, u in enumerate(unknowns) if u.stray is not None]
        slopes, members = self._slopes(
            changes, wanted, near, [u.stray for u in unknowns if u.stray is not None], deviations[:, strays], begin
        )
        some_act = np.flatnonzero(acting)
        moved = slopes.moved([unknowns[int(t)] for t in some_act])
        means = np.empty((len(changes), len(self.observations)))
        rows = np.zeros((len(changes), len(unknowns), len(self.observations)))
        for k, o in enumerate(self.observations):
            some = members[k]
            current = o.quantity == CURRENT
            means[:, k] = slopes.given(o.of, some) if current else slopes.volts(o.of, some)
            rows[:, some_act, k] = moved.current(o.of, some) if current else moved.net(o.of, some)
            if o.quantity == OHMS:
                rows[:, :, k] *= np.array([_decades_per_volt(v, o) for v in means[:, k]])[:, None]
                means[:, k] = [o.as_seen(ohms_test(o).ohms(float(v))) for v in means[:, k]]
            still = np.flatnonzero(np.logical_not(slopes.flows[some]))  # to first order, then
            means[still, k] += np.einsum("hs,hs->h", deviations[:, strays], rows[:, strays, k])[still]
            means[np.flatnonzero(np.logical_not(slopes.solved[some])), k] = np.nan
        own = [sorted({members[k][h] for k in wanted}) for h in range(len(changes))]
        return means, np.where(np.isfinite(rows), rows, 0.0), [slopes.unknowns[each] for each in own]

    def _slopes(
        self,
        changes: Sequence[Change],
        wanted: Sequence[int],
        near: Sequence[Change] | None = None,
        strays: Sequence[Stray] = (),
        deviations: Array | None = None,
        begin: Sequence[Array | None] = (),
    ) -> tuple[Slopes, dict[int, list[int]]]:
        """Slopes at the (shared) answers of all changes, and where those of each observation stand; each with its
        change's strays (H, S), whose balance is looked for from `begin` of each on, scene by scene."""
        rows = self._rows(changes, wanted, self._shared, near)
        place: dict[tuple[int, int, int], int] = {}
        answers: list[Answer] = []
        of: list[int] = []
        members: dict[int, list[int]] = {}
        for k in wanted:
            members[k] = []
            for h, (batch, member) in enumerate(rows[k]):
                key = (id(batch), member, 0 if deviations is None else h)
                if key not in place:
                    place[key] = len(answers)
                    answers.append((batch, member))
                    of.append(h)
                members[k].append(place[key])
        points = Points.gathered([(batch.points, member) for batch, member in answers])
        amounts = None if deviations is None else deviations[of]
        return Slopes(self.stand.model, points, strays, amounts, _from_there(begin, of, points.layout.size)), members

    # --- what is not at rest --------------------------------------------------------------------------------------
    def slack(self, changes: Sequence[Change]) -> Array:
        """(H, n) standard deviation of each observation from charge that a net still holds and from stray leakage.

        A net that nothing drives shows by its resistance: that times the leakage, and what is left of an earlier
        voltage after `REST_S` with the capacitors on it. Zero for ohms and currents: they have their own.
        """
        held = [k for k, o in enumerate(self.observations) if o.quantity == VOLTS and o.state.to is None]
        out = np.zeros((len(changes), len(self.observations)))
        if not held or not len(changes):
            return out
        slopes, members = self._slopes(changes, held)
        ohms = np.array([np.abs(slopes.held_ohms(self.observations[k].of, members[k])) for k in held])
        soft = [k for k, each in zip(held, ohms, strict=True) if not np.all(each < STIFF_OHMS)]
        for k, pushed in zip(soft, self._pushed_ohms(changes, soft), strict=True):
            ohms[held.index(k)] = pushed
        for k, each in zip(held, ohms, strict=True):
            tau = np.maximum(each * self.farads.get(self.observations[k].of, 0.0), 1e-9)
            out[:, k] = np.hypot(each * STRAY_AMPS, HELD_VOLTS * np.exp(-REST_S / tau))
        return out

    def _pushed_ohms(self, changes: Sequence[Change], soft: Sequence[int]) -> list[Array]:
        """Resistance by pushing 1 µA in: a soft net may run into a clamp diode, which its slope does not show."""
        if not soft:
            return []
        before = self.predict(changes, exact=True, only=soft)
        scenes = [self._pushed(self._exact[k], self.observations[k].of) for k in soft]
        whole = [self.fixed.plus(change) for change in changes]
        rows = self.stand.answers(scenes, whole, whole)
        risen = [taken(row, None, self.observations[k].of) for k, row in zip(soft, rows, strict=True)]
        return [
            np.nan_to_num(np.abs(after - before[:, column]), nan=1.0) / PUSH_AMPS for column, after in enumerate(risen)
        ]

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
        return Scene({**values, f"{METER}.ohms": NO_INPUT_OHMS}, {f"{METER}.HI": net})


def _from_there(begin: Sequence[Array | None], of: Sequence[int], size: int) -> Array | None:
    """(B, size) for answers of these changes, each change's in their order; NaN where nothing is given, or it is of a
    circuit laid out before pins were lifted."""
    if all(each is None for each in begin):
        return None
    out = np.full((len(of), size), np.nan)
    for h, each in enumerate(begin):
        own = np.flatnonzero(np.equal(of, h))
        if each is not None and each.shape == (len(own), size):
            out[own] = each
    return out


def ohms_test(o: Observation) -> OhmsTest:
    """The test that an ohms observation was read in."""
    return OhmsTest(o.of, o.test_amps, o.open_volts, o.turned, o.shunt)


def _decades_per_volt(volts: float, o: Observation) -> float:
    """Slope of an ohms reading, as it counts, by the volts that the meter sees."""
    step, test = 1e-6 * max(abs(volts), 1e-3), ohms_test(o)
    return (o.as_seen(test.ohms(volts + step)) - o.as_seen(test.ohms(volts - step))) / (2 * step)


def replace_load(state: BenchState) -> str:
    """The key of a state without what loads the point."""
    return BenchState(state.supplies, state.pins).key
