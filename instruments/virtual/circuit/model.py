"""A compiled circuit: variants solved in batches.

All variants that leave the pins where they are share one structure and are solved together; each set of moved pins has
a structure of its own, kept. Batches are cut into chunks that fit the processor's cache.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from .devices import Array
from .draft import Draft, Element
from .effects import Effects, Place, effects
from .errors import CircuitError, nearest
from .fault import Fault
from .linear import plan_for
from .newton import CHUNK, GMIN, Extras, Memory, System, evaluate, operating_point, quick, weakly_held
from .part import Circuit, Value
from .parts import kind_of
from .points import Points
from .single import nearby
from .spread import Spread, spread
from .structure import Corrections, Ints, Layout, Moved, Structure
from .tolerance import specimen

FEW = 256  # members of a chunk that are put off, to be finished together with those of other chunks
LIFTED = "(lifted "  # how the name of a lifted pin's node begins
OWN_STRUCTURE = 64  # members with the same pins moved, from which on they get a structure of their own


@dataclass(frozen=True)
class Variant:
    """A circuit that differs: faults, values ("PART.value" or "PART.PIN.value"), a specimen's draw, moved pins."""

    faults: tuple[Fault, ...] = ()
    values: Mapping[str, Value] = field(default_factory=dict)
    seed: int | None = None
    moves: Mapping[str, str] = field(default_factory=dict)


@dataclass
class Plan:
    """A variant in terms of the layout: overrides a part, moved terminals, extra conductances between places."""

    overrides: dict[int, dict[str, Value]]
    moves: tuple[tuple[int, int], ...]
    extras: tuple[tuple[Place, Place, float], ...]


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
        self._set: dict[tuple[object, ...], dict[int, dict[str, Value]]] = {}
        self._lay_out(())

    # --- layout ---------------------------------------------------------------------------------------------------
    def _lay_out(self, lifted: tuple[str, ...]) -> None:
        """`lifted`: names of nodes for pins that some variant lifts off their net."""
        drafts = [self._draft(k, {}) for k in range(len(self.circuit.parts))]
        self._shapes = [[(e.device.name, e.ports) for e in d.elements] for d in drafts]
        self.layout = Layout(self.circuit, [(d.elements, d.inner_nodes) for d in drafts], lifted)
        self._lifted = lifted
        self._structures: dict[tuple[tuple[int, int], ...], Structure] = {}
        self._moved: dict[tuple[tuple[int, int], ...], Moved] = {}
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
        own = {index: dict(changed) for index, changed in shared.overrides.items()}
        return Plan(own, shared.moves, shared.extras)

    def _plan(self, variant: Variant) -> Plan:
        """As plan(); the overrides of parts are shared between plans and are not to be changed."""
        overrides = dict(self._settings(variant))
        if not variant.faults:
            return Plan(overrides, self._moves(variant.moves), ())
        moves: dict[str, str] = dict(variant.moves)
        extras: list[tuple[Place, Place, float]] = []
        for fault in variant.faults:
            effect = self._effect(fault)
            for name, changed in effect.values.items():
                index = self.part_index[name]
                before = overrides.get(index)
                overrides[index] = effect.values[name] if before is None else {**before, **changed}  # type: ignore[assignment]
            moves.update(effect.moves)
            extras += effect.bridges
        return Plan(overrides, self._moves(moves), tuple(extras))

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

    def _settings(self, variant: Variant) -> dict[int, dict[str, Value]]:
        """Overrides a part by a variant's seed and values; many variants of a batch have the same (kept)."""
        key = (variant.seed, *variant.values.items())
        found = self._set.get(key)
        if found is None:
            found = {}
            if variant.seed is not None:
                for k, part in enumerate(self.circuit.parts):
                    if part.tolerance:
                        found[k] = dict(specimen(part, variant.seed))
            for path, value in variant.values.items():
                index, tail = self._path(path)
                found.setdefault(index, {})[tail] = value
            if len(self._set) > 2000:
                self._set.clear()
            self._set[key] = found
        return found

    def lift(self, variants: Sequence[Variant]) -> None:
        """Make room for the pins that some of the variants lift, all at once."""
        fresh: dict[str, None] = {}
        for variant in variants:
            for fault in variant.faults:
                for net in self._effect(fault).moves.values():
                    if net.startswith(LIFTED) and net not in self.layout.node:
                        fresh[net] = None
        if fresh:
            self._lay_out((*self._lifted, *fresh))

    def _path(self, path: str) -> tuple[int, str]:
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

    def theta(self, plans: Sequence[Plan]) -> tuple[Array, dict[int, str]]:
        """Parameters (K, B) of a batch, and why a member has none (a value no part can have): its column is NaN."""
        refused: dict[int, str] = {}
        theta = np.empty((len(self.layout.base), len(plans)))
        theta[...] = self.layout.base[:, None]
        # the same overrides of a part stand in many columns: they are put there together
        same: dict[tuple[int, int], tuple[dict[str, Value], list[int]]] = {}
        for column, plan in enumerate(plans):
            for index, overrides in plan.overrides.items():
                same.setdefault((index, id(overrides)), (overrides, []))[1].append(column)
        for (index, _), (overrides, columns) in same.items():
            rows = self.layout.part_rows[index]
            if not len(rows):
                continue
            try:
                theta[rows[:, None], columns] = self.parameters(index, overrides)[:, None]
            except CircuitError as error:
                refused.update(dict.fromkeys(columns, str(error)))
        theta[:, list(refused)] = np.nan
        return theta, refused

    def extras(self, plans: Sequence[Plan]) -> Extras | None:
        """The extra conductances of a batch, padded to the same number a member."""
        most = max((len(plan.extras) for plan in plans), default=0)
        if not most:
            return None
        a = np.zeros((most, len(plans)), dtype=np.intp)
        b = np.zeros((most, len(plans)), dtype=np.intp)
        g = np.zeros((most, len(plans)))
        for column, plan in enumerate(plans):
            for k, (first, second, siemens) in enumerate(plan.extras):
                a[k, column], b[k, column] = self.node(first, plan), self.node(second, plan)
                g[k, column] = siemens
        return Extras(a, b, g)

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
        points._system = lambda member: self._system([plans[member]], own=True)[0]
        begin = points.start_from(start).copy()
        if len(plans) == 1 and start is not None and self._solve_near(points, start, begin):
            return points
        for members, own in self._groups(plans):
            chunks = [members[first : first + CHUNK] for first in range(0, len(members), CHUNK)]
            # the few that take long in each chunk are finished together, and so are chunks of one
            if len(chunks) == 1:
                self._solve_chunk(points, members, begin, own, self._memory(start, members))
                continue
            rest = np.concatenate([self._start_chunk(points, c, begin, own, self._memory(start, c)) for c in chunks])
            for first in range(0, len(rest), CHUNK):
                self._solve_chunk(points, rest[first : first + CHUNK], begin, own)
        return points

    def _solve_near(self, points: Points, start: Points, begin: Array) -> bool:
        """One variant, near where it starts: the short way, if it leads there."""
        if len(start.variants) != 1 or start.layout is not self.layout or start.status[0] != "ok":
            return False
        system, refused = self._system([points.plans[0]], own=True)
        memory = start.memory.copied() if start.memory is not None else self._memory(start, np.zeros(1, dtype=np.intp))
        if refused or memory is None:
            return False
        memory.carry_over()
        with np.errstate(all="ignore"):
            found = nearby(system, begin, np.zeros((self.layout.nodes, 1)), memory)
            if found is None or weakly_held(system, *found).any():
                return False
        points.put(np.zeros(1, dtype=np.intp), *found, np.ones(1, dtype=bool), [""])
        points.memory = memory
        return True

    def _memory(self, start: Points | None, members: Ints) -> Memory | None:
        """What the limiters would remember of the starting points: which elements stand on their slopes there."""
        if start is None or start.layout is not self.layout:
            return None
        columns = np.zeros(len(members), dtype=np.intp) if len(start.variants) == 1 else members
        # many members begin at the same point
        known: dict[int, int] = {}
        place = np.array([known.setdefault(id(start.plans[k]), len(known)) for k in columns], dtype=np.intp)
        columns = columns[np.unique(place, return_index=True)[1]]
        plans = [start.plans[k] for k in columns]
        theta, _ = self.theta(plans)
        moved = Corrections.of([self.moved(plan.moves) if plan.moves else None for plan in plans])
        system = System(self.structure(), theta, self.extras(plans), moved)
        memory = Memory(system)
        x = start._x.take(columns, axis=1)
        with np.errstate(all="ignore"):
            leak = np.where(weakly_held(system, x, evaluate(system, x, memory)), GMIN, 0.0)
        memory.carry_over()
        memory.leak = np.where(np.isfinite(x[: self.layout.nodes]), leak, GMIN).take(place, axis=1)
        if len(known) < len(place):
            memory.take(place)
        return memory

    def _start_chunk(self, points: Points, members: Ints, begin: Array, own: bool, memory: Memory | None) -> Ints:
        """Solve what converges soon; the members that are left, `begin` holding where they stand."""
        system, _ = self._system([points.plans[k] for k in members], own)
        x, ok = quick(system, begin.take(members, axis=1), FEW, memory)
        with np.errstate(all="ignore"):
            e = evaluate(system, x)
        points.put(members, x, e, ok, [""] * len(members))
        begin[:, members] = x
        return members[~ok]

    def _groups(self, plans: Sequence[Plan]) -> list[tuple[Ints, bool]]:
        """Members to solve together, and whether they share a structure of their own.

        A large set with the same pins moved (a meter's leads, mostly) is worth one; the others are solved together as
        corrections of the drawn structure.
        """
        by_moves: dict[tuple[tuple[int, int], ...], list[int]] = {}
        for k, plan in enumerate(plans):
            by_moves.setdefault(plan.moves, []).append(k)
        lone = len(by_moves) == 1
        own = [members for moves, members in by_moves.items() if not moves or lone or len(members) >= OWN_STRUCTURE]
        rest = [k for moves, members in by_moves.items() for k in members if moves and len(members) < OWN_STRUCTURE]
        # those with conductances of their own come last, so that only their chunks' elimination fills in for them
        groups = [(np.array(sorted(members, key=lambda k: len(plans[k].extras))), True) for members in own]
        if rest and not lone:
            groups.append((np.array(rest), False))
        return groups

    def spread(self, variant: Variant, nets: Sequence[str], n: int = 200, seed: int = 1) -> Spread:
        """What the parts' tolerances do to the nets: worst case, and n specimens (see `spread`)."""
        return spread(self, variant, nets, n, seed)

    def _system(self, plans: Sequence[Plan], own: bool) -> tuple[System, dict[int, str]]:
        theta, refused = self.theta(plans)
        extras = self.extras(plans)
        if own:
            system = System(self.structure(plans[0].moves), theta, extras)
        else:
            moved = Corrections.of([self.moved(plan.moves) if plan.moves else None for plan in plans])
            system = System(self.structure(), theta, extras, moved)
        system.plan = plan_for(system)
        return system, refused

    def moved(self, moves: tuple[tuple[int, int], ...]) -> Moved:
        """The corrections of the drawn structure for a set of moved terminals (kept)."""
        found = self._moved.get(moves)
        if found is None:
            if len(self._moved) > 5000:
                self._moved.clear()
            found = self._moved[moves] = Moved(self.structure(), dict(moves))
        return found

    def _solve_chunk(
        self, points: Points, members: Ints, begin: Array, own: bool, memory: Memory | None = None
    ) -> None:
        system, refused = self._system([points.plans[k] for k in members], own)
        x, ok, how = operating_point(system, begin.take(members, axis=1), memory)
        for column, why in refused.items():
            how[column] = why
        with np.errstate(all="ignore"):
            e = evaluate(system, x)
        points.put(members, x, e, ok, how)
