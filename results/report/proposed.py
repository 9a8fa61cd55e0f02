"""Limits that the units at hand would give: only from readings that nothing speaks against, and only where they are
closer than the limits in use."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from wakeboard.results.compare.compare import CheckRow, Comparison
from wakeboard.results.compare.grid import powered
from wakeboard.results.report.text import show_pair, state_words
from wakeboard.results.statistics import StatisticsError, propose_limits

LEAST_UNITS: Final = 5
"""From fewer the tolerance factor is above 7 (one side, 99 % of units with 95 % confidence): no limit to work with."""
NOISE_VOLTS: Final = 0.02
"""Readings all below this are 0 V (as in the analysis of lines): their spread is the meter's, and makes no limit."""


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
    bad = _failing(c)
    found = []
    for row in c.checks:
        if (row.low is None and row.high is None) or _place(row) in bad["every"]:
            continue
        values = _good(c, row, bad)
        if len(values) < LEAST_UNITS or (row.check.unit == "V" and max(map(abs, values)) < NOISE_VOLTS):
            continue
        limits = _closer(row, values)
        if limits:
            now, name = show_pair(row.low, row.high, row.check.unit), f"{row.check.of} {row.check.quantity}"
            found.append(ProposedRow(name, state_words(row.check.state), len(values), now, limits))
    return tuple(found)


Place = tuple[str, str]  # a net, and what was powered


def _place(row: CheckRow) -> Place:
    return row.check.of, powered(row.check.state)


def _failing(c: Comparison) -> dict[str, set[Place]]:
    """Unit -> nets that fail there in a bench state, by whatever load, step or judgement; "every": where most that took
    a reading fail, what is left of them is no sample of good ones."""
    found: dict[str, set[Place]] = {unit: set() for unit in c.units}
    found["every"] = set()
    for row in c.checks:
        for unit in row.outside:
            found[unit].add(_place(row))
        if len(row.outside) * 2 > sum(outcome is not None for outcome in row.outcomes):
            found["every"].add(_place(row))
    return found


def _good(c: Comparison, row: CheckRow, bad: dict[str, set[Place]]) -> list[float]:
    """Readings that lie inside the limits in use, of units with good rails in which nothing is odd about this net."""
    left_out = {u for u in c.units if u in row.unlike or u not in row.counted or _place(row) in bad[u]}
    pairs = zip(c.units, row.values.tolist(), strict=True)
    return [v for u, v in pairs if u not in left_out and math.isfinite(v) and _inside(row, v)]


def _inside(row: CheckRow, value: float) -> bool:
    return (row.low is None or value >= row.low) and (row.high is None or value <= row.high)


def _closer(row: CheckRow, values: Sequence[float]) -> str:
    """The proposed limits as text; empty unless they lie within those in use, and on the side of 0 that means anything
    (what may be more than 0 by the limits in use is held by no limit below 0)."""
    side = "high" if row.low is None else "low" if row.high is None else "both"
    try:
        found = propose_limits(values, side=side, least_sd=row.u or 0.0)
    except StatisticsError:
        return ""
    low = -math.inf if found.low is None else found.low
    high = math.inf if found.high is None else found.high
    if (row.low is not None and low < row.low) or (row.high is not None and high > row.high):
        return ""
    if row.low is None and found.high is not None and found.high <= 0 < (row.high or 0.0):
        return ""
    return show_pair(found.low, found.high, row.check.unit)
