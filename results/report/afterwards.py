"""What a unit should read once it is mended: where the other units stand, and what the design still shows in each."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Final

from wakeboard.results.compare.compare import CheckRow, Comparison
from wakeboard.results.report.text import and_list, check_words, show, show_pair

ROOM: Final = 0.1
"""Of a reading that the design itself puts outside its limits: units differ by a few percent, a fault by far more."""
FEW: Final = 4  # checks named


def should_read(c: Comparison, unit: str, lines: Iterable[str]) -> str:
    """Of the checks that are outside in this unit and not by the design: what the units read in which they pass.

    lines: nets that a bodge changes in every unit, told there.
    """
    told: dict[str, str] = {}
    for row in c.checks:
        if unit in row.outside and row.check.text not in c.common and row.check.of not in lines and row.limits:
            good = _good(c, row)
            if good:
                told.setdefault(check_words(row.check.text), _span(good, row.check.unit))
    few = [f"{check} {span}" for check, span in list(told.items())[:FEW]]
    return f"Afterwards expect what units read in which it passes: {'; '.join(few)}." if few else ""


def _span(values: list[float], unit: str) -> str:
    low, high = min(values), max(values)
    return show_pair(low, high, unit) if show(low, unit) != show(high, unit) else show(low, unit)


def _good(c: Comparison, row: CheckRow) -> list[float]:
    return [
        value
        for unit, value, outcome in zip(c.units, row.values.tolist(), row.outcomes, strict=True)
        if outcome == "pass" and math.isfinite(value) and unit in row.counted and unit not in row.unlike
    ]


def by_design(c: Comparison, lines: Iterable[str], short: Mapping[str, str]) -> str:
    """What stays outside its limits in a unit that is as drawn, with its figures; empty where nothing does."""
    rows = [row for text in c.common if not c.too_near(text) and (row := c.row(text)) is not None]
    rows = [row for row in rows if row.check.of not in set(lines)]
    if not rows:
        return ""
    figures = "; ".join(_figures(c, row) for row in rows)
    units = list(dict.fromkeys(u for row in rows for u in row.counted if u in row.outside))
    nets = list(dict.fromkeys(row.check.of for row in rows))
    stay = "stays outside its limits" if len(nets) == 1 else "stay outside their limits"
    return (
        f"By the design {and_list(nets)} {stay} in each unit, mended or not. Expect what "
        f"{and_list([short.get(u, u) for u in units])} read, with {ROOM:.0%} of room: {figures}. More than that, or "
        "anything else outside its limits, means that the unit is not done yet."
    )


def _figures(c: Comparison, row: CheckRow) -> str:
    values = [v for u, v in zip(c.units, row.values.tolist(), strict=True) if u in row.counted and math.isfinite(v)]
    if not values:
        return check_words(row.check.text)
    low, high = sorted((_three(min(values) * (1 - ROOM)), _three(max(values) * (1 + ROOM))))
    return f"{check_words(row.check.text)} {show_pair(low, high, row.check.unit)}"


def _three(value: float) -> float:
    return float(f"{value:.3g}")
