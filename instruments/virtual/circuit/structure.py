"""The layout of a circuit: which element sits where in the arrays, and the incidence of elements on nodes.

Row 0 of every node array is ground. Unknowns: the other nodes, then one branch current a voltage source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import scipy.sparse as sparse
from numpy.typing import NDArray

from .devices import DEVICES, SOURCE, Array, Device
from .draft import GROUND, Element
from .part import Circuit

if TYPE_CHECKING:
    from .elimination import Elimination

Ints = NDArray[np.intp]


@dataclass(frozen=True)
class Block:
    """Where the elements of one device lie: offsets of parameters, ports, currents and partials, and their count."""

    device: Device
    count: int
    parameters: int
    ports: int
    currents: int
    partials: int

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
        k_par = k_port = k_cur = k_der = 0
        for device in DEVICES:
            members = by_device[device.name]
            n = len(members)
            if not n:
                continue
            block = Block(device, n, k_par, k_port, k_cur, k_der)
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
        self.port_plus: Ints = np.array(plus, dtype=np.intp)
        self.port_minus: Ints = np.array(minus, dtype=np.intp)
        self.base: Array = np.concatenate(base) if base else np.zeros(0)
        self.parameters, self.ports, self.currents, self.partials = k_par, k_port, k_cur, k_der
        self.nodes = len(self.node_names)
        source = [b for b in self.blocks if b.device is SOURCE]
        self.branches = source[0].count if source else 0
        self.unknowns = self.nodes - 1 + self.branches
        # one row list a part: all its parameters in expansion order, so that a re-expansion is one assignment
        self.part_rows: list[Ints] = [
            np.concatenate([rows[e] for e in sorted(rows)]) if rows else np.zeros(0, dtype=np.intp)
            for rows in self.rows_of_part
        ]
        self.current_plus, self.current_minus = self._current_terminals()

    def _current_terminals(self) -> tuple[Ints, Ints]:
        rows: list[Ints] = []
        for block in self.blocks:
            for port in block.device.outputs or (0,):
                start = block.ports + port * block.count
                rows.append(np.arange(start, start + block.count))
        order = np.concatenate(rows) if rows else np.zeros(0, dtype=np.intp)
        return self.port_plus[order], self.port_minus[order]

    def block(self, device: Device) -> Block | None:
        return next((b for b in self.blocks if b.device is device), None)


class Structure:
    """The incidence of a layout when every terminal sits on a given node: a set of moved pins has its own."""

    def __init__(self, layout: Layout, moves: Mapping[int, int]) -> None:
        self.layout = layout
        at = layout.home.copy()
        for terminal, node in moves.items():
            at[terminal] = node
        self.at = at
        self.plus: Ints = at[layout.port_plus]
        self.minus: Ints = at[layout.port_minus]
        n, size = layout.nodes, layout.nodes + layout.branches
        self.size = size
        current_plus, current_minus = at[layout.current_plus], at[layout.current_minus]
        count = layout.currents
        columns = np.arange(count)
        ones = np.ones(count)
        self.to_nodes = sparse.csr_array(
            (np.concatenate([ones, -ones]), (np.concatenate([current_plus, current_minus]), np.tile(columns, 2))),
            shape=(n, count),
        )
        self.to_nodes_abs = sparse.csr_array(abs(self.to_nodes))
        self.dense_to_nodes = self.to_nodes.toarray() if n * count < 200_000 else None
        self._pattern(*self._stamps(at))
        self.plans: dict[frozenset[int], Elimination] = {}

    def _stamps(self, at: Ints) -> tuple[Ints, Ints, Ints, Array]:
        """Row, column, partial and sign of every contribution to the Jacobian, terminals sitting at `at`."""
        layout = self.layout
        plus, minus = at[layout.port_plus], at[layout.port_minus]
        out: list[tuple[Ints, Ints, Ints, Array]] = []

        def put(rows: Ints, cols: Ints, partial: Ints, s: float) -> None:
            out.append((rows, cols, partial, np.full(len(rows), s)))

        for b in layout.blocks:
            count = np.arange(b.count)
            if b.device is SOURCE:
                p, m = plus[b.ports + count], minus[b.ports + count]
                branch = layout.nodes + count
                one, gain, ohms = (b.partials + k * b.count + count for k in range(3))
                put(p, branch, one, 1.0)
                put(m, branch, one, -1.0)
                put(branch, p, gain, 1.0)
                put(branch, m, gain, -1.0)
                put(branch, branch, ohms, -1.0)
                continue
            for q, (output, port) in enumerate(b.device.partials):
                o = b.ports + b.device.outputs[output] * b.count + count
                i = b.ports + port * b.count + count
                d = b.partials + q * b.count + count
                for r, sr in ((plus[o], 1.0), (minus[o], -1.0)):
                    put(r, plus[i], d, sr)
                    put(r, minus[i], d, -sr)
        row, col, der, sign = (np.concatenate(list(part)) for part in zip(*out, strict=True))
        return row, col, der, sign

    def _pattern(self, row: Ints, col: Ints, der: Ints, sign: Array) -> None:
        """Group the contributions by matrix entry; ground's row and column fall away, every diagonal is present."""
        keep = (row > 0) & (col > 0)
        row, col, der, sign = row[keep] - 1, col[keep] - 1, der[keep], sign[keep]
        unknowns = self.size - 1
        diagonal = np.arange(unknowns)
        flat = np.concatenate([row * unknowns + col, diagonal * (unknowns + 1)])
        self.entries, where = np.unique(flat, return_inverse=True)
        self.entry_row, self.entry_col = self.entries // unknowns, self.entries % unknowns
        self.diagonal: Ints = np.searchsorted(self.entries, diagonal * (unknowns + 1))
        place = where[: len(row)]
        matrix = sparse.csr_array((sign, (place, der)), shape=(len(self.entries), self.layout.partials))
        matrix.sum_duplicates()
        matrix.eliminate_zeros()
        self.to_entries = matrix
        coo = matrix.tocoo()
        self.entry_of = self.entries[coo.row]
        self.partial_of = coo.col
        self.entry_sign = coo.data


class Moved:
    """What changes in a structure's incidence when some of its terminals sit elsewhere: small lists of corrections.

    Ports and currents: row, sign, node before, node after. Jacobian: row, column, partial and sign of the stamps that
    come (and, with the sign turned, of those that go), ground left out.
    """

    def __init__(self, structure: Structure, moves: Mapping[int, int]) -> None:
        layout = structure.layout
        at = structure.at.copy()
        for terminal, node in moves.items():
            at[terminal] = node
        self.port = _changes(layout.port_plus, layout.port_minus, structure.at, at)
        self.current = _changes(layout.current_plus, layout.current_minus, structure.at, at)
        old, new = structure._stamps(structure.at), structure._stamps(at)
        differ = (old[0] != new[0]) | (old[1] != new[1])
        row = np.concatenate([old[0][differ], new[0][differ]])
        col = np.concatenate([old[1][differ], new[1][differ]])
        sign = np.concatenate([-old[3][differ], new[3][differ]])
        partial = np.concatenate([old[2][differ], new[2][differ]])
        keep = (row > 0) & (col > 0)
        self.stamp = (row[keep] - 1, col[keep] - 1, partial[keep], sign[keep])


def _changes(plus: Ints, minus: Ints, before: Ints, after: Ints) -> tuple[Ints, Array, Ints, Ints]:
    rows: list[Ints] = []
    signs: list[Array] = []
    old: list[Ints] = []
    new: list[Ints] = []
    for terminals, sign in ((plus, 1.0), (minus, -1.0)):
        changed = np.flatnonzero(before[terminals] != after[terminals])
        rows.append(changed)
        signs.append(np.full(len(changed), sign))
        old.append(before[terminals[changed]])
        new.append(after[terminals[changed]])
    return np.concatenate(rows), np.concatenate(signs), np.concatenate(old), np.concatenate(new)


@dataclass
class Corrections:
    """The corrections of a whole batch: each list with the member (column) that it belongs to."""

    port: tuple[Ints, Array, Ints, Ints, Ints]
    current: tuple[Ints, Array, Ints, Ints, Ints]
    stamp: tuple[Ints, Ints, Ints, Array, Ints]

    @classmethod
    def of(cls, moved: Sequence[Moved | None]) -> Corrections | None:
        """Of a batch, one entry a member (None where nothing is moved)."""
        some = [(k, m) for k, m in enumerate(moved) if m is not None]
        if not some:
            return None

        def gather(name: str) -> Any:
            lists = [getattr(m, name) for _, m in some]
            member = np.concatenate(
                [np.full(len(each[0]), k, dtype=np.intp) for (k, _), each in zip(some, lists, strict=True)]
            )
            return (*(np.concatenate(column) for column in zip(*lists, strict=True)), member)

        return cls(gather("port"), gather("current"), gather("stamp"))

    def take(self, members: Ints, batch: int) -> Corrections:
        """Of the members that stay, renumbered."""
        where = np.full(batch, -1, dtype=np.intp)
        where[members] = np.arange(len(members))

        def kept(each: Any) -> Any:
            keep = where[each[4]] >= 0
            return (*(column[keep] for column in each[:4]), where[each[4][keep]])

        return Corrections(kept(self.port), kept(self.current), kept(self.stamp))
