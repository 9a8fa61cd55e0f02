"""Limits that the units at hand would give, where they are closer than the limits in use."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from wakeboard.results.compare.compare import CheckRow, Comparison
from wakeboard.results.compare.good_units import GoodUnits, limits_from
from wakeboard.results.report.text import show_pair, state_words
from wakeboard.results.statistics import StatisticsError


@dataclass(frozen=True)
class ProposedRow:
    """Limits that the units at hand would give, beside those in use."""

    check: str
    state: str
    n: int
    now: str
    proposed: str


def proposed(c: Comparison) -> tuple[ProposedRow, ...]:
    """A row for each check with limits that enough good units would give closer ones."""
    good = GoodUnits(c)
    found = []
    for row in c.checks:
        if row.low is None and row.high is None:
            continue
        values = good.values(row)
        limits = _closer(row, values)
        if limits:
            now, name = show_pair(row.low, row.high, row.check.unit), f"{row.check.of} {row.check.quantity}"
            found.append(ProposedRow(name, state_words(row.check.state), len(values), now, limits))
    return tuple(found)


def _closer(row: CheckRow, values: Sequence[float]) -> str:
    """The proposed limits as text; empty unless they lie within those in use, and on the side of 0 that means anything
    (what may be more than 0 by the limits in use is held by no limit below 0)."""
    try:
        found = limits_from(row, values)
    except StatisticsError:
        return ""
    low = -math.inf if found.low is None else found.low
    high = math.inf if found.high is None else found.high
    if (row.low is not None and low < row.low) or (row.high is not None and high > row.high):
        return ""
    if row.low is None and found.high is not None and found.high <= 0 < (row.high or 0.0):
        return ""
    return show_pair(found.low, found.high, row.check.unit)
