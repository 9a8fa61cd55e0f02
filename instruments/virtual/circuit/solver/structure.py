"""The layout of a circuit: which element sits where in the arrays, and the incidence of elements on nodes.

Row 0 of every node array is ground. Unknowns: the other nodes, then one branch current a voltage source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from wakeboard.instruments.virtual.circuit.compiled.elements import Blocks
from wakeboard.instruments.virtual.circuit.compiled.elimination import Plan, least_first, planned
from wakeboard.instruments.virtual.circuit.compiled.iteration import Wiring
from wakeboard.instruments.virtual.circuit.draft import GROUND, Element
from wakeboard.instruments.virtual.circuit.part import Circuit
from wakeboard.instruments.virtual.circuit.solver.devices import CONVERTER, DEVICES, SOURCE, VALVE, Array, Device, Mask

Ints = NDArray[np.intp]
MOST_KEPT = 5000  # wirings of one structure, some 40 kB each
MOST_PLACED = 1000  # places of a bench's leads on the drawn board, some 20 kB each


@dataclass(frozen=True)
class Block:
    """Where the elements of one device lie: offsets of parameters, ports, currents, partials, memory; their count."""

    device: Device
    count: int
    parameters: int
    ports: int
    currents: int
    partials: int
    memory: int

    def parameter_rows(self, element: int) -> Ints:
        return self.parameters + np.arange(len(self.device.parameters)) * self.count + element


class Layout:
    """Elements of all parts in memory order; what no variant of the circuit changes."""

    def __init__(
        self,
        circuit: Circuit,
        expansions: Sequence[tuple[Sequence[Element], Sequence[str]]],
        lifted: Sequence[str] = (),
    ) -> None:
        """expansions: elements and inner nodes of each part; lifted: nodes for pins taken off their nets."""
        self.circuit = circuit
        self.node_names: list[str] = list(circuit.nets)
        self.terminals: list[tuple[str, str]] = [("", GROUND)]
        self._terminal: dict[tuple[str, str], int] = {("", GROUND): 0}
        home: list[int] = [0]
        index = {net: k for k, net in enumerate(self.node_names)}
        for part, (_, inner) in zip(circuit.parts, expansions, strict=True):
            for pin, net in part.pins.items():
                self._new_terminal(part.name, pin)
                home.append(index[net])
            for name in inner:
                self._new_terminal(part.name, name)
                self.node_names.append(f"{part.name}:{name}")
                home.append(len(self.node_names) - 1)
        self.node_names += lifted
        self.home: Ints = np.array(home, dtype=np.intp)
        self.node: dict[str, int] = {name: k for k, name in enumerate(self.node_names)}
        self._place(circuit, expansions)

    def _new_terminal(self, part: str, pin: str) -> None:
        self._terminal[part, pin] = len(self.terminals)
        self.terminals.append((part, pin))

    def terminal(self, part: str, pin: str) -> int:
        return 0 if pin == GROUND else self._terminal[part, pin]

    def _place(self, circuit: Circuit, expansions: Sequence[tuple[Sequence[Element], Sequence[str]]]) -> None:
        by_device: dict[str, list[tuple[int, int, Element]]] = {device.name: [] for device in DEVICES}
        for p, (elements, _) in enumerate(expansions):
            for e, element in enumerate(elements):
                by_device[element.device.name].append((p, e, element))
        self.blocks: list[Block] = []
        self.rows_of_part: list[dict[int, Ints]] = [{} for _ in circuit.parts]
        self.current_part: list[int] = []
        plus: list[int] = []
        minus: list[int] = []
        base: list[Array] = []
        k_par = k_port = k_cur = k_der = k_mem = 0
        for device in DEVICES:
            members = by_device[device.name]
            n = len(members)
            if not n:
                continue
            block = Block(device, n, k_par, k_port, k_cur, k_der, k_mem)
            self.blocks.append(block)
            names = [circuit.parts[p].name for p, _, _ in members]
            for port in range(device.ports):
                plus += [self.terminal(name, m[2].ports[port][0]) for name, m in zip(names, members, strict=True)]
                minus += [self.terminal(name, m[2].ports[port][1]) for name, m in zip(names, members, strict=True)]
            base.append(np.array([m[2].values for m in members]).T.ravel())
            for j, (p, e, _) in enumerate(members):
                self.rows_of_part[p][e] = block.parameter_rows(j)
            for _ in device.outputs or (0,):
                self.current_part += [p for p, _, _ in members]
            k_par += n * len(device.parameters)
            k_port += n * device.ports
            k_cur += n * max(1, len(device.outputs))
            k_der += n * (3 if device is SOURCE else len(device.partials))
            k_mem += n * device.memory
        self.port_plus: Ints = np.array(plus, dtype=np.intp)
        self.port_minus: Ints = np.array(minus, dtype=np.intp)
        self.base: Array = np.concatenate(base) if base else np.zeros(0)
        self.parameters, self.ports, self.currents, self.partials, self.memory = k_par, k_port, k_cur, k_der, k_mem
        self.nodes = len(self.node_names)
        source = [b for b in self.blocks if b.device is SOURCE]
        self.branches = source[0].count if source else 0
        self.unknowns = self.nodes - 1 + self.branches
        self.size = self.nodes + self.branches
        # one row list a part: all its parameters in expansion order, so that a re-expansion is one assignment
        self.part_rows: list[Ints] = [
            np.concatenate([rows[e] for e in sorted(rows)]) if rows else np.zeros(0, dtype=np.intp)
            for rows in self.rows_of_part
        ]
        self.current_port = self._rows_of([(b, port) for b in self.blocks for port in b.device.outputs or (0,)])
        self.current_plus = self.port_plus[self.current_port]
        self.current_minus = self.port_minus[self.current_port]
        self._ends: dict[int, tuple[Ints, ...]] = {}
        self._touched: dict[tuple[int, ...], tuple[Ints, Ints, Mask]] = {}

    @staticmethod
    def _rows_of(ports: Sequence[tuple[Block, int]]) -> Ints:
        """The port numbers of all elements of each (block, port) in turn."""
        rows = [b.ports + port * b.count + np.arange(b.count) for b, port in ports]
        return np.concatenate(rows) if rows else np.zeros(0, dtype=np.intp)

    def into(self, terminal: int, currents: Array) -> Array:
        """A into a part through a terminal, of its elements' currents (C,) or (C, B)."""
        ends = self._ends.get(terminal)
        if ends is None:
            ends = tuple(np.flatnonzero(at == terminal) for at in (self.current_plus, self.current_minus))
            self._ends[terminal] = ends
        plus, minus = ends
        total: Array = currents[plus].sum(axis=0) - currents[minus].sum(axis=0)
        return total

    @cached_property
    def slopes(self) -> list[slice]:
        """Where the memory of limiters that have a slope stands."""
        blocks = [block for device in (VALVE, CONVERTER) if (block := self.block(device)) is not None]
        return [slice(block.memory, block.memory + block.count) for block in blocks]

    @cached_property
    def compiled(self) -> Blocks:
        """The layout as the compiled equations take it."""
        by_code = [self.block(device) for device in DEVICES]

        def column(name: str) -> Ints:
            return np.array([getattr(b, name) if b is not None else 0 for b in by_code], dtype=np.intp)

        slopes = [(b, output, port) for b in self.blocks for output, port in b.device.partials]
        return Blocks(
            column("count"),
            column("parameters"),
            column("ports"),
            column("currents"),
            column("partials"),
            column("memory"),
            self._rows_of([(b, b.device.outputs[output]) for b, output, _ in slopes]).astype(np.uint32),
            self._rows_of([(b, port) for b, _, port in slopes]).astype(np.uint32),
            self.current_port.astype(np.uint32),
            self.nodes,
            self.branches,
        )

    @cached_property
    def order(self) -> Order:
        """The order of elimination that the drawn circuit asks for."""
        return Order.of(self, self.home[self.port_plus], self.home[self.port_minus])

    def block(self, device: Device) -> Block | None:
        return next((b for b in self.blocks if b.device is device), None)

    @cached_property
    def source_ends(self) -> frozenset[int]:
        """The terminals of the ideal voltage sources."""
        sources = self.sources
        return frozenset((*self.port_plus[sources].tolist(), *self.port_minus[sources].tolist()))

    def touched(self, terminals: tuple[int, ...]) -> tuple[Ints, Ints, Mask]:
        """The partials (n,) of elements at any of these terminals; the four terminals (n, 4) of each, of the current's
        path and of the volts that it is taken by; and which (Q,) they are (kept)."""
        found = self._touched.get(terminals)
        if found is None:
            ports = np.isin(self.port_plus, terminals) | np.isin(self.port_minus, terminals)
            marks: Mask = ports[self.compiled.slope_of] | ports[self.compiled.slope_by]
            of, by = self.compiled.slope_of[marks], self.compiled.slope_by[marks]
            ends = (self.port_plus[of], self.port_minus[of], self.port_plus[by], self.port_minus[by])
            found = self._touched[terminals] = np.flatnonzero(marks), np.stack(ends, axis=1), marks
        return found

    @property
    def sources(self) -> slice:
        """The port numbers of the ideal voltage sources."""
        block = self.block(SOURCE)
        return slice(block.ports, block.ports + block.count) if block else slice(0, 0)


@dataclass(frozen=True)
class Order:
    """How the unknowns are eliminated.

    unknowns: all but ground in turn; owner: (S,) the node that each ideal source sets, 0 where it closes a loop; seat:
    (size,) the unknown in whose row each equation stands: a source's equation in its node's, and that node's sum of
    currents in the row of the source's current.
    """

    unknowns: Ints
    owner: Ints
    seat: Ints

    @classmethod
    def of(cls, layout: Layout, plus: Ints, minus: Ints) -> Order:
        """The order of least degree for ports at these nodes (plus, minus)."""
        ends = list(zip(plus[layout.sources].tolist(), minus[layout.sources].tolist(), strict=True))
        owner, other = _owners(ends)
        seat = np.arange(layout.size)
        wait, after = np.zeros(layout.size, dtype=np.intp), np.zeros(layout.size, dtype=np.intp)
        for j, (own, end) in enumerate(zip(owner, other, strict=True)):
            branch = layout.nodes + j
            if own:
                seat[own], seat[branch] = branch, own
                after[branch], after[own] = own, end
                wait[own] += 1
                wait[end] += 1
        unknowns = np.asarray(least_first(_touch(layout, plus, minus, seat, ends), wait, after), dtype=np.intp)
        return cls(unknowns, np.array(owner, dtype=np.intp), seat)


def _touch(layout: Layout, plus: Ints, minus: Ints, seat: Ints, ends: Sequence[tuple[int, int]]) -> Mask:
    """Which unknowns (size, size) meet in an equation, by the unknown in whose row it stands."""
    touch = np.zeros((layout.size, layout.size), dtype=bool)
    of, by = layout.compiled.slope_of, layout.compiled.slope_by
    for a in (plus, minus):
        for b in (plus, minus):
            touch[seat[a[of]], b[by]] = True
    touch[seat, np.arange(layout.size)] = True
    for j, pair in enumerate(ends, layout.nodes):
        touch[seat[j], j] = True
        for end in pair:
            touch[seat[end], j] = touch[seat[j], end] = True
    return touch | touch.T


def _owners(ends: Sequence[tuple[int, int]]) -> tuple[list[int], list[int]]:
    """The node that each source sets, the farther one from ground, and its other end; 0, 0 where it closes a loop."""
    around: dict[int, list[tuple[int, int]]] = {}
    for j, (a, b) in enumerate(ends):
        around.setdefault(a, []).append((j, b))
        around.setdefault(b, []).append((j, a))
    owner, other = [0] * len(ends), [0] * len(ends)
    seen: set[int] = set()
    for root in (0, *around):
        if root in seen:
            continue
        seen.add(root)
        reached = [root]
        for node in reached:
            for j, far in around.get(node, ()):
                if far not in seen:
                    seen.add(far)
                    reached.append(far)
                    owner[j], other[j] = far, node
    return owner, other


class Structure:
    """Where every terminal sits: a set of moved pins has its own."""

    def __init__(self, layout: Layout, moves: Mapping[int, int]) -> None:
        self.layout = layout
        at = layout.home.copy()
        for terminal, node in moves.items():
            at[terminal] = node
        self.at = at
        self.plus: Ints = at[layout.port_plus]
        self.minus: Ints = at[layout.port_minus]
        self._wirings: dict[tuple[tuple[int, int], ...], Wiring] = {}
        self._as_drawn = not moves
        self._placed: dict[tuple[tuple[int, int], ...], tuple[Ints, Wiring]] = {}
        as_drawn = layout.source_ends.isdisjoint(moves)
        self._order = layout.order if as_drawn else Order.of(layout, self.plus, self.minus)

    @cached_property
    def used(self) -> Ints:
        """Nodes that a terminal sits on: not those for pins that other variants lift."""
        return np.unique(self.at)

    def wiring(self, pairs: tuple[tuple[int, int], ...] = ()) -> Wiring:
        """For the compiled solver, with further conductances between pairs of nodes (kept)."""
        found = self._wirings.get(pairs)
        if found is None:
            if len(self._wirings) > MOST_KEPT:
                self._wirings.clear()
            first, second = np.array(pairs, dtype=np.uint32).reshape(-1, 2).T.copy()
            # unsigned: the compiled code need not look for indices that count from the end
            plus, minus = self.plus.astype(np.uint32), self.minus.astype(np.uint32)
            blocks, order = self.layout.compiled, self._order
            plan = planned(
                order.unknowns, order.seat, order.owner, self.layout.sources.start, plus, minus, blocks.slope_of,
                blocks.slope_by, first, second,
            )  # fmt: skip
            found = self._wirings[pairs] = Wiring(plus, minus, plan, first, second)
        return found

    def placed(self, moves: Sequence[tuple[int, int]], pairs: tuple[tuple[int, int], ...] = ()) -> tuple[Ints, Wiring]:
        """(node of each terminal, wiring) with further terminals moved: of a bench's leads and resistors, which go from
        net to net by the hundred (those of the drawn board are kept). Where they pass current to ground only, the
        pattern is the one here and the plan this one's but for what they add to it."""
        if not self._as_drawn or pairs:  # of each lifted pin and each bridge all places would take more room than time
            return self._place(moves, pairs)
        key = tuple(moves)
        found = self._placed.get(key)
        if found is None:
            if len(self._placed) > MOST_PLACED:
                self._placed.clear()
            found = self._placed[key] = self._place(moves, pairs)
        return found

    def _place(self, moves: Sequence[tuple[int, int]], pairs: tuple[tuple[int, int], ...]) -> tuple[Ints, Wiring]:
        at = self.at.copy()
        for terminal, node in moves:
            at[terminal] = node
        plan = self._restamped(at, tuple(terminal for terminal, _ in moves), self.wiring(pairs))
        if plan is None:
            own = {int(k): int(at[k]) for k in np.flatnonzero(at != self.layout.home)}
            return at, Structure(self.layout, own).wiring(pairs)
        plus, minus = (at[ports].astype(np.uint32) for ports in (self.layout.port_plus, self.layout.port_minus))
        return at, Wiring(plus, minus, plan, *self.wiring(pairs)[3:])

    def _restamped(self, at: Ints, terminals: tuple[int, ...], wiring: Wiring) -> Plan | None:
        """The plan of a wiring with what stands at some terminals added where these are now; None where that has no
        place in it."""
        layout, plan = self.layout, wiring.plan
        if not layout.source_ends.isdisjoint(terminals):
            return None
        slopes, ends, marks = layout.touched(terminals)
        slots: list[int] = []
        partials: list[int] = []
        signs: list[float] = []
        for q, (a, b, c, d) in zip(slopes.tolist(), at[ends].tolist(), strict=True):
            if a == b or c == d:
                continue
            node = a or b
            if (a and b) or (c and d) or (c or d) != node:
                return None
            signs.append(1.0 if a == c else -1.0)
            slots.append(int(plan.held[node]))
            partials.append(q)
        keep = ~marks[plan.stamp_partial]
        return plan._replace(
            stamp_slot=np.concatenate((plan.stamp_slot[keep], np.array(slots, dtype=np.uint32))),
            stamp_partial=np.concatenate((plan.stamp_partial[keep], np.array(partials, dtype=np.uint32))),
            stamp_sign=np.concatenate((plan.stamp_sign[keep], np.array(signs))),
        )
