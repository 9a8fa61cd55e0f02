"""One step towards the likeliest unknowns: where the readings put them, by the slopes of a place.

    t' = mu + G J^T S^-1 (y - m - J (mu - t)),        S = J G J^T + N

What is not known is one normal distribution of (t, d), the parts' unknowns and the model's discrepancy in each reading
(freedom.py). Two things are asked of a step beside it. It may be tied to where it comes from (Levenberg 1944, Marquardt
1963): what the readings tell little of stays, what they are sure of moves all the same. And an unknown goes no further
than it can: who would is put at its end, and the others are looked for with it there, since a step of which some
unknowns do only a part leads to where nothing fits.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wakeboard.harness.explain.evidence.uncertainty import Array

BEYOND: Final = 0.02
"""Deviations beyond its end from which an unknown is put there."""
ROUNDS: Final = 4
"""Times at most that others are looked for anew with more unknowns at their ends."""
RIDGE: Final = 1e-9
"""Share of a variance that is added where unknowns are put at values: those of one type may be one."""


@dataclass(frozen=True)
class Joint:
    """What is known of (t, d) before the readings: mean (T + n,), covariance (T + n, T + n)."""

    mean: Array
    covariance: Array

    def tied(self, t: Array, tells: Array, strength: float) -> Joint:
        """With t (T,) taken for a reading of the unknowns, `strength` times as sure as what is known of them. tells (n,
        T): what the unknowns tell of the discrepancy."""
        share, count = strength / (1 + strength), len(t)
        by = share * (t - self.mean[:count])
        covariance = self.covariance.copy()
        covariance[:count] *= 1 - share
        covariance[count:, :count] *= 1 - share
        covariance[count:, count:] -= share * tells @ self.covariance[:count, count:]
        return Joint(self.mean + np.concatenate((by, tells @ by)), covariance)

    def given(self, which: NDArray[np.intp], values: Array) -> Joint:
        """With some unknowns at these values."""
        if not len(which):
            return self
        own = self.covariance[np.ix_(which, which)]
        own = own + np.diag(RIDGE * np.diag(own) + 1e-12)
        gain = np.linalg.solve(own, self.covariance[which]).T
        mean = self.mean + gain @ (values - self.mean[which])
        return replace(self, mean=mean, covariance=self.covariance - gain @ self.covariance[which])

    def after(self, y: Array, at: Array, mean: Array, rows: Array, noise: Array) -> Array:
        """(T,) the unknowns after the readings y (n,), by the slopes (T, n) of a board that was solved at unknowns `at`
        and reads `mean` there; noise (n,): variances."""
        count = len(at)
        expected = mean + (self.mean[:count] - at) @ rows + self.mean[count:]
        onto = self.covariance[:, :count] @ rows + self.covariance[:, count:]
        whole = rows.T @ onto[:count] + onto[count:] + np.diag(noise)
        out: Array = self.mean[:count] + onto[:count] @ np.linalg.solve(whole, y - expected)
        return out


def step(
    known: Joint, y: Array, at: Array, mean: Array, rows: Array, noise: Array, held: NDArray[np.intp],
    within: Callable[[Array], Array],
) -> tuple[Array, bool]:  # fmt: skip
    """(T,) the unknowns after the readings, each within what it can be; and whether some went to their ends. held:
    those that stay where they are (`at`); within: each unknown no further than it goes in one step. Else as
    Joint.after()."""
    t, fixed = at.copy(), held
    for _ in range(ROUNDS):
        found = known.given(fixed, t[fixed]).after(y, at, mean, rows, noise)
        found[fixed] = t[fixed]
        t = within(found)
        t[fixed] = found[fixed]
        ended = np.flatnonzero(np.abs(t - found) > BEYOND)
        if not len(ended):
            break
        fixed = np.concatenate((fixed, ended))
    return t, len(fixed) > len(held)
