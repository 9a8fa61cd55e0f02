"""Sparse elimination of a whole batch at once.

All members of a batch share one pattern, so the order of elimination and every fill-in are worked out once; each step
then runs over the batch in numpy. A board's matrix is so sparse that this beats a dense LAPACK solve of each member
several times over. Unknowns that do not touch one another go together (least degree first, after Liu's multiple
minimum degree, ACM TOMS 11, 1985), so that a board of 80 nets takes a handful of steps and not 80: for small batches
numpy's own cost a step is what counts. There is no pivoting: whoever calls checks what comes out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sparse

from .devices import Array
from .structure import Ints, Structure

SLACK = 3  # unknowns of this degree go together with those of the least


@dataclass(frozen=True)
class _Sum:
    """Rows of a product added up by where they belong: `at` (unique) += matrix @ product; None: one row each."""

    at: Ints
    matrix: sparse.csr_array | None

    @classmethod
    def of(cls, targets: Ints) -> _Sum:
        at, place = np.unique(targets, return_inverse=True)
        if len(at) == len(targets):
            return cls(targets, None)
        return cls(at, sparse.csr_array((np.ones(len(targets)), (place, np.arange(len(targets))))))

    def subtract(self, into: Array, product: Array) -> None:
        if self.matrix is None:
            into[self.at] -= product
        else:
            whole = product.reshape(len(product), -1)
            into[self.at] -= (self.matrix @ whole).reshape(len(self.at), *product.shape[1:])


@dataclass(frozen=True)
class _Step:
    """Unknowns that go together. Entries (unknown k, still-there r) run along `column` (r, k) and `row` (k, r)."""

    unknowns: Ints
    diagonal: Ints
    owner: Ints
    column: Ints
    row: Ints
    others: Ints
    first: Ints
    second: Ints
    targets: _Sum
    rows: _Sum
    back: _Sum


class Elimination:
    """The plan for a structure without branch unknowns; `more` are entries (row·n + column) that some member adds."""

    def __init__(self, structure: Structure, more: Sequence[int] = ()) -> None:
        n = structure.size - 1
        self.unknowns = n
        added = np.array(sorted(more), dtype=np.intp)
        rows = np.concatenate([structure.entry_row, added // n])
        cols = np.concatenate([structure.entry_col, added % n])
        rounds = _independent_sets(n, rows, cols)
        entries: dict[tuple[int, int], int] = {}
        for together in rounds:
            for unknown, later in together.items():
                for pair in [(unknown, unknown), *((unknown, m) for m in later), *((m, unknown) for m in later)]:
                    entries.setdefault(pair, len(entries))
        self.count = len(entries)
        self.where = np.full((n, n), -1, dtype=np.intp)
        for (r, c), k in entries.items():
            self.where[r, c] = k
        self.steps = [self._step(together) for together in rounds]
        moved = self.where[structure.entry_row, structure.entry_col]
        spread = sparse.csr_array(
            (np.ones(len(moved)), (moved, np.arange(len(moved)))), shape=(self.count, len(structure.entries))
        )
        self.to_values = sparse.csr_array(spread @ structure.to_entries)
        self.diagonal = self.where[np.arange(n), np.arange(n)]

    def _step(self, together: dict[int, list[int]]) -> _Step:
        unknowns = np.array(list(together), dtype=np.intp)
        owner = np.repeat(np.arange(len(together)), [len(later) for later in together.values()])
        others = np.array([m for later in together.values() for m in later], dtype=np.intp)
        mine = unknowns[owner]
        # every pair of entries of the same unknown makes one product
        first, second = np.nonzero(owner[:, None] == owner[None, :])
        return _Step(
            unknowns,
            self.where[unknowns, unknowns],
            owner,
            self.where[others, mine],
            self.where[mine, others],
            others,
            first,
            second,
            _Sum.of(self.where[others[first], others[second]]),
            _Sum.of(others),
            _Sum.of(mine),
        )

    def solve(self, values: Array, right: Array) -> Array:
        """values (count, B) and right (n, R, B) are overwritten; the solution (n, R, B) is `right`."""
        kept: list[tuple[Array, Array]] = []
        for s in self.steps:
            inverse = 1 / values.take(s.diagonal, axis=0)
            row = values.take(s.row, axis=0)
            kept.append((inverse, row))
            if not len(s.owner):
                continue
            factor = values.take(s.column, axis=0) * inverse.take(s.owner, axis=0)
            s.targets.subtract(values, factor.take(s.first, axis=0) * row.take(s.second, axis=0))
            own = right.take(s.unknowns, axis=0).take(s.owner, axis=0)
            s.rows.subtract(right, factor[:, None, :] * own)
        for s, (inverse, row) in zip(reversed(self.steps), reversed(kept), strict=True):
            if len(s.owner):
                s.back.subtract(right, row[:, None, :] * right.take(s.others, axis=0))
            right[s.unknowns] *= inverse[:, None, :]
        return right


def _independent_sets(n: int, rows: Ints, cols: Ints) -> list[dict[int, list[int]]]:
    """Rounds of elimination: unknowns that do not touch, each with those still there that it touches (fill-ins too)."""
    neighbours: list[set[int]] = [set() for _ in range(n)]
    for r, c in zip(rows.tolist(), cols.tolist(), strict=True):
        if r != c:
            neighbours[r].add(c)
            neighbours[c].add(r)
    left = set(range(n))
    rounds: list[dict[int, list[int]]] = []
    while left:
        least = max(SLACK, min(len(neighbours[k]) for k in left))
        ready = sorted((k for k in left if len(neighbours[k]) <= least), key=lambda k: (len(neighbours[k]), k))
        together: dict[int, list[int]] = {}
        touched: set[int] = set()
        for unknown in ready:
            if unknown not in touched:
                together[unknown] = sorted(neighbours[unknown])
                touched |= neighbours[unknown]
        for unknown, around in together.items():
            for k in around:
                neighbours[k] |= neighbours[unknown] - {k}
                neighbours[k].discard(unknown)
        left.difference_update(together)
        rounds.append(together)
    return rounds
