"""Mean, spread, serial correlation and one-way analysis of variance."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


class StatisticsError(ValueError):
    """The numbers given cannot answer the question; the text says what is missing."""


@dataclass(frozen=True)
class Summary:
    """n values: mean and its standard error, sample sd (n - 1), extremes and median, in the unit of the values.

    `sd` and `sem` are None for a single value: one unit has no spread.
    """

    n: int
    mean: float
    sd: float | None
    sem: float | None
    median: float
    low: float
    high: float


@dataclass(frozen=True)
class OneWay:
    """One-way analysis of variance: sums of squares, degrees of freedom, F and its p-value."""

    f: float
    p: float
    df_between: int
    df_within: int
    ss_between: float
    ss_within: float

    @property
    def sd_within(self) -> float:
        """Residual standard deviation."""
        return math.sqrt(self.ss_within / self.df_within)

    @property
    def r_squared(self) -> float:
        """Share of the variation that the grouping explains, 0..1."""
        return self.ss_between / (self.ss_between + self.ss_within)


def finite(values: Sequence[float], least: int, what: str) -> NDArray[np.float64]:
    """The values as an array, shape (n,); refused when fewer than `least` or when one is not a finite number."""
    import numpy as np

    array = np.asarray(values, dtype=float)
    if array.ndim != 1 or array.size < least:
        raise StatisticsError(f"{what} needs at least {least} values, found {array.size}")
    if not np.isfinite(array).all():
        raise StatisticsError(f"{what} needs finite numbers, found an overload or a missing value")
    return array


def _origin(array: NDArray[np.float64]) -> float:
    """A value near all others. Differences from it are exact or nearly so, which keeps digits when the spread is
    1e-8 of the mean (a 10 V reference read to 0.1 µV)."""
    return float(array[0])


def summarise(values: Sequence[float]) -> Summary:
    """Mean, sample standard deviation and extremes of one or more values."""
    import numpy as np

    array = finite(values, 1, "a summary")
    origin = _origin(array)
    shifted = array - origin
    sd = float(np.std(shifted, ddof=1)) if array.size > 1 else None
    sem = None if sd is None else sd / math.sqrt(array.size)
    return Summary(
        n=int(array.size),
        mean=origin + float(np.mean(shifted)),
        sd=sd,
        sem=sem,
        median=float(np.median(array)),
        low=float(array.min()),
        high=float(array.max()),
    )


def one_way(groups: Sequence[Sequence[float]]) -> OneWay:
    """Do the groups (units, benches, days) differ by more than their own scatter?"""
    import numpy as np
    from scipy import stats

    if len(groups) < 2:
        raise StatisticsError(f"comparing groups needs at least 2 groups, found {len(groups)}")
    arrays = [finite(group, 1, "a group") for group in groups]
    origin = _origin(arrays[0])
    shifted = [array - origin for array in arrays]
    within_df = sum(array.size for array in shifted) - len(shifted)
    if within_df < 1:
        raise StatisticsError("comparing groups needs at least one group with 2 values, to know the scatter")
    everything = np.concatenate(shifted)
    between = float(sum(a.size * (a.mean() - everything.mean()) ** 2 for a in shifted))
    within = float(sum(((a - a.mean()) ** 2).sum() for a in shifted))
    if within == 0.0:
        raise StatisticsError("comparing groups needs some scatter inside a group; all repeats are equal")
    between_df = len(shifted) - 1
    f = (between / between_df) / (within / within_df)
    return OneWay(f, float(stats.f.sf(f, between_df, within_df)), between_df, within_df, between, within)
