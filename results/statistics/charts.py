"""Control charts: does a reading drift from unit to unit, from day to day?

An individuals chart takes its spread from the moving range of neighbours, so that a slow drift does not widen the
limits that should show it. Source: NIST/SEMATECH e-Handbook 6.3.2 and 6.3.2.2; constants by integration of the
distribution of the range, agreeing with the tables there and in ASTM E2587 to their printed digits.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from wakeboard.results.statistics.summary import StatisticsError, finite

EWMA_WEIGHT = 0.2  # e-Handbook 6.3.2.4: between 0.2 and 0.3
EWMA_WIDTH = 3.0  # sd of the average on each side
RUN_LENGTH = 8  # e-Handbook 6.3.2: eight in a row on one side of the centre line


# Share of charts of n independent normal values, nothing wrong, on which one of the three rules marks something.
# Measured: 4000 charts each, numpy default_rng(1); standard error below 0.01.
FALSE_ALARMS = {8: 0.03, 10: 0.05, 20: 0.14, 40: 0.34, 100: 0.71}


@dataclass(frozen=True)
class ChartConstants:
    """For normal samples of n: E(range) = d2·sd, sd(range) = d3·sd, E(s) = c4·sd, and the chart factors from them."""

    n: int
    d2: float
    d3: float
    c4: float

    @property
    def a2(self) -> float:
        """Factor for limits of means from the average range."""
        return 3 / (self.d2 * math.sqrt(self.n))

    @property
    def lower_d3(self) -> float:
        """Factor D3 for the lower limit of ranges."""
        return max(0.0, 1 - 3 * self.d3 / self.d2)

    @property
    def upper_d4(self) -> float:
        """Factor D4 for the upper limit of ranges."""
        return 1 + 3 * self.d3 / self.d2

    @property
    def e2(self) -> float:
        """Factor for limits of individuals from the average moving range of n."""
        return 3 / self.d2

    @property
    def d2_one_group(self) -> float:
        """d2* for a single group: the root mean square of its range, in sd."""
        return math.hypot(self.d2, self.d3)


@dataclass(frozen=True)
class IndividualsChart:
    """Centre and limits of individuals and moving ranges, in the unit of the values; indices of what stands out."""

    values: tuple[float, ...]
    ranges: tuple[float, ...]
    centre: float
    lower: float
    upper: float
    mean_range: float
    range_upper: float
    beyond: tuple[int, ...]
    jumps: tuple[int, ...]
    runs: tuple[int, ...]

    @property
    def steady(self) -> bool:
        """True when no point, jump or run stands out."""
        return not (self.beyond or self.jumps or self.runs)

    @property
    def says(self) -> str:
        """What stands out, in words; positions count from 1."""
        found = (
            ("beyond the limits at", self.beyond),
            ("a jump at", self.jumps),
            (f"{RUN_LENGTH} or more in a row on one side of the mean, ending at", self.runs),
        )
        parts = [f"{words} {', '.join(str(i + 1) for i in where)}" for words, where in found if where]
        return "; ".join(parts) or f"steady: nothing stands out among {len(self.values)}"


@lru_cache(maxsize=64)
def chart_constants(n: int) -> ChartConstants:
    """Constants for samples of n, from 2 up to 100."""
    import numpy as np
    from scipy import special

    if not 2 <= n <= 100:
        raise StatisticsError(f"chart constants are for samples of 2 to 100, found {n}")
    x = np.linspace(-9, 9, 1801)  # the trapezoid rule converges geometrically for these smooth, vanishing integrands
    step = float(x[1] - x[0])
    below = special.ndtr(x)
    above = special.ndtr(-x)
    d2 = float(np.sum(1 - below**n - above**n)) * step
    # E(R²) = 2 ∬_{x<y} P(minimum < x and maximum > y)
    joint = 1 - below[None, :] ** n - above[:, None] ** n + np.clip(below[None, :] - below[:, None], 0, 1) ** n
    weight = np.triu(np.ones_like(joint)) - 0.5 * np.eye(x.size)  # the diagonal is the edge of the triangle
    square = 2 * float(np.sum(weight * joint)) * step**2
    c4 = math.sqrt(2 / (n - 1)) * math.exp(math.lgamma(n / 2) - math.lgamma((n - 1) / 2))
    return ChartConstants(n, d2, math.sqrt(square - d2**2), c4)


def individuals(values: Sequence[float]) -> IndividualsChart:
    """Individuals chart of at least two values in their order of time (8 or more make it worth reading)."""
    import numpy as np

    array = finite(values, 2, "an individuals chart")
    constants = chart_constants(2)
    ranges = np.abs(np.diff(array))
    centre, mean_range = float(array.mean()), float(ranges.mean())
    half = constants.e2 * mean_range
    range_upper = constants.upper_d4 * mean_range
    rounding = 1e-12 * float(np.abs(array).max())  # equal values differ from their own mean by this much
    return IndividualsChart(
        values=tuple(float(v) for v in array),
        ranges=tuple(float(r) for r in ranges),
        centre=centre,
        lower=centre - half,
        upper=centre + half,
        mean_range=mean_range,
        range_upper=range_upper,
        beyond=tuple(int(i) for i in np.flatnonzero(np.abs(array - centre) > half + rounding)),
        jumps=tuple(int(i) + 1 for i in np.flatnonzero(ranges > range_upper + rounding)),
        runs=_runs([float(v) if abs(v) > rounding else 0.0 for v in array - centre]),
    )


@dataclass(frozen=True)
class WeightedChart:
    """Exponentially weighted moving average: it answers to a small drift that lasts, which single points hide.

    averages: the first is the centre; beyond: indices of values (from 0) at which the average is outside its limits.
    """

    averages: tuple[float, ...]
    centre: float
    lower: tuple[float, ...]
    upper: tuple[float, ...]
    weight: float
    beyond: tuple[int, ...]

    @property
    def says(self) -> str:
        """Where the average left its limits first, in words; positions count from 1."""
        if not self.beyond:
            return "no drift of the weighted average"
        first = self.beyond[0]
        way = "up" if self.averages[first + 1] > self.centre else "down"
        return f"the weighted average drifts {way}, beyond its limits from {first + 1} on"


def weighted(
    values: Sequence[float], weight: float = EWMA_WEIGHT, width: float = EWMA_WIDTH,
    centre: float | None = None, sd: float | None = None,
) -> WeightedChart:  # fmt: skip
    """EWMA chart of at least two values in their order of time (NIST/SEMATECH e-Handbook 6.3.2.4).

    centre, sd: of the process while it was steady; else the mean, and the spread between neighbours, which a slow drift
    does not widen. The limits are those of the i-th average: narrower at first.
    """
    import numpy as np

    array = finite(values, 2, "a weighted average")
    if not 0 < weight <= 1:
        raise StatisticsError(f"the weight lies between 0 and 1, found {weight:g}")
    middle = float(array.mean()) if centre is None else centre
    spread = float(np.abs(np.diff(array)).mean()) / chart_constants(2).d2 if sd is None else sd
    averages = [middle]
    for value in array.tolist():
        averages.append(weight * value + (1 - weight) * averages[-1])
    steps = np.arange(1, array.size + 1)
    half = width * spread * np.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2 * steps)))
    rounding = 1e-12 * float(np.abs(array).max())
    beyond = np.flatnonzero(np.abs(np.array(averages[1:]) - middle) > half + rounding)
    return WeightedChart(
        tuple(averages), middle, tuple((middle - half).tolist()), tuple((middle + half).tolist()), weight,
        tuple(int(i) for i in beyond),
    )  # fmt: skip


def chance_words(n: int) -> str:
    """How much a mark on a chart of n values is worth, in words."""
    known = [size for size in FALSE_ALARMS if size <= n]
    share = FALSE_ALARMS[max(known)] if known else 0.0
    words = f"chance alone marks something on about {share:.0%} of charts of {max(known)} values" if known else ""
    return words or "too few values to mark anything by chance, and too few to show a drift"


def _runs(centred: Sequence[float]) -> tuple[int, ...]:
    """Indices at which a run of one sign ends that is at least RUN_LENGTH long."""
    ends, length, before = [], 0, 0.0
    for index, value in enumerate([*centred, 0.0]):
        sign = math.copysign(1, value) if value else 0.0
        if sign and sign == before:
            length += 1
            continue
        if length >= RUN_LENGTH:
            ends.append(index - 1)
        length, before = (1 if sign else 0), sign
    return tuple(ends)
