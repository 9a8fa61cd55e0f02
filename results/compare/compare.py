"""Units side by side: what lies outside its limits, or unlike the others, in all units, in some, in one.

Two things are told apart, and never by one word. A check is *outside its limits* in a unit when any of its judgements
failed or was marginal. It is *unlike the other units* when its reading lies so far from theirs that chance does so in
one check of a hundred (`rare_cut_off`), limits or not. (What does not fit the drawing, `explain` says.)
Outside in every unit that tells: the design, the bill of materials, a reel, a property of a part. In one: look at that
unit's assembly. In the reference unit too: look at the bench.

A reading counts only where the unit's rails were good in that bench state: on a board whose 3.3 V never came up, a line
that should be low reads low, which says nothing about the line, and one that should be high does not, which says
nothing new. What is outside there *follows* from the rail and is listed apart.

A unit is shown as it is now. What a rework mended still tells of the design: it counts where checks are sorted.

Source of the outlier rule: `wakeboard.results.statistics.outliers`. With fewer than four units only the limits decide.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from wakeboard.results.compare.grid import NOTHING, ODD, Grid, Limits
from wakeboard.results.compare.table import (
    CODES,
    Check,
    ReadingTable,
    by_age,
    judged_runs,
    latest_runs,
    table_of_records,
    table_of_store,
)
from wakeboard.results.records import OUTCOMES, RunRecord
from wakeboard.results.statistics.outliers import CUT_OFF, LEAST, outliers, power_of_few, rare_cut_off

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from wakeboard.results.store.store import Store


@dataclass(frozen=True)
class CheckRow:
    """One check over the units. `values` and `outcomes` in the order of the comparison's units; NaN/None: not taken.

    outside: units in which a judgement failed or was marginal; unlike: units that stand apart; outliers: units
    beyond the published cut-off of 3.5, unlike or not; counted: units whose reading says something about the design;
    mended: units in which it was outside before a rework and passes now; scores: modified z-scores. limits: what every
    judgement asks for, or, where two ask for what no value can be, each of them.
    """

    check: Check
    values: NDArray[np.float64]
    outcomes: tuple[str | None, ...]
    limits: tuple[Limits, ...]
    u: float | None
    median: float | None
    scores: NDArray[np.float64]
    outliers: tuple[str, ...]
    outside: tuple[str, ...]
    unlike: tuple[str, ...]
    counted: tuple[str, ...]
    mended: tuple[str, ...] = ()

    @property
    def low(self) -> float | None:
        """The lower limit that decided; of limits that contradict each other, that of the worst judgement."""
        return self.limits[0][0] if self.limits else None

    @property
    def high(self) -> float | None:
        """The upper limit that decided."""
        return self.limits[0][1] if self.limits else None

    @property
    def tells(self) -> tuple[str, ...]:
        """Units that are outside or unlike, and not only because a rail of theirs was down."""
        return tuple(unit for unit in self.counted if unit in self.outside or unit in self.unlike)


@dataclass(frozen=True)
class Comparison:
    """Units side by side. `common`, `several`, `single`, `follows` and `bench` name checks and steps by their text;
    `single` has what is outside its limits first, then what is only `unlike` the others. `mended`: text -> units that a
    rework put right. `steps`: steps that tripped or failed without a reading: text -> unit -> what the step said."""

    board: str
    units: tuple[str, ...]
    checks: tuple[CheckRow, ...]
    common: tuple[str, ...]
    several: dict[str, tuple[str, ...]]
    single: dict[str, tuple[str, ...]]
    follows: dict[str, tuple[str, ...]]
    bench: tuple[str, ...]
    reference: str | None
    outcomes: dict[str, str]
    says: str
    steps: dict[str, dict[str, str]] = field(default_factory=dict)
    unlike: dict[str, tuple[str, ...]] = field(default_factory=dict)
    mended: dict[str, tuple[str, ...]] = field(default_factory=dict)

    def outside(self, unit: str) -> tuple[str, ...]:
        """What lies outside its limits in this unit only."""
        apart = self.unlike.get(unit, ())
        return tuple(text for text in self.single.get(unit, ()) if text not in apart)

    def too_near(self, text: str) -> bool:
        """Whether what lies outside there is marginal in every unit: too near a limit to be decided."""
        row = self.row(text)
        if row is None or not row.outside:
            return False
        told = dict(zip(self.units, row.outcomes, strict=True))
        return all(told[unit] == "marginal" for unit in row.outside)

    def row(self, text: str) -> CheckRow | None:
        """The check of this text; None for a step or an unknown text."""
        return next((row for row in self.checks if row.check.text == text), None)

    def as_json(self) -> dict[str, Any]:
        """The document of `wakeboard compare --json`."""
        return {
            "board": self.board,
            "units": list(self.units),
            "checks": [_row_json(row, self.units) for row in self.checks],
            "common": list(self.common),
            "single": {unit: list(texts) for unit, texts in self.single.items()},
            "follows": {unit: list(texts) for unit, texts in self.follows.items()},
            "several": {text: list(units) for text, units in self.several.items()},
            "unlike": {unit: list(texts) for unit, texts in self.unlike.items()},
            "mended": {text: list(units) for text, units in self.mended.items()},
            "bench": list(self.bench),
            "reference": self.reference,
            "outcomes": self.outcomes,
            "steps": self.steps,
            "says": self.says,
        }


def _row_json(row: CheckRow, units: Sequence[str]) -> dict[str, object]:
    values = {u: None if math.isnan(v) else float(v) for u, v in zip(units, row.values, strict=True)}
    taken = {u: values[u] for u, o in zip(units, row.outcomes, strict=True) if o is not None}
    return {
        "check": row.check.text,
        "unit": row.check.unit,
        "values": taken,
        "median": row.median,
        "outliers": list(row.outliers),
        "outside": list(row.outside),
        "unlike": list(row.unlike),
        "mended": list(row.mended),
        "low": row.low,
        "high": row.high,
        "of": row.check.of,
        "quantity": row.check.quantity,
        "state": row.check.state,
    }


def compare_store(store: Store, board: str, *, sequence: str | None = None, reference: str | None = None) -> Comparison:
    """The units of a board as their latest finished runs left them (of one sequence, or of all)."""
    return compare(table_of_store(store, board, sequence=sequence, latest=True), reference)


def compare_records(records: Iterable[RunRecord], reference: str | None = None) -> Comparison:
    """The same from runs in memory; of several runs of a unit and sequence the last counts."""
    table = table_of_records(records)
    return compare(table.of_runs(judged_runs(table.runs)), reference)


def compare(table: ReadingTable, reference: str | None = None) -> Comparison:
    """Compare the units of a table as they are now; of earlier runs only what a rework has mended is told."""
    units = table.units
    age = by_age(table.runs)
    grid = Grid.of(table, units, age.now, older=age.stale)
    earlier = Grid.of(table, units, [*age.before, *age.stale])
    taken = [index for index in range(len(table.checks)) if grid.taken(index)]
    rows = tuple(_row(grid, earlier, index, units) for index in taken)
    steps = _odd_steps(table.of_runs([*age.stale, *age.now]))
    found = _Sorted.of(rows, steps, units, reference)
    outcomes = {table.runs[i].unit: str(table.runs[i].outcome) for i in latest_runs(table.runs)}
    return Comparison(
        board=table.board,
        units=tuple(units),
        checks=rows,
        common=tuple(found.common),
        several=found.several,
        single={unit: tuple(texts) for unit, texts in found.single.items()},
        follows={unit: tuple(texts) for unit, texts in found.follows.items()},
        bench=tuple(found.bench),
        reference=reference,
        outcomes=outcomes,
        says=power_of_few(len(units)) if units else "no unit has finished a run",
        steps={text: dict(by_unit) for text, by_unit in steps.items()},
        unlike={unit: tuple(texts) for unit, texts in found.unlike.items()},
        mended={row.check.text: row.mended for row in rows if row.mended},
    )


def _row(grid: Grid, earlier: Grid, index: int, units: Sequence[str]) -> CheckRow:
    import numpy as np

    values, outcome = grid.value[index], grid.outcome[index]
    numbers = np.isfinite(values)
    scores = np.zeros(len(units))
    median = float(np.median(values[numbers])) if numbers.any() else None
    u = _largest(grid.u[index])
    if numbers.sum() >= LEAST:
        scores[numbers] = outliers(values[numbers], floor=u or 0.0).scores
    mended = earlier.outside(index) & earlier.lit(index) & (outcome == CODES["pass"])
    return CheckRow(
        check=grid.checks[index],
        values=values,
        outcomes=tuple(None if code == NOTHING else OUTCOMES[code] for code in outcome.tolist()),
        limits=grid.limits_of(index),
        u=u,
        median=median,
        scores=scores,
        outliers=_named(np.abs(scores) > CUT_OFF, units),
        outside=_named(grid.outside(index), units),
        unlike=_named(np.abs(scores) > rare_cut_off(int(numbers.sum())), units),
        counted=_named(grid.counted(index), units),
        mended=_named(mended, units),
    )


def _largest(numbers: NDArray[np.float64]) -> float | None:
    finite = numbers[numbers == numbers]
    return float(finite.max()) if finite.size else None


def _named(mask: NDArray[np.bool_], units: Sequence[str]) -> tuple[str, ...]:
    return tuple(units[int(i)] for i in mask.nonzero()[0])


def _odd_steps(table: ReadingTable) -> dict[str, dict[str, str]]:
    """Steps that tripped or failed without a reading to show for it: text -> unit -> what the step says."""
    import numpy as np

    odd_runs = set(table.run[np.isin(table.outcome, [CODES[o] for o in ODD])].tolist())
    steps: dict[str, dict[str, str]] = {}
    for step in table.steps:
        silent = step.outcome in ODD and step.run not in odd_runs
        if step.outcome == "tripped" or silent:
            unit = table.runs[step.run].unit
            steps.setdefault(f"{step.name}: {step.outcome}", {})[unit] = step.says
    return steps


@dataclass
class _Sorted:
    """Checks and steps that are outside their limits or unlike the others, by how many units share them."""

    common: list[str] = field(default_factory=list)
    several: dict[str, tuple[str, ...]] = field(default_factory=dict)
    single: dict[str, list[str]] = field(default_factory=dict)
    follows: dict[str, list[str]] = field(default_factory=dict)
    bench: list[str] = field(default_factory=list)
    unlike: dict[str, list[str]] = field(default_factory=dict)

    @classmethod
    def of(
        cls,
        rows: Sequence[CheckRow],
        steps: dict[str, dict[str, str]],
        units: Sequence[str],
        reference: str | None,
    ) -> _Sorted:
        found = cls()
        for text, by_unit in steps.items():
            found._put(text, tuple(u for u in units if u in by_unit), tuple(units), reference)
        for row in rows:
            if row.outside or row.mended:
                found._put(row.check.text, row.outside, row.counted, reference, row.mended)
        for row in rows:
            found._put_apart(row)
        return found

    def _put(
        self,
        text: str,
        outside: tuple[str, ...],
        counted: tuple[str, ...],
        reference: str | None,
        mended: tuple[str, ...] = (),
    ) -> None:
        for unit in outside:
            if unit not in counted:
                self.follows.setdefault(unit, []).append(text)
        ever = tuple(unit for unit in counted if unit in outside or unit in mended)  # a rework of one excuses no other
        if len(counted) > 1 and set(counted) == set(ever):
            (self.bench if reference in ever else self.common).append(text)
        elif len(ever) == 1:
            if ever[0] in outside:
                self.single.setdefault(ever[0], []).append(text)
        elif ever:
            self.several[text] = ever

    def _put_apart(self, row: CheckRow) -> None:
        """What passes and stands apart from the other units: where to look, after what lies outside its limits."""
        apart = [unit for unit in row.unlike if unit not in row.outside]
        for unit in apart:
            if unit not in row.counted:
                self.follows.setdefault(unit, []).append(row.check.text)
        apart = [unit for unit in apart if unit in row.counted and unit not in row.mended]
        if len(apart) == 1 and row.check.text not in self.several:
            self.single.setdefault(apart[0], []).append(row.check.text)
            self.unlike.setdefault(apart[0], []).append(row.check.text)
        elif len(apart) > 1 and row.check.text not in (*self.common, *self.bench):
            self.several.setdefault(row.check.text, tuple(apart))
