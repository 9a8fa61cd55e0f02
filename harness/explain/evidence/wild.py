"""Parts that go further than the table has it: a few of many.

The spreads of sequences/spreads.toml hold for most parts. A leakage has no upper end in practice, and one figure in
some dozens is a factor off: each type of unknown is as the table says, or, with a small probability, several times as
wide (a mixture of two normal distributions, which has the tails that one has not). Which ones are wide is chosen for
each hypothesis anew, *none* among them, one by one as long as the readings gain more than that costs.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.harness.explain.evidence.whiten import Reals, lower_solved
from wakeboard.instruments.virtual.circuit.bench.unknowns import Unknown

Ints = NDArray[np.intp]

MOST: Final = 12
"""Types that are taken as wide at once."""


@dataclass(frozen=True)
class Wild:
    """Unknowns of one type that may be `times` as wide; log_odds: natural logarithm of how likely that is."""

    members: Ints
    times: float
    log_odds: float

    @property
    def extra(self) -> float:
        """Variance beyond the table's, as a multiple of it."""
        return self.times**2 - 1

    def beside(self, scale: float, power: int = 1) -> Wild:
        """Where the whole table is taken by a scale (to a power, of such values) wider, or closer: how wide one type
        may be stays what it is, and is the rarer the closer the rest of the board is to the drawing."""
        rarer = math.log(min(scale, 1.0))
        return replace(self, times=max(self.times / scale**power, 1.0), log_odds=self.log_odds + rarer)


class Wilds(tuple[Wild, ...]):
    """What may be wide, with what is the same for every hypothesis."""

    @cached_property
    def extra(self) -> Array:
        """(W,) of each its variance beyond the table's."""
        return np.array([each.extra for each in self])

    @cached_property
    def odds(self) -> Array:
        """(W,)"""
        return np.array([each.log_odds for each in self])

    @cached_property
    def types(self) -> tuple[Ints, Ints, Ints]:
        """The members of all types, each type's together and once; where each type's begin; and of each way to be wide
        the number of its type."""
        numbers: dict[int, int] = {}
        of = np.array([numbers.setdefault(int(w.members[0]), len(numbers)) for w in self])
        members = [self[int(np.flatnonzero(of == k)[0])].members for k in range(len(numbers))]
        return np.concatenate(members), np.cumsum([0, *map(len, members[:-1])]), of


NO_WILDS: Final = Wilds()


def wilds(unknowns: Sequence[Unknown]) -> list[Wild]:
    """The types of a list of unknowns that may be wide."""
    found: dict[str, list[int]] = {}
    for k, u in enumerate(unknowns):
        if u.tails:
            found.setdefault(u.type or u.path, []).append(k)
    out = []
    for each in found.values():
        tails = unknowns[each[0]].tails
        usual = 1 - sum(chance for _, chance in tails)
        out += [Wild(np.array(each), times, math.log(chance / usual)) for times, chance in tails]
    return out


def picked(
    wild: Wilds,
    of_type: Array,
    of_piece: Array,
    rows: Array,
    covariance: Array,
    off: Array,
    first: Sequence[int] = (),
) -> tuple[tuple[int, ...], Array, float]:
    """Which types are wide, the covariance of the readings (n, n) with these, and the log odds of it.

    of_type (T + ., T + .), of_piece (T,): covariance of the unknowns; rows (T, n): what one deviation of each does;
    off (n,): readings less what is expected; first: types that are wide already, and stay so where that is worth it.
    """
    if not wild:
        return (), covariance, 0.0
    extra, odds = wild.extra, wild.odds
    sd = np.sqrt(np.maximum(np.diag(of_type)[: len(of_piece)], 0.0) + of_piece)
    members, begins, of = wild.types
    along = np.add.reduceat(sd[members, None] * rows[members], begins)
    measure = _Widened(np.linalg.cholesky(covariance), np.concatenate((along, off[None])))
    taken = np.zeros(len(wild), dtype=bool)
    out: list[int] = []

    def beside(k: int) -> tuple[Array, Array]:
        who = wild[k].members
        return rows[who], wild[k].extra * (of_type[np.ix_(who, who)] + np.diag(of_piece[who]))

    def adds(k: int) -> Array:
        own, block = beside(k)
        added: Array = own.T @ block @ own
        return added

    def take(k: int) -> None:
        nonlocal covariance
        out.append(k)
        taken[of == of[k]] = True
        covariance = covariance + adds(k)
        measure.widen(*beside(k))

    for k in _worth_it({k: adds(k) for k in first}, odds, covariance, off):
        take(k)
    while len(out) < MOST:
        seen = extra * measure.squares[of]
        told = extra * (measure.along_last[of] ** 2)
        gain = odds + 0.5 * (told / (1 + seen) - np.log1p(seen))
        gain[taken | (extra <= 0)] = -math.inf
        best = int(np.argmax(gain))
        if gain[best] <= 0:
            break
        take(best)
    return tuple(sorted(out)), covariance, float(odds[out].sum())


def _worth_it(adds: dict[int, Array], odds: Array, covariance: Array, off: Array) -> dict[int, Array]:
    """Those types that make the readings likelier by more than they cost; the others go, one by one. adds: what each
    adds to the covariance (n, n)."""

    def told(those: dict[int, Array]) -> float:
        lower = np.linalg.cholesky(sum(those.values(), covariance))
        white = lower_solved(lower, off[:, None])
        return float(odds[list(those)].sum() - 0.5 * (white**2).sum() - np.log(np.diag(lower)).sum())

    stay, now = adds, told(adds) if adds else 0.0
    while stay:
        fewer = [{k: each for k, each in stay.items() if k != gone} for gone in stay]
        best = max(fewer, key=told)
        if told(best) < now:
            break
        stay, now = best, told(best)
    return stay


class _Widened:
    """Lengths of directions a (g, n) in a covariance C that is widened step by step, and along the last of them, by
    Woodbury's identity instead of a new factor of C each time:

        (C + R^T B R)^-1 = C^-1 - C^-1 R^T (1 + B R C^-1 R^T)^-1 B R C^-1
    """

    def __init__(self, lower: Reals, directions: Array) -> None:
        self._lower = lower
        self._white = lower_solved(lower, directions.T)
        self.squares: Array = np.einsum("ng,ng->g", self._white, self._white)[:-1]
        """(g - 1,) a C^-1 a of each but the last."""
        self.along_last: Array = self._white[:, -1] @ self._white[:, :-1]
        """(g - 1,) a C^-1 (the last)."""
        self._before: list[tuple[Reals, Reals]] = []

    def widen(self, rows: Array, block: Array) -> None:
        """Adds rows^T block rows: rows (r, n), block (r, r)."""
        u: Array = lower_solved(self._lower, rows.T)
        v: Reals = u
        for other, inner in self._before:
            v = v - other @ (inner @ (other.T @ u))
        inner = np.linalg.solve(np.eye(len(block)) + block @ (u.T @ v), block)
        self._before.append((v, inner))
        by = v.T @ self._white
        bent = inner @ by
        self.squares = self.squares - np.einsum("rg,rg->g", by, bent)[:-1]
        self.along_last = self.along_last - by[:, -1] @ bent[:, :-1]
