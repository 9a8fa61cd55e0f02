"""Limits that the units at hand would give: said once, for the board's report, a batch's and `compare --statistics`.

good = GoodUnits(comparison)
values = good.values(row)             only from readings that nothing speaks against
limits = limits_from(row, values)     raises StatisticsError, which says why there are none
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from wakeboard.results.compare.compare import CheckRow, Comparison
from wakeboard.results.compare.grid import powered
from wakeboard.results.counted import count
from wakeboard.results.statistics import ProposedLimits, StatisticsError, propose_limits

LEAST_UNITS: Final = 5
"""From fewer the tolerance factor is above 7 (one side, 99 % of units with 95 % confidence): no limit to work with."""
NOISE_VOLTS: Final = 0.02
"""Readings all below this are 0 V (as in the analysis of lines): their spread is the meter's, and makes no limit."""

Place = tuple[str, str]  # a net, and what was powered


class GoodUnits:
    """What fails where. Where most units that took a reading fail, what is left of them is no sample of good ones."""

    def __init__(self, comparison: Comparison) -> None:
        self._units = comparison.units
        self._bad: dict[str, set[Place]] = {unit: set() for unit in comparison.units}
        self._lost: set[Place] = set()
        for row in comparison.checks:
            for unit in row.outside:
                self._bad[unit].add(_place(row))
            if len(row.outside) * 2 > sum(outcome is not None for outcome in row.outcomes):
                self._lost.add(_place(row))

    def values(self, row: CheckRow) -> list[float]:
        """Readings inside the limits in use, of units with good rails in which nothing is odd about this net, by
        whatever load, step or judgement."""
        place = _place(row)
        if place in self._lost:
            return []
        left_out = {u for u in self._units if u in row.unlike or u not in row.counted or place in self._bad[u]}
        pairs = zip(self._units, row.values.tolist(), strict=True)
        return [v for u, v in pairs if u not in left_out and math.isfinite(v) and _inside(row, v)]


def limits_from(row: CheckRow, values: Sequence[float]) -> ProposedLimits:
    """One-sided where the design has one limit; on both sides where it has both, or none. No resistance lies below 0 Ω.

    Raises StatisticsError where the values give no limit, and says why.
    """
    if len(values) < LEAST_UNITS:
        raise StatisticsError(f"limits need {LEAST_UNITS} good units, and there are {len(values)}")
    if row.check.unit == "V" and max(map(abs, values)) < NOISE_VOLTS:
        raise StatisticsError(f"all {count(len(values), 'reading')} are below {NOISE_VOLTS * 1e3:g} mV: noise of 0 V")
    one = (row.low is None) != (row.high is None)
    side = "both" if not one else "high" if row.low is None else "low"
    found = propose_limits(values, side=side, least_sd=row.u or 0.0)
    if row.check.unit != "Ω" or found.low is None or found.low >= 0.0:
        return found
    if found.high is None:
        raise StatisticsError("the units spread too far for a limit: it would be below 0 Ω")
    return replace(found, low=None)


def _place(row: CheckRow) -> Place:
    return row.check.of, powered(row.check.state)


def _inside(row: CheckRow, value: float) -> bool:
    return (row.low is None or value >= row.low) and (row.high is None or value <= row.high)
