"""One circuit with its faults, settled again and again while its settings change: each point from the one before.

    path = Path(model, faults)
    point = path.point({"bench_USB.on": True}, {"meter.HI": "VIN"})
    point = path.point({"bench_USB.on": True, "bench_USB.volts": 5.0}, {}, point)
    point.volts("VIN"), point.current("bench_USB", "P")

The answers are those of `Model.solve` with one variant, started from the last point; what does not change from one
point to the next (the faults' effects, the plans of elimination, what the limiters remember) is kept, and the compiled
iteration is called without the arrangements that a batch needs. A rehearsal solves ten thousands of points this way.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache

import numpy as np

from wakeboard.instruments.virtual.circuit.compiled.elements import GMIN
from wakeboard.instruments.virtual.circuit.compiled.iteration import Wiring, newton_group
from wakeboard.instruments.virtual.circuit.compiled.parameters import Parameters
from wakeboard.instruments.virtual.circuit.errors import CircuitError, nearest
from wakeboard.instruments.virtual.circuit.faults.effects import Extras, Place, into
from wakeboard.instruments.virtual.circuit.faults.fault import Fault
from wakeboard.instruments.virtual.circuit.model import Model, Variant
from wakeboard.instruments.virtual.circuit.part import Value
from wakeboard.instruments.virtual.circuit.solver.devices import Array
from wakeboard.instruments.virtual.circuit.solver.newton import USUAL, back_onto_slopes
from wakeboard.instruments.virtual.circuit.solver.structure import Ints, Layout, Structure

# of a batch of one: its only member, nothing that ties it, and what is not asked of it
ALONE = np.zeros(1, dtype=np.intp)
UNTIED, NOWHERE = np.zeros(1), np.empty((1, 0))
UNASKED = np.empty((0, 0))
Moves = tuple[tuple[int, int], ...]


class Point:
    """An operating point. at: the node of each terminal; unknowns (n,) V by node, then A by branch; currents (C,) A;
    held (1, M), leak (1, nodes): what the limiters remember, and S to ground of each node."""

    __slots__ = ("_amps", "_extras", "_resumed", "at", "currents", "held", "layout", "leak", "unknowns")

    def __init__(
        self, layout: Layout, at: Ints, unknowns: Array, currents: Array, held: Array, leak: Array, extras: Extras
    ) -> None:
        self.layout = layout
        self.at = at
        self.unknowns = unknowns
        self.currents = currents
        self.held = held
        self.leak = leak
        self._extras = extras
        self._amps: dict[tuple[str, str], float] = {}
        self._resumed: Array | None = None

    def volts(self, net: str) -> float:
        """V of a net against ground."""
        node = self.layout.node.get(net)
        if node is None:
            raise CircuitError(f"no net {net!r}{nearest(net, self.layout.node_names)}")
        return float(self.unknowns[node])

    @property
    def resumed(self) -> Array:
        """What limiters know (1, M) that go on from here; not to be changed."""
        if self._resumed is None:
            self._resumed = self.held.copy()
            back_onto_slopes(self.layout, self._resumed)
        return self._resumed

    def current(self, part: str, pin: str) -> float:
        """A into the part through a pin, what a fault put inside the part included."""
        place = (part, pin)
        found = self._amps.get(place)
        if found is None:
            found = self._amps[place] = self._current(place)
        return found

    def _current(self, place: tuple[str, str]) -> float:
        carried = self.layout.into(self.layout.terminal(*place), self.currents)
        return float(carried) + into(place, self._extras, self._at)

    def _at(self, place: Place) -> float:
        layout = self.layout
        node = self.at[layout.terminal(*place)] if isinstance(place, tuple) else layout.node[place]
        return float(self.unknowns[node])


@lru_cache(maxsize=1024)
def _plain_wiring(model: Model, layout: Layout, moves: frozenset[tuple[str, str]]) -> tuple[Ints, Wiring]:
    """With no pins moved but those that somebody moves."""
    return model.structure().placed(model.plan(Variant(moves=dict(moves))).moves)


@lru_cache(maxsize=16)
def _own_structure(layout: Layout, moves: Moves) -> Structure:
    """With a fault's moves: faults that follow each other often have them in common."""
    return Structure(layout, dict(moves))


@lru_cache(maxsize=256)
def _own_wiring(layout: Layout, own: Moves, moves: Moves, pairs: Moves) -> tuple[Ints, Wiring]:
    """With a fault's own moves and extra conductances, and those that somebody moves."""
    return _own_structure(layout, own).placed(moves, pairs)


class Path:
    """See above. CircuitError for a fault that does not fit the circuit."""

    def __init__(self, model: Model, faults: Sequence[Fault] = (), seed: int | None = None) -> None:
        self.model = model
        self._faults, self._seed = tuple(faults), seed
        self._drawn = model.plan(Variant(self._faults, {}, seed))
        self._specimen = model.plan(Variant((), {}, seed)).overrides
        self._faulty = model.plan(Variant(self._faults)).overrides
        self._extras = self._drawn.extras
        self._siemens = np.array([[siemens for _, _, siemens in self._extras]])
        self._places: dict[str, tuple[int, str]] = {}
        self._wirings: dict[frozenset[tuple[str, str]], tuple[Ints, Wiring]] = {}
        self._lay_out()

    def _lay_out(self) -> None:
        self.layout = self.model.layout
        self._wirings.clear()
        self._told: tuple[object, Parameters] | None = None  # the last settings, and their parameters
        self._theta = self.model.parameters_of([self._drawn])[0].expanded()

    def point(self, values: Mapping[str, Value], moves: Mapping[str, str], last: Point | None = None) -> Point:
        """Settled under these settings, from `last` on. Raises SolveError, CircuitError."""
        if self.model.layout is not self.layout:  # another path has lifted pins
            self._lay_out()
        layout = self.layout
        if last is not None and last.layout is not layout:
            last = None
        at, wiring = self._wired(moves)
        held, leak = self._remembered(last)
        x = np.zeros((1, layout.size)) if last is None else last.unknowns[None].copy()
        try:
            parameters = self._parameters(values)
        except CircuitError:  # a value that no part can have
            return self._the_long_way(values, moves)
        ok, doubt = np.zeros((2, 1), dtype=bool)
        blocks, siemens = layout.compiled, self._siemens
        currents = np.empty((1, layout.currents))
        newton_group(
            blocks, wiring, ALONE, parameters, siemens, x, held, leak, USUAL, UNTIED, NOWHERE, ok, doubt, currents,
            UNASKED, UNASKED,
        )  # fmt: skip
        if not ok[0] or doubt[0]:
            return self._the_long_way(values, moves)
        return Point(layout, at, x[0], currents[0], held, leak, self._extras)

    def _the_long_way(self, values: Mapping[str, Value], moves: Mapping[str, str]) -> Point:
        """With every remedy; who fails here fails with all that there is to be told."""
        found = self.model.solve([Variant(self._faults, values, self._seed, moves)]).require()
        return Point(self.layout, *found.state(0), *self._remembered(None), self._extras)

    def _remembered(self, last: Point | None) -> tuple[Array, Array]:
        """What the limiters know where the last point ended, to begin with."""
        if last is None:
            return np.full((1, self.layout.memory), np.nan), np.full((1, self.layout.nodes), GMIN)
        return last.resumed.copy(), last.leak.copy()

    def _parameters(self, values: Mapping[str, Value]) -> Parameters:
        """Faults before settings, settings before what the specimen was drawn with."""
        key = tuple(values.items())
        if self._told is None or self._told[0] != key:
            self._told = key, Parameters.whole(self._expanded(values))
        return self._told[1]

    def _expanded(self, values: Mapping[str, Value]) -> Array:
        """(1, K)."""
        by_part: dict[int, dict[str, Value]] = {}
        for path, value in values.items():
            index, name = self._places.get(path) or self._place(path)
            settings = by_part.get(index)
            if settings is None:
                settings = by_part[index] = dict(self._specimen.get(index, {}))
            settings[name] = value
        theta = self._theta.copy()
        for index, settings in by_part.items():
            settings.update(self._faulty.get(index, {}))
            theta[0, self.layout.part_rows[index]] = self.model.parameters(index, settings)
        return theta

    def _place(self, path: str) -> tuple[int, str]:
        """The part's number and its value's name."""
        ((index, changed),) = self.model.plan(Variant(values={path: 0.0})).overrides.items()
        found = self._places[path] = index, next(iter(changed))
        return found

    def _wired(self, moves: Mapping[str, str]) -> tuple[Ints, Wiring]:
        key = frozenset(moves.items())
        found = self._wirings.get(key)
        if found is None:
            if not (self._extras or self._drawn.moves):
                found = _plain_wiring(self.model, self.layout, key)
            else:
                plan = self.model.plan(Variant(self._faults, {}, None, moves))
                pairs = tuple((self.model.node(a, plan), self.model.node(b, plan)) for a, b, _ in plan.extras)
                own = self._drawn.moves
                found = _own_wiring(self.layout, own, tuple(each for each in plan.moves if each not in own), pairs)
            self._wirings[key] = found
        return found
