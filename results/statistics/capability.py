"""Process capability: how many times the spread of the units fits between the limits.

Cp compares widths, Cpk also the centring, Cpm punishes distance from a target. Sources: NIST/SEMATECH e-Handbook of
Statistical Methods, section 6.1.6; the interval of Cp by chi-square, of a one-sided Cpk exactly by the non-central t
distribution, of a two-sided Cpk by the normal approximation given there (from memory: A. F. Bissell, 1990).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from wakeboard.results.statistics.summary import StatisticsError, summarise

FEW = 25  # common practice, no source: below this an index is quoted with its interval or not at all


@dataclass(frozen=True)
class Capability:
    """Indices with their intervals at `confidence`; None where a limit that they need is missing."""

    n: int
    mean: float
    sd: float
    low: float | None
    high: float | None
    confidence: float
    cp: float | None
    cp_interval: tuple[float, float] | None
    cpl: float | None
    cpu: float | None
    cpk: float
    cpk_interval: tuple[float, float]
    cpm: float | None
    expected_out: float

    @property
    def k(self) -> float | None:
        """Off-centre distance as a share of half the limits' width (0 centred, 1 on a limit)."""
        if self.low is None or self.high is None:
            return None
        return abs((self.high + self.low) / 2 - self.mean) / ((self.high - self.low) / 2)

    @property
    def says(self) -> str:
        """What the indices allow to say, in words."""
        low, high = self.cpk_interval
        words = f"Cpk {self.cpk:.2f}, {self.confidence:.0%} interval {low:.2f} to {high:.2f} from {self.n} values"
        if self.n < FEW:
            words += f"; with fewer than {FEW} the interval is the result, the index alone is not"
        return words


def capability(
    values: Sequence[float],
    low: float | None,
    high: float | None,
    target: float | None = None,
    confidence: float = 0.95,
) -> Capability:
    """Capability of `values` against [low, high]; either limit may be None (one-sided), not both."""
    summary = summarise(values)
    if summary.sd is None:
        raise StatisticsError("a capability index needs at least 2 values, found 1")
    return capability_of(summary.n, summary.mean, summary.sd, low, high, target, confidence)


def capability_of(
    n: int,
    mean: float,
    sd: float,
    low: float | None,
    high: float | None,
    target: float | None = None,
    confidence: float = 0.95,
) -> Capability:
    """The same from n, mean and sample standard deviation."""
    _check(n, sd, low, high)
    cpl = None if low is None else (mean - low) / (3 * sd)
    cpu = None if high is None else (high - mean) / (3 * sd)
    cpk = min(index for index in (cpl, cpu) if index is not None)
    cp = None if low is None or high is None else (high - low) / (6 * sd)
    exact = low is None or high is None
    interval = _one_sided_interval(cpk, n, confidence) if exact else _two_sided_interval(cpk, n, confidence)
    cpm = None if cp is None or target is None else cp / math.sqrt(1 + ((mean - target) / sd) ** 2)
    return Capability(
        n=n,
        mean=mean,
        sd=sd,
        low=low,
        high=high,
        confidence=confidence,
        cp=cp,
        cp_interval=None if cp is None else _cp_interval(cp, n, confidence),
        cpl=cpl,
        cpu=cpu,
        cpk=cpk,
        cpk_interval=interval,
        cpm=cpm,
        expected_out=_expected_out(cpl, cpu),
    )


def _check(n: int, sd: float, low: float | None, high: float | None) -> None:
    if low is None and high is None:
        raise StatisticsError("a capability index needs a lower or an upper limit, found neither")
    if low is not None and high is not None and low >= high:
        raise StatisticsError(f"the lower limit {low:g} is not below the upper limit {high:g}")
    if n < 2:
        raise StatisticsError(f"a capability index needs at least 2 values, found {n}")
    if not sd > 0:
        raise StatisticsError("a capability index needs values that differ; all are equal")


def _cp_interval(cp: float, n: int, confidence: float) -> tuple[float, float]:
    from scipy import stats

    tail = (1 - confidence) / 2
    low, high = (float(stats.chi2.ppf(q, n - 1)) for q in (tail, 1 - tail))
    return cp * math.sqrt(low / (n - 1)), cp * math.sqrt(high / (n - 1))


def _two_sided_interval(cpk: float, n: int, confidence: float) -> tuple[float, float]:
    from scipy import stats

    z = float(stats.norm.ppf((1 + confidence) / 2))
    half = z * math.sqrt(1 / (9 * n) + cpk**2 / (2 * (n - 1)))
    return cpk - half, cpk + half


def _one_sided_interval(cpk: float, n: int, confidence: float) -> tuple[float, float]:
    """3 √n Cpk follows a non-central t with n - 1 degrees of freedom; invert it at both tails.

    Where the distribution cannot be computed (far beyond any limit that matters) the approximation stands in.
    """
    from scipy import stats

    root = 3 * math.sqrt(n)

    def at(index: float) -> float:
        return float(stats.nct.cdf(root * cpk, n - 1, root * index))

    tail = (1 - confidence) / 2
    low, high = _solve(at, cpk, 1 - tail, -1.0), _solve(at, cpk, tail, 1.0)
    if low is None or high is None:
        return _two_sided_interval(cpk, n, confidence)
    return low, high


def _solve(at: Callable[[float], float], start: float, level: float, way: float) -> float | None:
    """Where the falling function `at` crosses `level`, searched outwards from `start`; None where it is no number."""
    from scipy import optimize

    near, step = start, 0.1 * (1 + abs(start))
    while step < 1e3 * (1 + abs(start)):
        far = start + way * step
        miss = (at(far) - level) * way
        if math.isnan(miss):
            return None
        if miss <= 0:
            return float(optimize.brentq(lambda index: at(index) - level, near, far, xtol=1e-10))
        near, step = far, 1.6 * step
    return None


def _expected_out(cpl: float | None, cpu: float | None) -> float:
    """Share of units outside the limits, if they are normally distributed with just this mean and spread."""
    from scipy import stats

    return float(sum(stats.norm.sf(3 * index) for index in (cpl, cpu) if index is not None))
