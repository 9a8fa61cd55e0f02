"""Residuals in units of what may be expected: one covariance, many predictions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wakeboard.harness.explain.evidence.uncertainty import Array

Reals = NDArray[np.floating[Any]]


class Whitener:
    """Standardises residuals with one covariance (n, n): white(r) has unit covariance."""

    def __init__(self, covariance: Array) -> None:
        self.covariance = covariance
        self._lower = np.linalg.cholesky(covariance)
        self._log_det = 2 * float(np.log(np.diag(self._lower)).sum())

    def part(self, few: Sequence[int]) -> Whitener:
        """The measure of some of the readings."""
        return self if len(few) == len(self.covariance) else Whitener(self.covariance[np.ix_(few, few)])

    def __call__(self, residuals: Array) -> Array:
        """(k, n) -> (k, n)."""
        return lower_solved(self._lower, residuals.T).T

    def log_likelihoods(self, y: Array, means: Array) -> Array:
        """(k,) log densities; -inf where a mean is not finite."""
        good = np.all(np.isfinite(means), axis=1)
        out = np.full(len(means), -math.inf)
        if np.any(good):
            w = self(y - means[good])
            out[good] = -0.5 * ((w**2).sum(axis=1) + self._log_det + y.size * math.log(2 * math.pi))
        return out


def lower_solved(lower: Reals, right: Reals) -> Array:
    """(n, k) x with L x = right, L (n, n) lower triangular with no 0 on its diagonal: by LAPACK itself, since an
    explanation asks this some ten thousand times of small ones, and checks of the arguments took most of that."""
    from scipy.linalg.lapack import dtrtrs

    out: Array = dtrtrs(lower.T, right, lower=0, trans=1)[0]
    return out


def upper_solved(lower: Reals, right: Reals) -> Array:
    """(n, k) x with L^T x = right."""
    from scipy.linalg.lapack import dtrtrs

    out: Array = dtrtrs(lower.T, right, lower=0, trans=0)[0]
    return out
