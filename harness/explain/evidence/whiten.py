"""Residuals in units of what may be expected: one covariance, many predictions."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from wakeboard.harness.explain.evidence.uncertainty import Array


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
        from scipy.linalg import solve_triangular

        out: Array = solve_triangular(self._lower, residuals.T, lower=True, check_finite=False).T
        return out

    def log_likelihoods(self, y: Array, means: Array) -> Array:
        """(k,) log densities; -inf where a mean is not finite."""
        good = np.all(np.isfinite(means), axis=1)
        out = np.full(len(means), -math.inf)
        if np.any(good):
            w = self(y - means[good])
            out[good] = -0.5 * ((w**2).sum(axis=1) + self._log_det + y.size * math.log(2 * math.pi))
        return out
