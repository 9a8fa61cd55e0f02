"""Limits from few units: tolerance factors of the normal distribution.

A tolerance interval mean ± k·sd covers a share `content` of all units that will ever be built, with `confidence`.
Sources: NIST/SEMATECH e-Handbook 7.2.6.3 (Howe's two-sided approximation, one-sided by non-central t); the exact
two-sided factor as defined in ISO 16269-6 and by Odeh and Owen (1980), integrated here. The R listing printed in the
handbook swaps content and confidence and so prints 2.2102 where 2.2228 is right.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from wakeboard.results.statistics.summary import StatisticsError, summarise


@dataclass(frozen=True)
class ProposedLimits:
    """Limits that follow from the units measured: `low`/`high` are None on a side that was not asked for."""

    low: float | None
    high: float | None
    n: int
    mean: float
    sd: float
    factor: float
    content: float
    confidence: float

    @property
    def says(self) -> str:
        """Where the limits come from and what they are worth."""
        sides = "two-sided" if self.low is not None and self.high is not None else "one-sided"
        words = (
            f"{sides} tolerance limits from {self.n} units: mean {'±' if sides == 'two-sided' else 'and'} "
            f"{self.factor:.2f} sd covers {self.content:.0%} of units with {self.confidence:.0%} confidence, "
            "if units are normally distributed"
        )
        if self.n < 10:
            words += "; from so few units they are wide on purpose, so compare them with what the design allows"
        return words


def _check(n: int, content: float, confidence: float) -> None:
    if n < 2:
        raise StatisticsError(f"a tolerance factor needs at least 2 units, found {n}")
    if not (0 < content < 1 and 0 < confidence < 1):
        raise StatisticsError("content and confidence lie between 0 and 1")


@lru_cache(maxsize=512)
def two_sided_factor(n: int, content: float = 0.99, confidence: float = 0.95) -> float:
    """Exact two-sided factor k.

    Given the error z/√n of the mean (in sd), the half-width that covers `content` is r(z) with
    Φ(z/√n + r) - Φ(z/√n - r) = content, that is, r² is the quantile of a non-central chi-square with one degree of
    freedom. k is what makes the average over z of P(χ² > (n-1) r²/k²) equal the confidence.
    """
    import numpy as np
    from scipy import optimize, stats

    _check(n, content, confidence)
    nodes, weights = np.polynomial.legendre.leggauss(64)
    z = 4.5 * (nodes + 1)  # 0 .. 9: the integrand is even and vanishes beyond
    weight = 2 * 4.5 * weights * stats.norm.pdf(z)
    squared = stats.ncx2.ppf(content, 1, z**2 / n)

    def miss(k: float) -> float:
        return float(weight @ stats.chi2.sf((n - 1) * squared / k**2, n - 1)) - confidence

    start = two_sided_factor_howe(n, content, confidence)
    return float(optimize.brentq(miss, start / 3, start * 3, xtol=1e-12))


def two_sided_factor_howe(n: int, content: float = 0.99, confidence: float = 0.95) -> float:
    """Howe's approximation (1969) of the two-sided factor, as in the e-Handbook."""
    from scipy import stats

    _check(n, content, confidence)
    z = float(stats.norm.ppf((1 + content) / 2))
    return z * math.sqrt((n - 1) * (1 + 1 / n) / float(stats.chi2.ppf(1 - confidence, n - 1)))


def one_sided_factor(n: int, content: float = 0.99, confidence: float = 0.95) -> float:
    """Exact one-sided factor, by the non-central t distribution."""
    from scipy import stats

    _check(n, content, confidence)
    shift = float(stats.norm.ppf(content)) * math.sqrt(n)
    return float(stats.nct.ppf(confidence, n - 1, shift)) / math.sqrt(n)


def propose_limits(
    values: Sequence[float],
    content: float = 0.99,
    confidence: float = 0.95,
    side: str = "both",
    least_sd: float = 0.0,
) -> ProposedLimits:
    """Limits for production from the units measured so far.

    side: "both", "low" or "high". least_sd: the standard uncertainty of the readings, in their unit; units that agree
    better than the meter can tell have a spread of at least that.
    """
    if side not in ("both", "low", "high"):
        raise StatisticsError(f'side is "both", "low" or "high", found "{side}"')
    summary = summarise(values)
    _check(summary.n, content, confidence)
    sd = max(summary.sd or 0.0, least_sd)
    if sd <= 0:
        raise StatisticsError("proposed limits need values that differ, or the uncertainty of the readings")
    factor = (two_sided_factor if side == "both" else one_sided_factor)(summary.n, content, confidence)
    low = None if side == "high" else summary.mean - factor * sd
    high = None if side == "low" else summary.mean + factor * sd
    return ProposedLimits(low, high, summary.n, summary.mean, sd, factor, content, confidence)
