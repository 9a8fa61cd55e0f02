"""What a guard band costs and saves: how many bad boards pass, how many good ones are turned away.

Over all units of a normal distribution (mean, sd), each read with a standard uncertainty u: the global risks of JCGM
106:2012, 9.5. A reading passes inside limits narrowed by a guard band on each side; a negative one widens them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from wakeboard.results.statistics.summary import StatisticsError

_REACH = 9.0  # sd: beyond it there is nothing
_NODES = 400  # of the quadrature: twice as many change 72 risks (u from 0.003 of the limits) by < 1e-13


@dataclass(frozen=True)
class Risk:
    """Shares of all units: bad and yet passed (the consumer's risk), good and yet not passed (the producer's)."""

    passed_bad: float
    refused_good: float
    bad: float

    @property
    def says(self) -> str:
        """Both in words, in units of a million where they are small."""
        return f"passes {_share(self.passed_bad)} bad units, refuses {_share(self.refused_good)} good ones"


def _share(share: float) -> str:
    return f"{share:.2%} of" if share >= 1e-4 else f"{share * 1e6:.2g} in a million"


def global_risk(mean: float, sd: float, u: float, low: float | None, high: float | None, guard: float) -> Risk:
    """Risks of limits [low, high] with a guard band, all in the unit of the values; None is an open side.

    One-dimensional integrals over the true value, by Gauss and Legendre in the pieces that the limits cut.
    """
    if not (sd > 0 and u > 0):
        raise StatisticsError("a risk needs a spread of the units and an uncertainty of the readings, both above zero")
    if low is None and high is None:
        raise StatisticsError("a risk needs a lower or an upper limit, found neither")
    below = -math.inf if low is None else low
    above = math.inf if high is None else high
    if below >= above:
        raise StatisticsError(f"the lower limit {below:g} is not below the upper limit {above:g}")
    first, last = mean - _REACH * sd, mean + _REACH * sd
    good_from, good_to = min(max(below, first), last), min(max(above, first), last)

    def passed(start: float, end: float) -> tuple[float, float]:
        return _over(start, end, mean, sd, u, below + guard, above - guard)

    inside, inside_passed = passed(good_from, good_to)
    outside = [passed(first, good_from), passed(good_to, last)]
    return Risk(sum(p for _, p in outside), max(0.0, inside - inside_passed), sum(share for share, _ in outside))


def _over(start: float, end: float, mean: float, sd: float, u: float, low: float, high: float) -> tuple[float, float]:
    """(share of units whose true value lies between start and end, share of these that are read inside low .. high)."""
    import numpy as np
    from scipy.special import ndtr

    if not end > start:
        return 0.0, 0.0
    x, w = np.polynomial.legendre.leggauss(_NODES)
    true = start + (end - start) * (x + 1) / 2
    weight = w * (end - start) / 2 * np.exp(-0.5 * ((true - mean) / sd) ** 2) / (sd * math.sqrt(2 * math.pi))
    read = np.clip(ndtr((high - true) / u) - ndtr((low - true) / u), 0.0, 1.0) if high > low else np.zeros_like(true)
    return float(weight.sum()), float(weight @ read)
