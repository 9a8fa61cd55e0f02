"""From a reading and its limits to an outcome, with uncertainty and guard band.

    decide(3.31, 0.002, Limits(3.2, 3.4, "board"))     "pass"

A value y with standard uncertainty u has the expanded uncertainty U = 2u (coverage factor 2, JCGM 100:2008, 6.3). With
limits [L, H] and a guard band as wide as U: pass inside [L+U, H-U], fail outside [L-U, H+U], marginal between
(ILAC-G8:09/2019, 4.2.3; JCGM 106:2012, 8.3). Where the interval is narrower than 2U nothing can pass.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

Outcome = Literal["pass", "fail", "marginal", "skipped", "tripped", "error"]
Origin = Literal["step", "board", "circuit", ""]

COVERAGE: Final = 2.0  # U = 2u
_WORST_LAST: Final = ("pass", "skipped", "marginal", "fail", "tripped", "error")


@dataclass(frozen=True, slots=True)
class Limits:
    """What a value is held against; None is an open end. `origin` says whose limits they are."""

    low: float | None = None
    high: float | None = None
    origin: Origin = ""


OPEN: Final = Limits()


def decide(value: float, u: float | None, limits: Limits) -> Outcome:
    """The outcome of one reading; `u` is its standard uncertainty (None: not known, counted as zero).

    A value that is not a number is an error of the bench; an infinite one is judged like any other.
    """
    if math.isnan(value):
        return "error"
    band = COVERAGE * (u or 0.0)
    low = -math.inf if limits.low is None else limits.low
    high = math.inf if limits.high is None else limits.high
    if value < low - band or value > high + band:
        return "fail"
    return "pass" if low + band <= value <= high - band else "marginal"


def decide_beyond(reached: float, limits: Limits) -> Outcome:
    """The outcome of a value known only to lie above `reached` (an overload of a fixed range)."""
    if limits.high is not None and limits.high <= reached:
        return "fail"
    if limits.high is None and (limits.low is None or limits.low <= reached):
        return "pass"
    return "marginal"


def worst(outcomes: Iterable[str]) -> Outcome:
    """The outcome of a whole from those of its pieces; "pass" for none, "skipped" only where all were skipped."""
    found = set(outcomes)
    if found == {"skipped"}:
        return "skipped"
    last: Outcome = "pass"
    for outcome in _WORST_LAST:
        if outcome in found and outcome != "skipped":
            last = outcome
    return last


# --- uncertainty ----------------------------------------------------------------------------------------------------
def rectangular(half_width: float) -> float:
    """Standard uncertainty of a value known only to lie within ± half_width (JCGM 100:2008, 4.3.7)."""
    return half_width / math.sqrt(3.0)


def combined(*parts: float) -> float:
    """Standard uncertainty from independent ones that add with sensitivity one (JCGM 100:2008, 5.1.2)."""
    return math.sqrt(sum(part * part for part in parts))


def propagate(
    function: Callable[..., float], values: Sequence[float], covariance: Sequence[Sequence[float]]
) -> tuple[float, float]:
    """A function's value and standard uncertainty from correlated inputs (JCGM 100:2008, 5.2.2).

    covariance: n x n; its diagonal holds the squared standard uncertainties, by which the partial derivatives are
    taken numerically (5.1.3, note 2).
    """
    slopes = [_slope(function, values, at, math.sqrt(covariance[at][at])) for at in range(len(values))]
    variance = sum(slopes[i] * slopes[j] * covariance[i][j] for i in range(len(values)) for j in range(len(values)))
    return function(*values), math.sqrt(max(variance, 0.0))


def _slope(function: Callable[..., float], values: Sequence[float], at: int, u: float) -> float:
    if u == 0.0:
        return 0.0
    up, down = list(values), list(values)
    up[at] += u
    down[at] -= u
    return (function(*up) - function(*down)) / (2.0 * u)
