"""A compiled circuit: variants solved in batches.

Variants that differ in parts' values alone share one wiring; each set of moved pins and of bridges has a wiring of its
own, kept.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from wakeboard.instruments.virtual.circuit.faults.effects import Effects, Place, effects
from wakeboard.instruments.virtual.circuit.faults.fault import Fault
from wakeboard.instruments.virtual.circuit.solver.devices import Array
from wakeboard.instruments.virtual.circuit.solver.newton import (
    Memory,
    System,
    leaks,
    nearby,
    operating_point,
    weakly_held,
)
from wakeboard.instruments.virtual.circuit.solver.points import Points
from wakeboard.instruments.virtual.circuit.solver.structure import Ints, Layout, Structure

from .compiled import ahead
from .compiled.elements import GMIN
from .compiled.iteration import Wiring
from .compiled.parameters import Parameters
from .draft import Draft, Element
from .errors import CircuitError, nearest
from .part import Circuit, Part, Value
from .parts import kind_of
from .tolerance import specimen

LIFTED = "(lifted "  # how the name of a lifted pin's node begins


@dataclass(frozen=True)
class Variant:
    """A circuit that differs: faults, values ("PART.value" or "PART.PIN.value"), a specimen's draw, moved pins."""

    faults: tuple[Fault, ...] = ()
    values: Mapping[str, Value] = field(default_factory=dict)
    seed: int | None = None
    moves: Mapping[str, str] = field(default_factory=dict)


Overrides = dict[int, dict[str, Value]]


@dataclass
class Plan:
    """A variant in terms of the layout: overrides a part, moved terminals, extra conductances between places.

    settings: the overrides that come from the variant's seed and values; own: those that faults change, whole.
    """

    settings: Overrides
    own: Overrides
    moves: tuple[tuple[int, int], ...]
    extras: tuple[tuple[Place, Place, float], ...]

    @property
    def overrides(self) -> Overrides:
        """Of every part that differs."""
        return {**self.settings, **self.own} if self.own else self.settings


_solver_known = False


def _wait_for_solver() -> None:
    """Have the solver compiled, or fetched from where it is kept: now, before anything is switched on that waits."""
    global _solver_known
    if not _solver_known:
        _solver_known = True
        ahead.begin()
        ahead.wait()
        smallest = Circuit([Part("R1", "resistor", {"1": "A", "2": "GND"}, {"value": 1.0})])
        Model(smallest).solve([Variant()])


class Model:
    """See `solve`. Made by Circuit.compile()."""

    def __init__(self, circuit: Circuit) -> None:
        self.circuit = circuit
        self.part_index = {part.name: k for k, part in enumerate(circuit.parts)}
        self._defaults = [
            {name: q.default for name, q in kind_of(part).values.items() if q.default is not None}
            for part in circuit.parts
        ]
        self._effects: dict[Fault, Effects] = {}
        self._effects_of: dict[int, tuple[Fault, Effects]] = {}
        self._expanded: dict[tuple[object, ...], Array] = {}
        self._set: dict[tuple[object, ...], Overrides] = {}
        self._same: dict[tuple[object, ...], dict[str, Value]] = {}
        self._paths: dict[str, tuple[int, str]] = {}
        _wait_for_solver()
        self._lay_out(())

    # --- layout ---------------------------------------------------------------------------------------------------
    def _lay_out(self, lifted: tuple[str, ...]) -> None:
        """`lifted`: names of nodes for pins that some variant lifts off their net."""
        drafts = [self._draft(k, {}) for k in range(len(self.circuit.parts))]
        self._shapes = [[(e.device.name, e.ports) for e in d.elements] for d in drafts]
        self.layout = Layout(self.circuit, [(d.elements, d.inner_nodes) for d in drafts], lifted)
        self._lifted = lifted
        self._structures: dict[tuple[tuple[int, int], ...], Structure] = {}
        self._moves_known: dict[tuple[tuple[str, str], ...], tuple[tuple[int, int], ...]] = {}

    def _draft(self, index: int, overrides: Mapping[str, Value]) -> Draft:
        part = self.circuit.parts[index]
        draft = Draft(part, overrides, self._defaults[index])
        kind_of(part).expand(draft)
        return draft

    def structure(self, moves: tuple[tuple[int, int], ...] = ()) -> Structure:
        """The incidence for a set of moved terminals (kept)."""
        found = self._structures.get(moves)
        if found is None:
            if len(self._structures) > 2000:
                self._structures.clear()
            found = self._structures[moves] = Structure(self.layout, dict(moves))
        return found

    # --- variants -------------------------------------------------------------------------------------------------
    def plan(self, variant: Variant) -> Plan:
        """What a variant changes; CircuitError for names that are not there."""
        self.lift([variant])
        shared = self._plan(variant)
        settings = {index: dict(changed) for index, changed in shared.overrides.items()}
        return Plan(settings, {}, shared.moves, shared.extras)

    def _plan(self, variant: Variant) -> Plan:
        """As plan(); the overrides of parts are shared between plans and are not to be changed."""
        settings = self._settings(variant)
        if not variant.faults:
            return Plan(settings, {}, self._moves(variant.moves), ())
        own: Overrides = {}
        moves: dict[str, str] = dict(variant.moves)
        extras: tuple[tuple[Place, Place, float], ...] = ()
        for fault in variant.faults:
            effect = self._effect(fault)
            for name, changed in effect.values.items():
                index = self.part_index[name]
                before = own.get(index) or settings.get(index)
                own[index] = effect.values[name] if before is None else {**before, **changed}  # type: ignore[assignment]
            moves.update(effect.moves)
            extras = (*extras, *effect.bridges) if extras else effect.bridges
        return Plan(settings, own, self._moves(moves), extras)

    def _effect(self, fault: Fault) -> Effects:
        # by identity first: the same objects come back in every state, and hashing them costs more than this
        known = self._effects_of.get(id(fault))
        if known is not None and known[0] is fault:
            return known[1]
        found = self._effects.get(fault)
        if found is None:
            found = self._effects[fault] = effects(self.circuit, fault)
        if len(self._effects_of) > 20_000:
            self._effects_of.clear()
        self._effects_of[id(fault)] = (fault, found)
        return found

    def _settings(self, variant: Variant) -> Overrides:
        """Overrides a part by a variant's seed and values; many variants of a batch have the same (kept)."""
        key = (variant.seed, *variant.values.items())
        found = self._set.get(key)
        if found is None:
            found = {}
            if variant.seed is not None:
                for k, part in enumerate(self.circuit.parts):
                    if part.tolerance or part.bounds:
                        found[k] = dict(specimen(part, variant.seed))
            for path, value in variant.values.items():
                index, tail = self.find_value(path)
                found.setdefault(index, {})[tail] = value
            # settings that differ in one part share the others' overrides, to be laid out together
            for index, overrides in found.items():
                found[index] = self._same.setdefault((index, *overrides.items()), overrides)
            if len(self._set) > 20_000:
                self._set.clear()
                self._same.clear()
            self._set[key] = found
        return found

    def lift(self, variants: Sequence[Variant]) -> None:
        """Make room for the pins that some of the variants lift, all at once."""
        fresh: dict[str, None] = {}
        # the same objects stand in many variants
        for fault in {id(fault): fault for variant in variants for fault in variant.faults}.values():
            for net in self._effect(fault).moves.values():
                if net.startswith(LIFTED) and net not in self.layout.node:
                    fresh[net] = None
        if fresh:
            self._lay_out((*self._lifted, *fresh))

    def find_value(self, path: str) -> tuple[int, str]:
        """The part's index and the value's name in it (kept)."""
        found = self._paths.get(path)
        if found is None:
            found = self._paths[path] = self._find_path(path)
        return found

    def _find_path(self, path: str) -> tuple[int, str]:
        name, _, tail = path.partition(".")
        index = self.part_index.get(name)
        if index is None:
            raise CircuitError(f"{path!r}: no part {name!r}{nearest(name, self.part_index)}")
        part = self.circuit.parts[index]
        kind = kind_of(part)
        tail = kind.synonyms.get(tail, tail)
        head = tail.partition(".")[0]
        if head not in kind.values and head not in part.pins:
            allowed = [*kind.values, *kind.synonyms, *(f"{pin}.…" for pin in part.pins if kind.nested)]
            raise CircuitError(
                f"{path!r}: {name} ({kind.name}) has no value {tail!r}; allowed: {', '.join(allowed)}"
                f"{nearest(tail, allowed)}",
                [name],
            )
        return index, tail

    def _moves(self, moves: Mapping[str, str]) -> tuple[tuple[int, int], ...]:
        if not moves:
            return ()
        key = tuple(moves.items())
        known = self._moves_known.get(key)
        if known is not None:
            return known
        fresh = [net for net in moves.values() if net.startswith(LIFTED) and net not in self.layout.node]
        if fresh:
            self._lay_out((*self._lifted, *fresh))
        found = []
        for pin, net in moves.items():
            part, name = self.circuit.pin(pin)
            node = self.layout.node.get(net)
            if node is None:
                raise CircuitError(f"{pin} moved to {net!r}: no such net{nearest(net, self.circuit.nets)}")
            terminal = self.layout.terminal(part.name, name)
            if self.layout.home[terminal] != node:
                found.append((terminal, node))
        if len(self._moves_known) > 5000:
            self._moves_known.clear()
        self._moves_known[key] = known = tuple(sorted(found))
        return known

    def parameters(self, index: int, overrides: Mapping[str, Value]) -> Array:
        """The parameters of one part's elements under overrides, in the order of layout.part_rows."""
        key = (index, *sorted(overrides.items()))
        found = self._expanded.get(key)
        if found is None:
            elements: Sequence[Element] = self._draft(index, overrides).elements
            if [(e.device.name, e.ports) for e in elements] != self._shapes[index]:
                raise AssertionError(
                    f"{self.circuit.parts[index].name}: its kind yields other elements when overridden"
                )
            found = np.array([v for e in elements for v in e.values])
            if len(self._expanded) > 20_000:
                self._expanded.clear()
            self._expanded[key] = found
        return found

    def parameters_of(self, plans: Sequence[Plan]) -> tuple[Parameters, dict[int, str]]:
        """The parameters of a batch, and why a member has none (a value no part can have): it has NaN."""
        # the same settings stand in many members, and the same overrides of a part in many settings
        by_settings: dict[int, tuple[int, Overrides]] = {}
        row = np.array([by_settings.setdefault(id(p.settings), (len(by_settings), p.settings))[0] for p in plans])
        rows = np.empty((len(by_settings), len(self.layout.base)))
        rows[...] = self.layout.base
        why: dict[int, str] = {}
        for members, columns, values in self._changes([settings for _, settings in by_settings.values()], why):
            rows[np.array(members)[:, None], columns] = values
        refused = {member: why[k] for member, k in enumerate(row.tolist()) if k in why} if why else {}
        own = list(self._changes([plan.own for plan in plans], refused))
        if refused:
            own.append((list(refused), np.arange(rows.shape[1]), np.full(rows.shape[1], np.nan)))
        return Parameters.shared(rows, row, own), refused

    def _changes(self, each: Sequence[Overrides], refused: dict[int, str]) -> Iterator[tuple[list[int], Ints, Array]]:
        """(which of each, columns, values) of overrides in common; why one has none goes to `refused`."""
        same: dict[tuple[int, int], tuple[dict[str, Value], list[int]]] = {}
        for row, changed in enumerate(each):
            for index, overrides in changed.items():
                same.setdefault((index, id(overrides)), (overrides, []))[1].append(row)
        for (index, _), (overrides, members) in same.items():
            columns = self.layout.part_rows[index]
            if not len(columns):
                continue
            try:
                yield members, columns, self.parameters(index, overrides)
            except CircuitError as error:
                refused.update(dict.fromkeys(members, str(error)))

    def _groups(self, plans: Sequence[Plan]) -> tuple[list[tuple[Wiring, Ints]], Array]:
        """Members by wiring, and the siemens (B, E) of their extra conductances."""
        most = max((len(plan.extras) for plan in plans), default=0)
        siemens = np.zeros((len(plans), most))
        # by the objects first: the same ones stand in every state, and going through them costs more than this
        alike: dict[tuple[int, int], list[int]] = {}
        for member, plan in enumerate(plans):
            alike.setdefault((id(plan.moves), id(plan.extras)), []).append(member)
        found: dict[object, list[int]] = {}
        for same in alike.values():
            plan = plans[same[0]]
            between = tuple([(first, second) for first, second, _ in plan.extras])
            if between:
                siemens[same, : len(between)] = [g for _, _, g in plan.extras]
            found.setdefault((plan.moves, between), []).extend(same)
        groups = []
        for members in found.values():
            plan = plans[members[0]]
            pairs = tuple((self.node(first, plan), self.node(second, plan)) for first, second, _ in plan.extras)
            groups.append((self.structure(plan.moves).wiring(pairs), np.array(members, dtype=np.intp)))
        return groups, siemens

    def node(self, place: Place, plan: Plan) -> int:
        """The node of a net's name, or of a (part, pin) wherever the plan puts it."""
        if isinstance(place, tuple):
            terminal = self.layout.terminal(*place)
            return dict(plan.moves).get(terminal, int(self.layout.home[terminal]))
        node = self.layout.node.get(place)
        if node is None:
            raise CircuitError(f"no net {place!r}{nearest(place, self.circuit.nets)}")
        return node

    # --- solving --------------------------------------------------------------------------------------------------
    def solve(self, variants: Sequence[Variant], start: Points | None = None) -> Points:
        """Operating points of all variants. `start`: answers to begin from (as many as variants, or one for all).

        Never raises for a member that fails: see Points.status and Points.require().
        """
        self.lift(variants)
        layout = self.layout
        plans = [self._plan(variant) for variant in variants]
        if self.layout is not layout:  # a move by name lifted a pin
            plans = [self._plan(variant) for variant in variants]
        points = Points(self.layout, variants, plans)
        points._system = lambda member: self.system([plans[member]])[0]
        begin = points.start_from(start)
        if len(plans) == 1 and start is not None and self._solve_near(points, start, begin):
            return points
        system, refused = self.system(plans)
        solved = operating_point(system, begin, self._memory(start, len(plans)))
        for member, why in refused.items():
            solved.how[member] = why
        points.put(solved.x, solved.e, solved.ok, solved.how)
        points._states = solved.states
        return points

    def system(self, plans: Sequence[Plan]) -> tuple[System, dict[int, str]]:
        """The equations of a batch, and why a member has none."""
        parameters, refused = self.parameters_of(plans)
        groups, siemens = self._groups(plans)
        return System(self.layout, parameters, groups, siemens), refused

    def _solve_near(self, points: Points, start: Points, begin: Array) -> bool:
        """One variant, near where it starts: the short way, if it leads there."""
        if len(start.variants) != 1 or start.layout is not self.layout or start.status[0] != "ok":
            return False
        system, refused = self.system(points.plans)
        memory = start.memory.copied() if start.memory is not None else self._memory(start, 1)
        if refused or memory is None:
            return False
        memory.carry_over()
        found = nearby(system, begin, np.zeros((1, self.layout.nodes)), memory)
        if found is None:
            return False
        x, e = found
        weak = weakly_held(system, x)[0]
        if weak[self.structure(points.plans[0].moves).used].any():
            return False
        points.put(x, e, np.ones(1, dtype=bool), [""])
        points.memory = memory
        return True

    def _memory(self, start: Points | None, members: int) -> Memory | None:
        """What the limiters would remember of the starting points: which elements stand on their slopes there."""
        if start is None or start.layout is not self.layout:
            return None
        # many members begin at the same point
        known: dict[int, int] = {}
        place = np.array([known.setdefault(id(plan), len(known)) for plan in start.plans], dtype=np.intp)
        rows = np.unique(place, return_index=True)[1]
        system, _ = self.system([start.plans[k] for k in rows])
        x = np.ascontiguousarray(start._x.T[rows])
        memory = Memory(self.layout, len(rows))
        leak, _ = leaks(system, x, memory)
        memory.carry_over()
        memory.leak = np.where(np.isfinite(x[:, : self.layout.nodes]), leak, GMIN)
        if len(place) == 1 < members:
            place = np.zeros(members, dtype=np.intp)
        return memory if len(rows) == members else memory.take(place)
