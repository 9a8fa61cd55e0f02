"""Preferred numbers (IEC 60063): the values in which resistors are sold.

E3 to E24 are a table (eight of the E24 values are not the rounded powers that one would expect); E48 to E192 are the
powers rounded to three figures, with the one exception of the standard: 9.20 stands in E192 where the rule gives 9.19.
"""

from __future__ import annotations

import bisect
import math
from functools import cache
from typing import Final

# IEC 60063
_E24: Final = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)

TOLERANCE: Final = {"E6": 0.20, "E12": 0.10, "E24": 0.05, "E48": 0.02, "E96": 0.01, "E192": 0.005}
"""The tolerance that goes with each series (relative)."""


@cache
def decade(series: str) -> tuple[float, ...]:
    """Values of one decade, 1.0 <= v < 10, ascending. series: "E3" … "E192"."""
    try:
        count = int(series.removeprefix("E"))
    except ValueError:
        count = 0
    if count in (3, 6, 12, 24):
        return tuple(v / 10 for v in _E24[:: 24 // count])
    if count in (48, 96, 192):
        powers = [round(100 * 10 ** (i / count)) for i in range(count)]
        return tuple((920 if v == 919 else v) / 100 for v in powers)
    raise ValueError(f"no series {series!r}; there are E3, E6, E12, E24, E48, E96, E192")


def values_between(low: float, high: float, series: str = "E24") -> list[float]:
    """All preferred values v with low <= v <= high, ascending (same unit as the bounds, both > 0)."""
    if not 0 < low <= high:
        return []
    first, last = math.floor(math.log10(low)) - 1, math.ceil(math.log10(high)) + 1
    # Multiplying by a rounded power keeps 4.7 k exactly 4700.0 rather than 4700.000000000001.
    every = (
        round(v * 100) * 10.0 ** (n - 2) if n >= 2 else round(v * 100) / 10.0 ** (2 - n)
        for n in range(first, last + 1)
        for v in decade(series)
    )
    slack = 1e-9
    return [v for v in every if low * (1 - slack) <= v <= high * (1 + slack)]


def nearest(value: float, series: str = "E24") -> float:
    """The preferred value with the smallest ratio to `value` (> 0)."""
    if not (value > 0 and math.isfinite(value)):
        raise ValueError(f"no preferred value near {value!r}")
    around = values_between(value / 10, value * 10, series)
    at = bisect.bisect_left(around, value)
    return min(around[max(at - 1, 0) : at + 1], key=lambda v: abs(math.log(v / value)))


def middle(low: float, high: float, series: str = "E24") -> float | None:
    """The preferred value within [low, high] nearest the geometric middle; None where the window holds none."""
    within = values_between(low, high, series)
    if not within:
        return None
    return min(within, key=lambda v: abs(math.log(v / math.sqrt(low * high))))
