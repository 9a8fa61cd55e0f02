"""The parameters of a batch's members: most share them all but those of one part.

A row of every parameter a member would be many times what differs, and more than a processor keeps near.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from . import Array, Marks, Places, inner, shared


class Parameters(NamedTuple):
    """rows (R, K), row (B,) which of them is whose; a member's own: value (N,) at column (N,), those of member m from
    first[m] up to first[m + 1]."""

    rows: Array
    row: Places
    first: Places
    column: Places
    value: Array

    @classmethod
    def whole(cls, rows: Array) -> Parameters:
        """Of members that have a row (B, K) each. The array is kept, not copied."""
        nothing = np.empty(0, dtype=np.intp)
        members = len(rows)
        return cls(
            rows, np.arange(members, dtype=np.intp), np.zeros(members + 1, dtype=np.intp), nothing, np.empty(0)
        )  # fmt: skip

    @classmethod
    def shared(cls, rows: Array, row: Places, own: Sequence[tuple[Sequence[int], Places, Array]]) -> Parameters:
        """own: (members, columns, a value for each column) that these members have in place of their row's."""
        owner = [np.repeat(np.array(members, dtype=np.intp), len(columns)) for members, columns, _ in own]
        nothing = np.empty(0, dtype=np.intp)
        who = np.concatenate((nothing, *owner))
        order = np.argsort(who, kind="stable")
        column = np.concatenate((nothing, *(np.tile(columns, len(members)) for members, columns, _ in own)))
        value = np.concatenate((np.empty(0), *(np.tile(values, len(members)) for members, _, values in own)))
        first = np.zeros(len(row) + 1, dtype=np.intp)
        np.cumsum(np.bincount(who, minlength=len(row)), out=first[1:])
        return cls(rows, row, first, column[order], value[order])

    def take(self, members: Places) -> Parameters:
        """Of some members, renumbered."""
        counts = self.first[members + 1] - self.first[members]
        first = np.zeros(len(members) + 1, dtype=np.intp)
        np.cumsum(counts, out=first[1:])
        at = np.arange(first[-1]) + np.repeat(self.first[members] - first[:-1], counts)
        return Parameters(self.rows, self.row[members], first, self.column[at], self.value[at])

    def expanded(self) -> Array:
        """A row (B, K) for each member, to be changed at will."""
        out: Array = self.rows[self.row]
        out[np.repeat(np.arange(len(self.row)), np.diff(self.first)), self.column] = self.value
        return out

    def scaled(self, columns: Places, factor: float) -> Parameters:
        """With the parameters in some columns multiplied."""
        rows = self.rows.copy()
        rows[:, columns] *= factor
        return self._replace(rows=rows, value=np.where(np.isin(self.column, columns), factor, 1.0) * self.value)

    def finite(self) -> Marks:
        """(B,) whose parameters are all finite numbers."""
        found: Marks = np.asarray(np.isfinite(self.rows).all(axis=1))[self.row]
        owner = np.repeat(np.arange(len(self.row)), np.diff(self.first))
        found[owner[~np.isfinite(self.value)]] = False
        return found


@shared
def lay_out(parameters: Parameters, member: int, theta: Array, there: int) -> int:
    """Fill theta (K,) with the member's parameters; which row is in it now. there: which row was in it, -1 for none."""
    row = int(parameters.row[member])
    if row != there:
        for k in range(len(theta)):
            theta[k] = parameters.rows[row, k]
    for k in range(parameters.first[member], parameters.first[member + 1]):
        theta[parameters.column[k]] = parameters.value[k]
    return row


@inner
def clear(parameters: Parameters, member: int, theta: Array) -> None:
    """Put back the row's parameters where the member had its own."""
    row = parameters.row[member]
    for k in range(parameters.first[member], parameters.first[member + 1]):
        theta[parameters.column[k]] = parameters.rows[row, parameters.column[k]]
