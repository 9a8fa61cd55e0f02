"""What is not known of a board, as one normal distribution: of its parts' values, and of what the model leaves in a
reading.

    t   (T,) unknowns in their own standard deviations: what a drawing states with a tolerance, or does not state
    d   (n,) what the model is wrong by in each reading whatever its parts: its discrepancy (Kennedy and O'Hagan 2001)

How rough the model is as a whole is not known either: all spreads that nobody states are taken at several scales
(SCALES), and what each hypothesis explains is weighed over these. A board whose parts are much as drawn is so judged
closely, and one of other makers' parts with the room that it needs.

Both have a part that belongs to the type, the same in every unit of the board, and t one that belongs to the piece.
A reading of a unit is y = m + H (t, d) + noise, H = [J; 1], to first order. Other units' readings tell of the type's
part alone (`taught`): what all have in common is the type's, and what remains is the piece's. Nothing here knows of
faults: *none* and every fault get the same freedom.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.harness.explain.evidence.wild import NO_WILDS, Ints, Wild, Wilds, picked

ODD: Final = 3.0
"""Standard deviations of type and piece together from which a reading of another unit teaches less."""
NOTHING: Final = 5.0
"""… and from which it teaches nothing: that unit has a fault there, or all have."""


@dataclass(frozen=True, slots=True)
class Scale:
    """How rough a board may be: factors on what nobody states of its parts, and on the model's discrepancy; and how
    likely that is before anything was read (estimates, no source)."""

    parts: float
    model: float
    chance: float

    @property
    def wider(self) -> Scale:
        """The next step of the table, of both."""
        steps = sorted({each.parts for each in SCALES})
        return replace(self, parts=_after(steps, self.parts), model=_after(steps, self.model))


def _after(steps: Sequence[float], value: float) -> float:
    return min((step for step in steps if step > value * (1 + 1e-9)), default=steps[-1])


SCALES: Final = (
    Scale(0.03, 0.03, 0.10), Scale(0.03, 0.12, 0.05),
    Scale(0.12, 0.12, 0.14), Scale(0.12, 0.4, 0.06),
    Scale(0.4, 0.2, 0.10), Scale(0.4, 0.4, 0.15),
    Scale(1.0, 0.2, 0.08), Scale(1.0, 0.4, 0.12), Scale(1.0, 1.0, 0.10),
    Scale(2.5, 1.0, 0.06), Scale(2.5, 2.5, 0.04),
)  # fmt: skip


def _place(parts: float, model: float) -> int:
    return next(k for k, each in enumerate(SCALES) if (each.parts, each.model) == (parts, model))


USUAL: Final = _place(1.0, 1.0)
"""The place of the table's own spreads among them, …"""
CLOSE: Final = _place(0.12, 0.12)
"""… that of a board much as drawn, …"""
BETWEEN: Final = _place(0.4, 0.4)
"""… of one between the two, …"""
ROUGHEST: Final = len(SCALES) - 1
"""… and of the widest: what is not to be taken for roughness must show on such a board."""


@dataclass(frozen=True)
class Freedom:
    """mean (T + n,) and the two covariances of (t, d): of the type (T + n, T + n), and of each piece (T,) variances."""

    mean: Array
    of_type: Array
    of_piece: Array

    def scaled(self, scale: Scale, powers: Sequence[int]) -> Freedom:
        """With every deviation multiplied by a power of a factor, and the discrepancy by a factor of its own.

        powers (T,): 0 for what is stated, 2 for leakages, which differ by decades where other figures differ by
        factors, else 1.
        """
        count = self.count
        each = np.full(len(self.mean), scale.model)
        each[:count] = scale.parts ** np.asarray(powers, dtype=float)
        return replace(self, of_type=self.of_type * np.outer(each, each), of_piece=self.of_piece * each[:count] ** 2)

    def widened(self, wild: Sequence[Wild], picks: Sequence[int]) -> Freedom:
        """With some types wide."""
        if not picks:
            return self
        of_type, of_piece = self.of_type.copy(), self.of_piece.copy()
        for k in picks:
            each = wild[k].members
            of_type[np.ix_(each, each)] *= wild[k].times ** 2
            of_piece[each] *= wild[k].times ** 2
        return replace(self, of_type=of_type, of_piece=of_piece)

    @property
    def count(self) -> int:
        """T."""
        return len(self.of_piece)

    @property
    def covariance(self) -> Array:
        """(T + n, T + n) of a piece whose type is not known either."""
        out = self.of_type.copy()
        k = np.arange(self.count)
        out[k, k] += self.of_piece
        return out

    def shift(self, rows: Array) -> Array:
        """(n,) what is expected beside the drawn board; rows (T, n): what one deviation of each unknown does."""
        out: Array = self.mean[: self.count] @ rows + self.mean[self.count :]
        return out

    def spread(self, rows: Array) -> Array:
        """(n, n) covariance of the readings, noise apart."""
        return _carried(self.of_type, rows) + (rows.T * self.of_piece) @ rows

    def taught(self, rows: Array, lesson: Lesson, noise: Array, wild: Wilds = NO_WILDS) -> tuple[Freedom, float]:
        """After a lesson, and the log density of what it told: rows (T, n) and noise (n,) variances at the drawn board,
        as each teacher has them. wild: types that may be wider than this freedom has them."""
        known = np.flatnonzero(lesson.weight.sum(axis=0) > LEAST)
        if not len(known):
            return self, 0.0
        value, scatter = lesson.pooled((rows.T * self.of_piece) @ rows + np.diag(noise), known)
        off = value - self.shift(rows)[known]
        whole = _carried(self.of_type, rows)[np.ix_(known, known)] + scatter
        picks, whole, odds = picked(wild, self.of_type, np.zeros(self.count), rows[:, known], whole, off)
        prior_type = self.widened(wild, picks).of_type
        gain = _onto(prior_type, rows)[:, known]  # covariance of (t, d) with what was read of them
        solved = np.linalg.solve(whole, gain.T).T
        after = prior_type - solved @ gain.T
        told = -0.5 * float(off @ np.linalg.solve(whole, off) + np.linalg.slogdet(2 * math.pi * whole)[1])
        return replace(self, mean=self.mean + solved @ off, of_type=0.5 * (after + after.T)), told + odds


LEAST: Final = 0.05
"""Weight of all teachers of a reading together from which it teaches."""


@dataclass(frozen=True)
class Lesson:
    """What other units read, off their drawn boards: off (U, n), NaN where a unit has no such reading; weight (U,
    n)."""

    off: Array
    weight: Array

    def pooled(self, scatter: Array, known: Ints) -> tuple[Array, Array]:
        """Weighted means of the known readings, and their covariance where each unit's own is `scatter`."""
        w, off = self.weight[:, known], np.nan_to_num(self.off[:, known])
        total = w.sum(axis=0)
        share = w / total
        own = scatter[np.ix_(known, known)]
        # a weight below one stands for a scatter that is larger by as much
        spread = np.sqrt(np.where(w > 0, 1 / np.maximum(w, 1e-6), 0.0))
        each = np.einsum("ui,uj->ij", share * spread, share * spread)
        return (share * off).sum(axis=0), own * each

    @classmethod
    def of(cls, off: Array, piece: Array, whole: Array, trusted: Sequence[bool] = ()) -> Lesson:
        """Weighs what units read. piece, whole (n,): one standard deviation of a piece about its type, and in all.

        Where three or more have a reading, what is far from their median is odd; where fewer have, what is far from the
        drawn board, and of two that differ the farther. What all have in large is odd too: that is no matter of the
        model's small errors.
        """
        weight = np.zeros(off.shape)
        sure = np.array([*trusted, *[False] * (len(off) - len(trusted))], dtype=bool)
        for k in range(off.shape[1]):
            have = np.flatnonzero(np.isfinite(off[:, k]))
            if len(have):
                weight[have, k] = _weights(off[have, k], float(piece[k]), float(whole[k]))
        weight[sure] = np.where(np.isfinite(off[sure]) & (np.abs(off[sure]) < NOTHING * whole), 1.0, 0.0)
        return cls(off, weight)


ALONE: Final = 0.5
"""Weight of a reading that only one unit has, or on which two do not agree: that unit may have a fault."""


def _weights(off: Array, piece: float, whole: float) -> Array:
    """(U,) weights of what units have in one reading."""
    by_drawn = _tapered(off / whole)
    if len(off) == 1:
        return ALONE * by_drawn
    apart = math.sqrt(2) * piece
    if len(off) == 2:
        if abs(off[0] - off[1]) < ODD * apart:
            return by_drawn
        nearer = np.abs(off) == np.abs(off).min()
        return np.where(nearer, ALONE * by_drawn, 0.0)
    return by_drawn * _tapered((off - np.median(off)) / apart)


def _tapered(deviations: Array) -> Array:
    out: Array = np.clip((NOTHING - np.abs(deviations)) / (NOTHING - ODD), 0.0, 1.0)
    return out


def prior(
    share: Sequence[float], types: Sequence[Hashable], discrepancy: Array, groups: Sequence[Hashable], correlated: float
) -> Freedom:
    """Before anything was read. share (T,): of each unknown's variance what belongs to its type; types (T,): equal for
    unknowns that are the same in like parts; discrepancy (n,): one standard deviation in each reading; groups (n,):
    readings in which it is `correlated`."""
    loading = np.sqrt(np.asarray(share, dtype=float))
    numbers: dict[Hashable, int] = {}
    of = np.array([numbers.setdefault(each, len(numbers)) for each in types], dtype=int)
    count, n = len(loading), len(discrepancy)
    out = np.zeros((count + n, count + n))
    out[:count, :count] = np.outer(loading, loading) * (of[:, None] == of[None, :])
    labels: dict[Hashable, int] = {}
    net = np.array([labels.setdefault(each, len(labels)) for each in groups], dtype=int)
    alike = np.where(net[:, None] == net[None, :], correlated, 0.0)
    np.fill_diagonal(alike, 1.0)
    out[count:, count:] = np.outer(discrepancy, discrepancy) * alike
    return Freedom(np.zeros(count + n), out, 1 - loading**2)


def _onto(covariance: Array, rows: Array) -> Array:
    """(T + n, n) covariance of (t, d) with what they do to the readings."""
    count = len(rows)
    out: Array = covariance[:, :count] @ rows + covariance[:, count:]
    return out


def _carried(covariance: Array, rows: Array) -> Array:
    """(n, n) covariance of the readings."""
    onto, count = _onto(covariance, rows), len(rows)
    out: Array = rows.T @ onto[:count] + onto[count:]
    return out
