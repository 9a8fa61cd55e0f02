"""A compiled circuit: variants solved in batches.

Variants that differ in parts' values alone share one wiring; each set of moved pins and of bridges has a wiring of its
own, kept.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

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
    """A circuit that differs: faults, values ("PART.value" or "PART.PIN.value"), a specimen's draw, moved pins.

    under: values that many variants have in common, best as one object; `values` hold over them.
    """

    faults: tuple[Fault, ...] = ()
    values: Mapping[str, Value] = field(default_factory=dict)
    seed: int | None = None
    moves: Mapping[str, str] = field(default_factory=dict)
    under: Mapping[str, Value] | None = None


Overrides = dict[int, dict[str, Value]]


@dataclass
class Plan:
    """A variant in terms of the layout: overrides a part, moved terminals, extra conductances between places.

    settings: the overrides that many variants have in common, by seed and values; own: those of parts that differ from
    these beside, whole.
    """

    settings: Overrides
    own: Overrides
    moves: tuple[tuple[int, int], ...]
    extras: tuple[tuple[Place, Place, float], ...]

    @property
    def overrides(self) -> Overrides:
        """Of every part that differs."""
        return {**self.settings, **self.own} if self.own else self.settings


Beside = tuple[tuple[tuple[int, int], ...], Array]
"""Pairs of nodes, and S (B, pairs) between them."""

FEW: Final = 8
"""Parts in which settings differ from others, up to which they have no row of all parameters of their own."""


def _rows_of(settings: Sequence[Overrides], most: int = FEW) -> tuple[Ints, list[Overrides], dict[int, Overrides]]:
    """(B,) which row each member's settings have; these rows' settings; and by id, of settings that share the first row
    for all but a few parts (at `most`), what they have in these."""
    counts: dict[int, list[int]] = {}
    for member, each in enumerate(settings):
        counts.setdefault(id(each), []).append(member)
    ordered = sorted(counts.values(), key=lambda members: -len(members))  # the most frequent first; stable
    row = np.zeros(len(settings), dtype=np.intp)
    rows: list[Overrides] = []
    few: dict[int, Overrides] = {}
    for members in ordered:
        own = settings[members[0]]
        differ = _apart(rows[0], own) if rows else None
        if differ is not None and len(differ) <= most:
            few[id(own)] = differ
            continue
        row[members] = len(rows)
        rows.append(own)
    return row, rows, few


def _apart(first: Overrides, second: Overrides) -> Overrides:
    """What the second has where it differs from the first; equal overrides are the same objects."""
    found = {index: each for index, each in second.items() if first.get(index) is not each}
    found.update(dict.fromkeys(first.keys() - second.keys(), _DRAWN))
    return found


_DRAWN: Final[dict[str, Value]] = {}

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
        self._known: list[dict[tuple[object, ...], list[Element]]] = [{} for _ in circuit.parts]
        self._effects: dict[Fault, Effects] = {}
        self._effects_of: dict[int, tuple[Fault, Effects]] = {}
        self._expanded: dict[tuple[object, ...], Array] = {}
        self._set: dict[tuple[object, ...], Overrides] = {}
        self._same: dict[tuple[object, ...], dict[str, Value]] = {}
        self._laid: dict[tuple[object, ...], tuple[object, object, tuple[Overrides, Overrides]]] = {}
        self._paths: dict[str, tuple[int, str]] = {}
        self.roaming: tuple[str, ...] = ()
        """Parts of the bench whose leads go from net to net: their places share one plan of elimination."""
        self._leads_of: tuple[Layout, frozenset[int]] | None = None
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
        draft = Draft(part, overrides, self._defaults[index], known=self._known[index])
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
        settings, over = self._layers(variant)
        if not variant.faults:
            return Plan(settings, over, self._moves(variant.moves), ())
        own: Overrides = dict(over)
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

    def _layers(self, variant: Variant) -> tuple[Overrides, Overrides]:
        """Overrides a part that many variants have in common, and those of the parts that this one sets over these."""
        if variant.under is None:
            return self._settings(variant.seed, variant.values), {}
        # by identity first: the same objects come back in every state, and hashing them costs more than this
        key = (id(variant.under), id(variant.values), variant.seed)
        known = self._laid.get(key)
        if known is not None and known[0] is variant.under and known[1] is variant.values:
            return known[2]
        settings = self._settings(variant.seed, variant.under)
        over: Overrides = {}
        for path, value in variant.values.items():
            index, tail = self.find_value(path)
            if index not in over:
                over[index] = dict(settings.get(index, {}))
            over[index][tail] = value
        if len(self._laid) > 20_000:
            self._laid.clear()
        found = settings, self._alike(over)
        self._laid[key] = variant.under, variant.values, found
        return found

    def _settings(self, seed: int | None, values: Mapping[str, Value]) -> Overrides:
        """Overrides a part by a seed and values; many variants of a batch have the same (kept)."""
        key = (seed, *values.items())
        found = self._set.get(key)
        if found is None:
            found = {}
            if seed is not None:
                for k, part in enumerate(self.circuit.parts):
                    if part.tolerance or part.bounds:
                        found[k] = dict(specimen(part, seed))
            for path, value in values.items():
                index, tail = self.find_value(path)
                found.setdefault(index, {})[tail] = value
            if len(self._set) > 20_000:
                self._set.clear()
                self._same.clear()
                self._laid.clear()
            self._set[key] = found = self._alike(found)
        return found

    def _alike(self, found: Overrides) -> Overrides:
        """With overrides of a part shared between those that have the same, to be laid out together."""
        for index, overrides in found.items():
            found[index] = self._same.setdefault((index, *overrides.items()), overrides)
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
        settings = [plan.settings for plan in plans]
        row, kept, few = _rows_of(settings)
        rows, why = self._whole_rows(kept)
        if few and 0 in why:  # what shares a row with one that no part can have may itself be sound
            row, kept, few = _rows_of(settings, most=-1)
            rows, why = self._whole_rows(kept)
        refused = {member: why[k] for member, k in enumerate(row.tolist()) if k in why} if why else {}
        differ = [{**some, **p.own} if (some := few.get(id(p.settings))) else p.own for p in plans]
        own = []
        for members, columns, values in self._changes(differ, refused):
            other = (rows[:, columns] != values).any(axis=0)
            own.append((members, columns[other], values[other]))
        if refused:
            own.append((list(refused), np.arange(rows.shape[1]), np.full(rows.shape[1], np.nan)))
        return Parameters.shared(rows, row, own), refused

    def _whole_rows(self, kept: Sequence[Overrides]) -> tuple[Array, dict[int, str]]:
        """All parameters, a row for each of these settings, and by row why no part can have them."""
        rows = np.empty((len(kept), len(self.layout.base)))
        rows[...] = self.layout.base
        why: dict[int, str] = {}
        for members, columns, values in self._changes(kept, why):
            rows[np.array(members)[:, None], columns] = values
        return rows, why

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

    def groups(self, plans: Sequence[Plan], beside: Beside | None = None) -> tuple[list[tuple[Wiring, Ints]], Array]:
        """Members by wiring, and the siemens (B, E) of their extra conductances; `beside`: more of these."""
        most = max((len(plan.extras) for plan in plans), default=0)
        more, amounts = beside if beside is not None else ((), np.zeros((len(plans), 0)))
        siemens = np.zeros((len(plans), most + len(more)))
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
            if more:
                siemens[same, len(between) : len(between) + len(more)] = amounts[same]
            found.setdefault((plan.moves, between), []).extend(same)
        groups = []
        for members in found.values():
            plan = plans[members[0]]
            pairs = tuple((self.node(first, plan), self.node(second, plan)) for first, second, _ in plan.extras)
            groups.append((self._wiring(plan.moves, (*pairs, *more)), np.array(members, dtype=np.intp)))
        return groups, siemens

    def _wiring(self, moves: tuple[tuple[int, int], ...], pairs: tuple[tuple[int, int], ...]) -> Wiring:
        leads = self._leads
        placed = [move for move in moves if move[0] in leads] if leads else []
        if not placed:
            return self.structure(moves).wiring(pairs)
        own = tuple([move for move in moves if move[0] not in leads])
        return self.structure(own).placed(placed, pairs)[1]

    @property
    def _leads(self) -> frozenset[int]:
        """The terminals of what roams."""
        if self._leads_of is None or self._leads_of[0] is not self.layout:
            parts = [self.circuit.part(name) for name in self.roaming]
            found = frozenset(self.layout.terminal(part.name, pin) for part in parts for pin in part.pins)
            self._leads_of = self.layout, found
        return self._leads_of[1]

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

    def system(self, plans: Sequence[Plan], beside: Beside | None = None) -> tuple[System, dict[int, str]]:
        """The equations of a batch, and why a member has none. beside: conductances in all members, beside what each
        has."""
        parameters, refused = self.parameters_of(plans)
        groups, siemens = self.groups(plans, beside)
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
