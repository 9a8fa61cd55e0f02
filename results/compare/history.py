"""The same unit before and after a rework, and checks that drift as time goes by."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from wakeboard.results.compare.grid import ODD, dark_units, powered, rail_checks, severity
from wakeboard.results.compare.table import CODES, Check, ReadingTable
from wakeboard.results.records import OUTCOMES
from wakeboard.results.statistics.charts import IndividualsChart, WeightedChart, individuals, weighted

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

LEAST_FOR_DRIFT = 8  # fewer values cannot show a run of eight; common practice asks for twenty
_Side = tuple[float | None, int] | None  # value and outcome code; None where the check was not taken
_SAYS_NOTHING = (CODES["error"], CODES["skipped"])


@dataclass(frozen=True)
class Change:
    """One check before and after; None where it was not taken on that side."""

    check: Check
    before: float | None
    after: float | None
    outcome_before: str | None
    outcome_after: str | None


@dataclass(frozen=True)
class ReworkEffect:
    """What a rework did to a unit: the last run before it against the last run with it.

    added, removed: texts of the rework that came into force or was undone; mended, broken, still_outside: checks that
    went from outside their limits to pass, from pass to outside, and outside on both sides; revealed: checks that are
    outside now and passed before only because a rail was down then; untaken: how many checks one of the runs lacks.
    """

    unit: str
    sequence: str
    added: tuple[str, ...]
    removed: tuple[str, ...]
    run_before: str
    run_after: str
    outcome_before: str
    outcome_after: str
    mended: tuple[Change, ...]
    broken: tuple[Change, ...]
    revealed: tuple[Change, ...]
    still_outside: tuple[Change, ...]
    untaken: int

    def as_json(self) -> dict[str, object]:
        """The entry of `rework` in `wakeboard compare --rework --json`."""
        return {
            "unit": self.unit,
            "sequence": self.sequence,
            "added": list(self.added),
            "removed": list(self.removed),
            "before": {"run": self.run_before, "outcome": self.outcome_before},
            "after": {"run": self.run_after, "outcome": self.outcome_after},
            "mended": [_change_json(change) for change in self.mended],
            "broken": [_change_json(change) for change in self.broken],
            "revealed": [_change_json(change) for change in self.revealed],
            "still_outside": [_change_json(change) for change in self.still_outside],
            "untaken": self.untaken,
        }


def _change_json(change: Change) -> dict[str, object]:
    return {
        "check": change.check.text,
        "unit": change.check.unit,
        "before": change.before,
        "after": change.after,
        "outcome_before": change.outcome_before,
        "outcome_after": change.outcome_after,
    }


def rework_effects(table: ReadingTable) -> tuple[ReworkEffect, ...]:
    """Each change of the rework in force between runs of the same unit and sequence, in the order of time."""
    segments: dict[tuple[str, str], list[tuple[tuple[str, ...], int]]] = {}
    for index, run in enumerate(table.runs):
        if run.outcome is None:
            continue
        found = segments.setdefault((run.unit, run.sequence), [])
        if found and found[-1][0] == run.rework:
            found[-1] = (run.rework, index)
        else:
            found.append((run.rework, index))
    pairs = [(a[1], b[1]) for found in segments.values() for a, b in itertools.pairwise(found)]
    return tuple(_effect(table, before, after) for before, after in sorted(pairs, key=lambda pair: pair[1]))


def _effect(table: ReadingTable, before: int, after: int) -> ReworkEffect:
    one, two = table.runs[before], table.runs[after]
    readings = [_of_run(table, index) for index in (before, after)]
    changes = [
        _change(table.checks[code], readings[0].get(code), readings[1].get(code))
        for code in dict.fromkeys([*readings[0], *readings[1]])
    ]
    worse = [c for c in changes if c.outcome_before == "pass" and _outside(c.outcome_after)]
    told_nothing = _told_nothing(table, before)
    return ReworkEffect(
        unit=one.unit,
        sequence=one.sequence,
        added=tuple(text for text in two.rework if text not in one.rework),
        removed=tuple(text for text in one.rework if text not in two.rework),
        run_before=one.id,
        run_after=two.id,
        outcome_before=one.outcome or "",
        outcome_after=two.outcome or "",
        mended=tuple(c for c in changes if _outside(c.outcome_before) and c.outcome_after == "pass"),
        broken=tuple(c for c in worse if c.check not in told_nothing),
        revealed=tuple(c for c in worse if c.check in told_nothing),
        still_outside=tuple(c for c in changes if _outside(c.outcome_before) and _outside(c.outcome_after)),
        untaken=sum(None in (c.outcome_before, c.outcome_after) for c in changes),
    )


def _outside(outcome: str | None) -> bool:
    return outcome in ODD


def _told_nothing(table: ReadingTable, run: int) -> set[Check]:
    """Checks of a run in bench states in which one of its rails was not good: their passing says nothing."""
    import numpy as np

    rows = table.of_runs([run])
    dark = dark_units(rows, np.zeros(rows.run.size, dtype=np.int64), 1)
    rails = rail_checks(rows)
    return {check for code, check in enumerate(table.checks) if powered(check.state) in dark and code not in rails}


def _of_run(table: ReadingTable, run: int) -> dict[int, tuple[float | None, int]]:
    """Check -> (value, outcome code) of one run; of several judgements of a check the worst counts, then the last."""
    import numpy as np

    found: dict[int, tuple[float | None, int]] = {}
    for row in np.flatnonzero(table.run == run).tolist():
        check, code = int(table.check[row]), int(table.outcome[row])
        known = found.get(check)
        if code not in _SAYS_NOTHING and (known is None or severity(code) >= severity(known[1])):
            value = float(table.value[row])
            found[check] = (None if math.isnan(value) else value, code)
    return found


def _change(check: Check, before: _Side, after: _Side) -> Change:
    values = [side[0] if side else None for side in (before, after)]
    words = [OUTCOMES[side[1]] if side else None for side in (before, after)]
    return Change(check, values[0], values[1], words[0], words[1])


@dataclass(frozen=True)
class Drift:
    """A check in the order of time: its chart, and the run of each value."""

    check: Check
    chart: IndividualsChart
    runs: tuple[str, ...]
    average: WeightedChart

    @property
    def steady(self) -> bool:
        """Neither a value stands out nor does their weighted average."""
        return self.chart.steady and not self.average.beyond

    @property
    def says(self) -> str:
        """What both charts say."""
        if not self.average.beyond:
            return self.chart.says
        return self.average.says if self.chart.steady else f"{self.chart.says}; {self.average.says}"

    def as_json(self) -> dict[str, object]:
        """The entry of `drift` in `wakeboard compare --drift --json`."""
        chart = self.chart
        return {
            "check": self.check.text,
            "unit": self.check.unit,
            "n": len(chart.values),
            "mean": chart.centre,
            "low": chart.lower,
            "high": chart.upper,
            "beyond": [self.runs[i] for i in chart.beyond],
            "jumps": [self.runs[i] for i in chart.jumps],
            "runs": [self.runs[i] for i in chart.runs],
            "drifts": [self.runs[i] for i in self.average.beyond],
            "says": self.says,
        }


def drifts(table: ReadingTable, *, all_checks: bool = False) -> tuple[Drift, ...]:
    """Checks that are not steady in time (or all, with `all_checks`), by individuals charts and weighted averages.

    Of several readings of a check in one run the last counts. Checks with fewer than eight values are left out.
    """
    import numpy as np

    usable = np.isfinite(table.value) & ~np.isin(table.outcome, _SAYS_NOTHING)
    rows = np.flatnonzero(usable)
    order = rows[np.argsort(table.check[rows], kind="stable")]
    edges = np.flatnonzero(np.diff(table.check[order])) + 1
    found = []
    for part in np.split(order, edges):
        if part.size < LEAST_FOR_DRIFT:
            continue
        last = _last_of_each_run(table.run[part])
        if last.size >= LEAST_FOR_DRIFT:
            drift = _drift(table, part[last])
            if all_checks or not drift.steady:
                found.append(drift)
    return tuple(found)


def _last_of_each_run(runs: NDArray[np.int64]) -> NDArray[np.int64]:
    import numpy as np

    return np.flatnonzero(np.append(np.diff(runs) != 0, True))


def _drift(table: ReadingTable, rows: Sequence[int] | NDArray[np.int64]) -> Drift:
    import numpy as np

    index = np.asarray(rows)
    runs = tuple(table.runs[i].id for i in table.run[index].tolist())
    values = table.value[index].tolist()
    return Drift(table.checks[int(table.check[index[0]])], individuals(values), runs, weighted(values))
