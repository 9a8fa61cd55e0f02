"""Sparse elimination of a whole batch at once.

All members of a batch share one pattern, so the order of elimination and every fill-in are worked out once (least
degree first); each step then runs over the batch in numpy. A board's matrix is so sparse that this beats a dense LAPACK
solve of each member several times over. There is no pivoting: whoever calls checks what comes out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sparse

from .devices import Array
from .structure import Ints, Structure


@dataclass(frozen=True)
class _Pivot:
    """One elimination step: its unknown, where its diagonal, column and row lie, and what it updates."""

    unknown: int
    diagonal: int
    rows: Ints
    column: Ints
    columns: Ints
    row: Ints
    targets: Ints


class Elimination:
    """The plan for a structure without branch unknowns; `more` are entries (row·n + column) that some member adds."""

    def __init__(self, structure: Structure, more: Sequence[int] = ()) -> None:
        n = structure.size - 1
        self.unknowns = n
        added = np.array(sorted(more), dtype=np.intp)
        rows = np.concatenate([structure.entry_row, added // n])
        cols = np.concatenate([structure.entry_col, added % n])
        order, around = _least_degree(n, rows, cols)
        place = {}
        for k, unknown in enumerate(order):
            place[unknown] = k
        entries: dict[tuple[int, int], int] = {}
        for unknown in order:
            later = around[unknown]
            for pair in [(unknown, unknown), *((unknown, m) for m in later), *((m, unknown) for m in later)]:
                entries.setdefault(pair, len(entries))
        self.count = len(entries)
        self.where = np.full((n, n), -1, dtype=np.intp)
        for (r, c), k in entries.items():
            self.where[r, c] = k
        self.pivots = [self._pivot(unknown, sorted(around[unknown], key=place.__getitem__)) for unknown in order]
        moved = self.where[structure.entry_row, structure.entry_col]
        spread = sparse.csr_array(
            (np.ones(len(moved)), (moved, np.arange(len(moved)))), shape=(self.count, len(structure.entries))
        )
        self.to_values = sparse.csr_array(spread @ structure.to_entries)
        self.diagonal = self.where[np.arange(n), np.arange(n)]

    def _pivot(self, unknown: int, later: Sequence[int]) -> _Pivot:
        rest = np.array(later, dtype=np.intp)
        return _Pivot(
            unknown,
            int(self.where[unknown, unknown]),
            rest,
            self.where[rest, unknown],
            rest,
            self.where[unknown, rest],
            self.where[np.ix_(rest, rest)].ravel(),
        )

    def solve(self, values: Array, right: Array) -> Array:
        """values (count, B) and right (n, R, B) are overwritten; the solution (n, R, B) is `right`."""
        batch = values.shape[1]
        inverse: list[Array] = []
        for p in self.pivots:
            inv = 1 / values[p.diagonal]
            inverse.append(inv)
            if not len(p.rows):
                continue
            factor = values[p.column] * inv
            own = right[p.unknown]
            if len(p.rows) == 1:
                row = p.rows[0]
                values[p.targets[0]] -= factor[0] * values[p.row[0]]
                right[row] -= factor[0] * own
                continue
            product = factor[:, None, :] * values[p.row][None, :, :]
            values[p.targets] -= product.reshape(-1, batch)
            right[p.rows] -= factor[:, None, :] * own
        for p, inv in zip(reversed(self.pivots), reversed(inverse), strict=True):
            x = right[p.unknown]
            if len(p.rows) == 1:
                x -= values[p.row[0]] * right[p.rows[0]]
            elif len(p.rows):
                x -= np.einsum("sb,srb->rb", values[p.row], right[p.rows])
            x *= inv
        return right


def _least_degree(n: int, rows: Ints, cols: Ints) -> tuple[list[int], dict[int, list[int]]]:
    """Order of elimination, and for each unknown those still there when it goes that it touches (fill-ins included)."""
    neighbours: list[set[int]] = [set() for _ in range(n)]
    for r, c in zip(rows.tolist(), cols.tolist(), strict=True):
        if r != c:
            neighbours[r].add(c)
            neighbours[c].add(r)
    left = set(range(n))
    order: list[int] = []
    around: dict[int, list[int]] = {}
    while left:
        unknown = min(left, key=lambda k: (len(neighbours[k]), k))
        touched = neighbours[unknown]
        for k in touched:
            neighbours[k] |= touched - {k}
            neighbours[k].discard(unknown)
        order.append(unknown)
        around[unknown] = sorted(touched)
        left.discard(unknown)
    return order, around
