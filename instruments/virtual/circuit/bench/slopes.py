"""How unknown values move what is read, and how stiffly each net is held: first order, at a solved point.

At an operating point the currents balance, F(x, p) = 0. A value that moves by dp moves the unknowns by

    dx = -(dF/dx)^-1 (F(x, p + dp) - F(x, p))

so one row of the inverse a point and reading gives the effect of every value, where solving anew would take one
solution each; it comes from the solver's own elimination (newton.lifts). An element's
current depends on its own parameters only: at a fixed x, one value for every element is moved at once, and each
element's currents are told apart. dp is a small share of a standard deviation: a regulator whose volts were moved by a
whole one would be at its current limit before its output follows.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from types import MappingProxyType
from typing import Any, Final

import numpy as np

from wakeboard.instruments.virtual.circuit.solver.devices import Array, Mask
from wakeboard.instruments.virtual.circuit.solver.newton import evaluate, lifts, linearised, steps
from wakeboard.instruments.virtual.circuit.solver.points import Points
from wakeboard.instruments.virtual.circuit.solver.structure import Ints

from ..compiled.parameters import Parameters
from ..model import Model
from .parts import supply_name
from .strayed import Strayed, Strays, balanced
from .unknowns import Stray, Unknown

STEP: Final = 1e-4
"""Share of a standard deviation that a value is moved by."""
_NONE: Final[Mapping[str, object]] = MappingProxyType({})
_NO_CURRENTS: Final = np.zeros((0, 0))


class Slopes:
    """Slopes at some answers of one model, B of them. Answers kept since before its layout changed have none."""

    def __init__(
        self, model: Model, points: Points, strays: Sequence[Stray] = (), amounts: Array | None = None,
        start: Array | None = None,
    ) -> None:  # fmt: skip
        """amounts (B, S): so much of each stray flows in each answer, which is moved to where that balances. start (B,
        size): where that is looked for first, NaN for nowhere."""
        self._model = model
        self.layout = points.layout
        self.plans = points.plans
        self._x = np.array(points.solution.T)  # a copy: it is written to
        self.solved: Mask = np.asarray(np.isfinite(self._x).all(axis=1), dtype=bool)
        self._x[~self.solved] = 0.0
        self._system, _ = self._model.system(self.plans)
        self._linear = self._system
        """What the slopes are of: the equations, with the strays that flow as the conductances that they are here."""
        self.flows: Mask = np.zeros(len(self.plans), dtype=bool)
        """(B,) where the strays flow: not where no balance with them was found, which stays as it is without them."""
        if amounts is not None:
            strayed = Strayed.of(model, self.plans, self._system, Strays(self.layout, strays))
            self._balance(strayed, amounts, start)
            amounts[~self.flows] = 0.0
            self._linear = strayed.conducting(strayed.strays.amps(self._x, amounts)[1])
        self._overrides: dict[int, list[tuple[Mapping[str, object], Ints]]] = {}
        self._merged: dict[tuple[int, str], list[tuple[Mapping[str, object], Ints]]] = {}
        self._rows: dict[int, Ints] = {}
        with np.errstate(all="ignore"):
            at = evaluate(self._system, self._x, partials=True)
        self.partials, self._currents = np.where(np.isfinite(at.partials), at.partials, 0.0), at.currents
        """(B, Q) slopes of the elements' currents by their ports' volts; (B, C) these currents."""

    def _balance(self, strayed: Strayed, amounts: Array, start: Array | None) -> None:
        """From where a board much like each is in balance; who has none there, from where it is without strays."""
        if start is not None:
            self._moved_from(start, np.flatnonzero(np.isfinite(start).all(axis=1)), strayed, amounts)
        self._moved_from(self._x, np.flatnonzero(~self.flows), strayed, amounts)

    def _moved_from(self, begin: Array, some: Ints, strayed: Strayed, amounts: Array) -> None:
        """To where the strays flow, those of some answers for which that is found."""
        if not len(some):
            return
        moved = begin[some]
        found = balanced(strayed.take(some), moved, self._used(), amounts[some])
        self._x[some[found]] = moved[found]
        self.flows[some[found]] = True

    def _used(self) -> Ints:
        """The nodes but ground, without those that only other variants use (lifted pins)."""
        moved = [node for plan in self.plans for _, node in plan.moves]
        return np.setdiff1d(np.concatenate((self.layout.home, np.array(moved, dtype=np.intp))), [0])

    @property
    def unknowns(self) -> Array:
        """(B, size) volts by node, then what else was solved for."""
        return self._x

    def volts(self, net: str, members: Sequence[int]) -> Array:
        """(M,) volts of a net."""
        out: Array = self._x[list(members), self.layout.node[net]]
        return out

    def between(self, pairs: Sequence[tuple[str, str]]) -> Array:
        """(B, P) volts from the first net of each pair to the second."""
        first, second = ([self.layout.node[pair[end]] for pair in pairs] for end in (0, 1))
        out: Array = self._x[:, first] - self._x[:, second]
        return out

    def given(self, supply: str, members: Sequence[int]) -> Array:
        """(M,) A that a bench supply gives."""
        terminal = self.layout.terminal(supply_name(supply), "P")
        out = np.zeros(len(members))
        for ends, sign in ((self.layout.current_plus, -1.0), (self.layout.current_minus, 1.0)):
            out += sign * self._currents[np.array(members)[:, None], np.flatnonzero(ends == terminal)].sum(axis=1)
        return out

    def held_ohms(self, net: str, members: Sequence[int]) -> Array:
        """(M,) resistance that a net shows towards ground."""
        node = self.layout.node[net]
        out: Array = np.where(self.solved[list(members)], self.ohms_to(node, members)[:, node], np.nan)
        return out

    def ohms_to(self, node: int, members: Sequence[int]) -> Array:
        """(M, size) by how much a current into each node lifts one of them."""
        some = np.array(members, dtype=np.intp)
        ohms = lifts(self._linear, self.partials, some, node)
        lost = np.flatnonzero(~np.isfinite(ohms).all(axis=1))
        for k in lost.tolist():
            ohms[k] = self._pivoted(int(some[k]), node)
        return ohms

    def _pivoted(self, member: int, node: int) -> Array:
        """(size,) the same of one member, by least squares where it is singular."""
        one = self._linear.take(np.array([member]))
        whole = linearised(one, self._x[[member]])[1][0]
        jacobian = np.where(np.isfinite(whole), whole, 0.0)
        right = np.zeros(len(jacobian))
        right[node - 1] = 1.0
        found = np.linalg.lstsq(jacobian.T, right, rcond=None)[0]
        return np.concatenate((np.zeros(1), found)) if node else np.zeros(self.layout.size)

    def slopes_of_current(self, row: int) -> list[tuple[int, int, int]]:
        """(row of the partial, node above, node below) of every port whose volts an element's current depends on.

        For elements whose pins are where they are drawn, as those of the bench are.
        """
        block = next(b for b in reversed(self.layout.blocks) if b.currents <= row)
        output, element = divmod(row - block.currents, block.count)
        found = []
        for q, (of, port) in enumerate(block.device.partials):
            if of == output:
                at = block.ports + port * block.count + element
                place = (
                    int(self.layout.home[self.layout.port_plus[at]]),
                    int(self.layout.home[self.layout.port_minus[at]]),
                )
                found.append((block.partials + q * block.count + element, *place))
        return found

    def moved(self, unknowns: Sequence[Unknown]) -> Moved:
        """What one standard deviation of each does."""
        values = [u for u in unknowns if u.stray is None]
        found = iter(self._currents_moved(values))
        changed = [next(found) if u.stray is None else _NO_CURRENTS for u in unknowns]
        of, nodes, amps = (
            np.concatenate(pieces, axis=-1)
            for pieces in zip(self._strayed(unknowns), self._from_elements(unknowns, changed), strict=True)
        )
        order = np.argsort(of, kind="stable")
        first: Ints = np.searchsorted(of[order], np.arange(len(unknowns) + 1))
        return Moved(self, unknowns, nodes[:, order], amps[:, order], first, changed)

    def _strayed(self, unknowns: Sequence[Unknown]) -> tuple[Ints, Ints, Array]:
        """(E,) which unknown, (B, E) nodes, and A out of them, of both ends of each current beside what is drawn, at
        the volts of each member."""
        of = np.array([t for t, u in enumerate(unknowns) if u.stray is not None], dtype=np.intp)
        strays = Strays(self.layout, [u.stray for u in unknowns if u.stray is not None])
        amps, _ = strays.amps(self._x, np.ones((1, len(of))))
        nodes = np.broadcast_to(np.concatenate((strays.start, strays.end)), (len(self.plans), 2 * len(of)))
        return np.tile(of, 2), nodes, np.concatenate((amps, -amps), axis=1)

    def _from_elements(self, unknowns: Sequence[Unknown], changed: Sequence[Array]) -> tuple[Ints, Ints, Array]:
        """The same of every terminal of the parts' elements whose currents the values change, each (B, rows)."""
        own = [(t, np.flatnonzero(changed[t].any(axis=0))) for t, u in enumerate(unknowns) if u.stray is None]
        nothing = np.zeros(0, dtype=np.intp)
        of = np.concatenate((nothing, *(np.full(len(some), t) for t, some in own)))
        rows = np.concatenate((nothing, *(self.rows_of(unknowns[t])[some] for t, some in own)))
        amps = np.concatenate((np.zeros((len(self.plans), 0)), *(changed[t][:, some] for t, some in own)), axis=1)
        terminals = np.concatenate((self.layout.current_plus[rows], self.layout.current_minus[rows]))
        nodes = np.tile(self.layout.home[terminals], (len(self.plans), 1))
        for column in np.flatnonzero(np.isin(terminals, list(self._movers))).tolist():
            for member, node in self._movers[int(terminals[column])]:
                nodes[member, column] = node
        return np.tile(of, 2), nodes, np.concatenate((amps, -amps), axis=1)

    def rows_of(self, unknown: Unknown) -> Ints:
        """The rows of the currents of an unknown value's part (kept: a part may have many)."""
        return self._rows_of_part(self._model.part_index[unknown.part])

    def _rows_of_part(self, index: int) -> Ints:
        found = self._rows.get(index)
        if found is None:
            found = self._rows[index] = np.flatnonzero(self._part_of == index)
        return found

    @cached_property
    def _part_of(self) -> Array:
        return np.asarray(self.layout.current_part)

    @property
    def _movers(self) -> Mapping[int, list[tuple[int, int]]]:
        """Terminal -> (member, node) where it sits elsewhere."""
        if not hasattr(self, "_movers_kept"):
            found: dict[int, list[tuple[int, int]]] = {}
            for member, plan in enumerate(self.plans):
                for terminal, node in plan.moves:
                    found.setdefault(terminal, []).append((member, node))
            self._movers_kept = found
        return self._movers_kept

    def _currents_moved(self, unknowns: Sequence[Unknown]) -> list[Array]:
        """For each value the change (B, rows) of its part's element currents at the same x."""
        theta = self._system.parameters.expanded()
        moves = [self._moves(theta, u) if self._acts(u) else [] for u in unknowns]
        found = self._currents_at(theta, [self.rows_of(u) for u in unknowns], moves)
        return [np.where(np.isfinite(each / STEP), each / STEP, 0.0) for each in found]

    def set_to(self, values: Sequence[tuple[str, float]]) -> Iterator[Array]:
        """For each point, by how much (V, size) its unknowns would move where one value alone is set otherwise, if all
        stayed as linear as it is there. NaN or infinite where there is no telling."""
        theta = self._system.parameters.expanded()
        finds = [self._model.find_value(path) for path, _ in values]
        moves = [self._set(theta, index, tail, to) for (index, tail), (_, to) in zip(finds, values, strict=True)]
        rows = [self._rows_of_part(index) for index, _ in finds]
        changed = self._currents_at(theta, rows, moves)
        for member in range(len(self.plans)):
            right = np.zeros((len(values), self.layout.size))
            at = self._at(member)
            for k, (own, amps) in enumerate(zip(rows, changed, strict=True)):
                np.add.at(right[k], at[self.layout.current_plus[own]], -amps[member])
                np.add.at(right[k], at[self.layout.current_minus[own]], amps[member])
            yield steps(self._linear, self.partials, member, right)

    def _at(self, member: int) -> Ints:
        """The node of each terminal."""
        at = self.layout.home.copy()
        for terminal, node in self.plans[member].moves:
            at[terminal] = node
        return at

    def _set(self, theta: Array, index: int, tail: str, to: float) -> list[tuple[tuple[Ints, Ints], Array]]:
        """By how much (some) which parameters (members (M, 1), columns) are moved where one value is set."""
        rows = self.layout.part_rows[index]
        found: list[tuple[tuple[Ints, Ints], Array]] = []
        for overrides, members in self._overridden(index):
            by = self._model.parameters(index, {**overrides, tail: to}) - theta[members[0], rows]
            some = np.flatnonzero(by)
            if len(some):
                found.append(((members[:, None], rows[some]), by[some]))
        return found

    def _currents_at(
        self, theta: Array, rows: Sequence[Ints], moves: Sequence[Sequence[tuple[tuple[Ints, Ints], Array]]]
    ) -> list[Array]:
        """For each set of moved parameters the change (B, rows) of some element currents at the same x."""
        out: list[Array] = [np.zeros((len(self.plans), len(each))) for each in rows]
        touched = [self._touched(each) for each in moves]
        mark = np.zeros(int(self._elements[1].max(initial=-1)) + 1, dtype=bool)
        for together in _rounds(touched):
            kept = [(where, theta[where]) for t in together for where, _ in moves[t]]
            for t in together:
                for where, by in moves[t]:
                    theta[where] += by
            with np.errstate(all="ignore"):
                system = replace(self._system, parameters=Parameters.whole(theta))
                moved = evaluate(system, self._x).currents
            for where, before in kept:
                theta[where] = before
            for t in together:
                mark[touched[t]] = True
                own = np.flatnonzero(mark[self._elements[1][rows[t]]])
                mark[touched[t]] = False
                out[t][:, own] = moved[:, rows[t][own]] - self._currents[:, rows[t][own]]
        return out

    @cached_property
    def _elements(self) -> tuple[Ints, Ints]:
        """The number of the element that each parameter, and each current, is of."""
        of_parameter = np.zeros(self.layout.parameters, dtype=np.intp)
        of_current = np.zeros(self.layout.currents, dtype=np.intp)
        first = 0
        for block in self.layout.blocks:
            numbers = first + np.arange(block.count)
            for of, begin, times in (
                (of_parameter, block.parameters, len(block.device.parameters)),
                (of_current, block.currents, max(1, len(block.device.outputs))),
            ):
                of[begin : begin + times * block.count] = np.tile(numbers, times)
            first += block.count
        return of_parameter, of_current

    def _touched(self, moves: Sequence[tuple[tuple[Ints, Ints], Array]]) -> Ints:
        """The elements whose parameters are moved."""
        of_parameter, _ = self._elements
        rows = [of_parameter[columns] for (_, columns), _ in moves]
        return np.unique(np.concatenate(rows)) if rows else np.zeros(0, dtype=np.intp)

    def _acts(self, unknown: Unknown) -> bool:
        """Whether a value acts in any member at all: a pin's output resistance only where the pin is driven."""
        pin, _, tail = unknown.tail.rpartition(".")
        if tail != "ohms" or not pin:
            return True
        index, _ = self._model.find_value(unknown.path)
        own = self._model.circuit.parts[index].values.get("io", {}).get(pin, {}).get("drive", "off")
        return any(each.get(f"{pin}.drive", own) in ("high", "low") for each, _ in self._overridden(index))

    def _moves(self, theta: Array, unknown: Unknown) -> list[tuple[tuple[Ints, Ints], Array]]:
        """By how much (some) which parameters (members (M, 1), columns) are moved."""
        index, tail = self._model.find_value(unknown.path)
        rows = self.layout.part_rows[index]
        found: list[tuple[tuple[Ints, Ints], Array]] = []
        for overrides, members in self._alike(index, tail.rpartition(".")[0] + ".drive"):
            drawn = overrides.get(tail, unknown.drawn)
            moved = {**overrides, tail: float(drawn) * (1 + STEP * unknown.share)}
            by = self._model.parameters(index, moved) - theta[members[0], rows]
            some = np.flatnonzero(by)
            if len(some):
                found.append(((members[:, None], rows[some]), by[some]))
        return found

    def _alike(self, index: int, own: str) -> list[tuple[Mapping[str, Any], Ints]]:
        """The overrides of a part, and which members have them, but for what other pins than its `own` drive: that
        changes nothing in what a value does to its part's parameters. Kept, as a part has many values."""
        found = self._merged.get((index, own))
        if found is None:
            alike: dict[tuple[tuple[str, object], ...], tuple[Mapping[str, object], list[Ints]]] = {}
            for overrides, members in self._overridden(index):
                key = tuple((k, v) for k, v in overrides.items() if k == own or not k.endswith(".drive"))
                alike.setdefault(key, (overrides, []))[1].append(members)
            found = self._merged[index, own] = [(each, np.concatenate(some)) for each, some in alike.values()]
        return found

    def _overridden(self, index: int) -> list[tuple[Mapping[str, object], Ints]]:
        """The overrides of a part, and which members have them (kept: a part may have several toleranced values)."""
        found = self._overrides.get(index)
        if found is None:
            alike: dict[int, tuple[Mapping[str, object], list[int]]] = {}
            for member, plan in enumerate(self.plans):  # plans share their overrides
                overrides = plan.own.get(index) or plan.settings.get(index) or _NONE
                alike.setdefault(id(overrides), (overrides, []))[1].append(member)
            found = self._overrides[index] = [(each, np.array(members)) for each, members in alike.values()]
        return found


@dataclass(frozen=True)
class Moved:
    """What each of T unknowns does, by one standard deviation.

    places, amps (B, E): currents out of nodes, those of one unknown from first[t] to first[t + 1]; changed: by path,
    what a value does to the currents of its part's elements at the same volts.
    """

    slopes: Slopes
    unknowns: Sequence[Unknown]
    places: Ints
    amps: Array
    first: Ints
    changed: Sequence[Array]

    @cached_property
    def apart(self) -> Array:
        """(B, T) volts between the ends of each current beside what is drawn, without their sign; 0 for a value."""
        drawn = next(iter(self.slopes.layout.node))  # a value's two ends are one
        ends = [(u.stray.start, u.stray.end) if u.stray else (drawn, drawn) for u in self.unknowns]
        return np.abs(self.slopes.between(ends))

    def net(self, name: str, members: Sequence[int]) -> Array:
        """(M, T) volts."""
        return self._at(self.slopes.layout.node[name], members)

    def current(self, supply: str, members: Sequence[int]) -> Array:
        """(M, T) amperes that a bench supply gives."""
        s = self.slopes
        terminal = s.layout.terminal(supply_name(supply), "P")
        out = np.zeros((len(members), len(self.unknowns)))
        for row in np.flatnonzero((s.layout.current_plus == terminal) | (s.layout.current_minus == terminal)):
            sign = -1.0 if s.layout.current_plus[row] == terminal else 1.0
            for partial, plus, minus in s.slopes_of_current(int(row)):
                volts = self._at(plus, members) - self._at(minus, members)
                out += sign * s.partials[list(members), partial][:, None] * volts
            for t, unknown in enumerate(self.unknowns):
                if unknown.stray is None:
                    for e in np.flatnonzero(s.rows_of(unknown) == row):
                        out[:, t] += sign * self.changed[t][list(members), e]
        return np.where(np.isfinite(out), out, 0.0)

    def _at(self, node: int, members: Sequence[int]) -> Array:
        """(M, T) volts of a node; ground stays where it is."""
        if not node or not self.amps.size:
            return np.zeros((len(members), len(self.unknowns)))
        some = list(members)
        ohms = self.slopes.ohms_to(node, some)
        each = np.take_along_axis(ohms, self.places[some], axis=1) * self.amps[some]
        sums = np.concatenate((np.zeros((len(some), 1)), np.cumsum(each, axis=1)), axis=1)
        out: Array = sums[:, self.first[:-1]] - sums[:, self.first[1:]]
        return out


def _rounds(touched: Sequence[Ints]) -> list[list[int]]:
    """Those that touch elements, in rounds, each element once a round."""
    rounds: list[list[int]] = []
    seen: list[set[int]] = []
    for t, elements in enumerate(touched):
        own = set(elements.tolist())
        if not own:
            continue
        k = next((k for k, others in enumerate(seen) if own.isdisjoint(others)), len(rounds))
        if k == len(rounds):
            rounds.append([])
            seen.append(set())
        rounds[k].append(t)
        seen[k] |= own
    return rounds
