"""The full table: every check over the units with its load; each reading outside the limit beside it says so."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from wakeboard.results.compare.compare import CheckRow, Comparison
from wakeboard.results.report.text import limits_words, load_words, show, state_without_load

LEAST_FOR_MEDIAN: Final = 3
"""A median of one or two units is those units, and no measure of others."""
Siblings = Mapping[tuple[str, str, str], list[CheckRow]]


@dataclass(frozen=True)
class Cell:
    """A unit's reading. outcome: as judged; note: what else is to be said of it; odd: marked as outside its limits."""

    text: str
    outcome: str
    note: str = ""
    odd: bool = False


@dataclass(frozen=True)
class TableRow:
    """A line of the full table: one cell a unit. load: what lay across the point, where it was more than the meter."""

    of: str
    quantity: str
    load: str
    limits: str
    cells: tuple[Cell, ...]
    median: str


@dataclass(frozen=True)
class Table:
    """Rows by bench state. left_out: readings without limits that are the meter's own noise in every unit, in words."""

    groups: tuple[tuple[str, tuple[TableRow, ...]], ...]
    left_out: str
    ohms: str


def table(c: Comparison, most_columns: int) -> Table:
    """`most_columns`: with more units only rows with something to show are given, without cells."""
    few = len(c.units) <= most_columns
    siblings = _siblings(c)
    groups: dict[str, list[TableRow]] = {}
    quiet = [row for row in c.checks if _is_noise(row)]
    for row in c.checks:
        if row in quiet or not (few or row.tells):
            continue
        state = state_without_load(row.check.state)
        same = siblings[(row.check.of, row.check.quantity, state)]
        groups.setdefault(state or "nothing powered", []).append(_row(c, row, same, few))
    return Table(tuple((state, tuple(rows)) for state, rows in groups.items()), _quiet_words(quiet), _ohms(c))


def _siblings(c: Comparison) -> Siblings:
    found: dict[tuple[str, str, str], list[CheckRow]] = defaultdict(list)
    for row in c.checks:
        found[(row.check.of, row.check.quantity, state_without_load(row.check.state))].append(row)
    return found


def _row(c: Comparison, row: CheckRow, same: list[CheckRow], few: bool) -> TableRow:
    numbers = [value for value in row.values.tolist() if math.isfinite(value)]
    median = show(row.median, row.check.unit) if len(numbers) >= LEAST_FOR_MEDIAN else ""
    load = load_words(row.check.state, alone=len(same) == 1)
    cells = tuple(_cell(c, row, same, unit) for unit in c.units) if few else ()
    return TableRow(row.check.of, row.check.quantity, load, limits_words(row.limits, row.check.unit), cells, median)


def _cell(c: Comparison, row: CheckRow, same: list[CheckRow], unit: str) -> Cell:
    at = c.units.index(unit)
    value, outcome = float(row.values[at]), row.outcomes[at]
    if outcome is None:
        return Cell("", "")
    text = show(value, row.check.unit) if math.isfinite(value) else "answer"
    if outcome in ("fail", "marginal"):
        return Cell(text, outcome, odd=True)
    if _beyond(row, value):
        return Cell(text, outcome, _judged_elsewhere(row, same, at), odd=True)
    return Cell(text, outcome, "unlike the others" if unit in row.unlike else "")


def _beyond(row: CheckRow, value: float) -> bool:
    """Outside the limits that stand in the row, though this unit's own reading was not held against them."""
    return (row.low is not None and value < row.low) or (row.high is not None and value > row.high)


def _judged_elsewhere(row: CheckRow, same: list[CheckRow], at: int) -> str:
    """A reading above the limit without a load is taken again with one, and that one is judged."""
    for other in same:
        if other is not row and other.outcomes[at] in ("fail", "marginal", "pass") and other.limits:
            return f"outside; judged with {load_words(other.check.state, alone=False)}: {other.outcomes[at]}"
    return "outside; not judged in this unit"


def _is_noise(row: CheckRow) -> bool:
    """AC of a line that nobody asked a limit of, below what any line that toggles shows, alike in all."""
    numbers = [abs(v) for v in row.values.tolist() if math.isfinite(v)]
    return row.check.quantity == "ac volts" and not row.limits and not row.tells and max(numbers, default=1.0) < 0.02


def _quiet_words(rows: list[CheckRow]) -> str:
    if not rows:
        return ""
    most = max(abs(v) for row in rows for v in row.values.tolist() if math.isfinite(v))
    lines = f"{len(rows)} lines" if len(rows) > 1 else "1 line"
    return f"Left out: the AC volts of {lines}, at most {show(most, 'V', 3)} in every unit: none toggles."


def _ohms(c: Comparison) -> str:
    """How exact the ohms are, from what the readings themselves say."""
    shares = [
        2 * row.u / max(abs(v) for v in row.values.tolist() if math.isfinite(v))
        for row in c.checks
        if row.check.unit == "Ω" and row.u and any(math.isfinite(v) and v for v in row.values.tolist())
    ]
    if not shares:
        return ""
    good = f"± {100 * min(shares):.2g} %" + (f" to ± {100 * max(shares):.2g} %" if max(shares) > min(shares) else "")
    return (
        f"The ohms are known to {good} of the highest in their row (95 %), leads not counted: below some ohms those "
        "count more. Across diodes and chips they depend on the meter's test current: compare units, not meters."
    )
