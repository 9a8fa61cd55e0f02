"""Units side by side: what is odd in all of them, in some, in one.

A check is *odd* in a unit when its reading failed or was marginal, or when it lies so far from the other units that
chance does so in one check of a hundred (`rare_cut_off`). Odd in every unit that took it: look at the design. In one:
look at that unit's assembly. In the reference unit too: look at the bench.

A reading counts only where the unit's rails were good in that bench state: on a board whose 3.3 V never came up, a line
that should be low reads low, which says nothing about the line, and one that should be high does not, which says
nothing new. What is odd there *follows* from the rail and is listed apart.

Source of the outlier rule: `wakeboard.results.statistics_outliers`. With fewer than four units only the limits decide.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from wakeboard.results.compare_table import CODES, Check, ReadingTable, latest_runs, table_of_records, table_of_store
from wakeboard.results.records import OUTCOMES, RunRecord
from wakeboard.results.statistics_outliers import CUT_OFF, LEAST, outliers, power_of_few, rare_cut_off

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from wakeboard.results.store import Store

ODD = frozenset({"fail", "marginal"})
_NOTHING = -1  # no reading of this check from this unit


@dataclass(frozen=True)
class CheckRow:
    """One check over the units. `values` and `outcomes` in the order of the comparison's units; NaN/None: not taken.

    odd: units in which it is odd; outliers: units beyond the published cut-off of 3.5, odd or not; counted: units whose
    reading says something about the design; scores: modified z-scores.
    """

    check: Check
    values: NDArray[np.float64]
    outcomes: tuple[str | None, ...]
    low: float | None
    high: float | None
    u: float | None
    median: float | None
    scores: NDArray[np.float64]
    outliers: tuple[str, ...]
    odd: tuple[str, ...]
    counted: tuple[str, ...]


@dataclass(frozen=True)
class Comparison:
    """Units side by side. `common`, `several`, `single`, `follows` and `bench` name checks and steps by their text;
    `steps` says which steps tripped or failed without a reading: text -> unit -> what the step said."""

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
            "bench": list(self.bench),
            "reference": self.reference,
            "outcomes": self.outcomes,
            "steps": self.steps,
            "says": self.says,
        }


def _row_json(row: CheckRow, units: Sequence[str]) -> dict[str, Any]:
    values = {u: None if math.isnan(v) else float(v) for u, v in zip(units, row.values, strict=True)}
    taken = {u: values[u] for u, o in zip(units, row.outcomes, strict=True) if o is not None}
    return {
        "check": row.check.text,
        "unit": row.check.unit,
        "values": taken,
        "median": row.median,
        "outliers": list(row.outliers),
        "odd": list(row.odd),
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
    return compare(table.of_runs(latest_runs(table.runs)), reference)


def compare(table: ReadingTable, reference: str | None = None) -> Comparison:
    """Compare the units of a table; a later reading of the same unit and check replaces an earlier one."""
    units = table.units
    grid = _Grid.of(table, units)
    rows = tuple(_row(grid, index, units) for index in range(len(table.checks)) if grid.taken(index))
    steps = _odd_steps(table)
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
    )


@dataclass(frozen=True)
class _Grid:
    """Checks by units, shape (checks, units), one number in each place; NaN or _NOTHING where none was taken."""

    checks: Sequence[Check]
    value: NDArray[np.float64]
    u: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    outcome: NDArray[np.int8]
    dark: dict[str, NDArray[np.bool_]]  # bench state -> units whose rails were not good in it
    rails: frozenset[int]  # checks taken by a step that checks rails

    @classmethod
    def of(cls, table: ReadingTable, units: Sequence[str]) -> _Grid:
        import numpy as np

        place = {unit: index for index, unit in enumerate(units)}
        by_run = np.array([place[run.unit] for run in table.runs], dtype=np.int64)
        says = (table.outcome != CODES["error"]) & (table.outcome != CODES["skipped"])
        column = by_run[table.run] if table.run.size else table.run
        shape = (len(table.checks), len(units))
        at = (table.check[says], column[says])

        def spread(numbers: NDArray[Any], empty: float, kind: Any) -> NDArray[Any]:
            filled = np.full(shape, empty, dtype=kind)
            filled[at] = numbers[says]  # where a place repeats, the last assignment stays: the latest reading
            return filled

        return cls(
            checks=table.checks,
            value=spread(table.value, np.nan, np.float64),
            u=spread(table.u, np.nan, np.float64),
            low=spread(table.low, np.nan, np.float64),
            high=spread(table.high, np.nan, np.float64),
            outcome=spread(table.outcome, _NOTHING, np.int8),
            dark=_dark(table, column, len(units)),
            rails=_rail_checks(table),
        )

    def taken(self, index: int) -> bool:
        return bool((self.outcome[index] != _NOTHING).any())

    def counted(self, index: int) -> NDArray[np.bool_]:
        """Units whose reading of this check tells about the design."""
        taken: NDArray[np.bool_] = self.outcome[index] != _NOTHING
        dark = self.dark.get(_powered(self.checks[index].state))
        if dark is None or index in self.rails:
            return taken
        lit: NDArray[np.bool_] = taken & ~dark
        return lit if lit.any() else taken


def _powered(state: str) -> str:
    """The supplies of a bench state: what the rails depend on. "USB=5V@120mA; load=10kΩ" -> "USB=5V@120mA"."""
    return "; ".join(part for part in (p.strip() for p in state.split(";")) if "@" in part)


def _dark(table: ReadingTable, column: NDArray[np.int64], units: int) -> dict[str, NDArray[np.bool_]]:
    import numpy as np

    states = np.array([_powered(check.state) for check in table.checks], dtype=object)
    failed = table.on_rails & np.isin(table.outcome, [CODES["fail"], CODES["marginal"]])
    dark: dict[str, NDArray[np.bool_]] = {}
    for check, unit in zip(table.check[failed].tolist(), column[failed].tolist(), strict=True):
        dark.setdefault(str(states[check]), np.zeros(units, dtype=bool))[unit] = True
    return dark


def _rail_checks(table: ReadingTable) -> frozenset[int]:
    return frozenset(int(index) for index in set(table.check[table.on_rails].tolist()))


def _row(grid: _Grid, index: int, units: Sequence[str]) -> CheckRow:
    import numpy as np

    values, outcome = grid.value[index], grid.outcome[index]
    numbers = np.isfinite(values)
    scores = np.zeros(len(units))
    median = float(np.median(values[numbers])) if numbers.any() else None
    u = _largest(grid.u[index])
    if numbers.sum() >= LEAST:
        scores[numbers] = outliers(values[numbers], floor=u or 0.0).scores
    odd = np.isin(outcome, [CODES[o] for o in ODD]) | (np.abs(scores) > rare_cut_off(int(numbers.sum())))
    return CheckRow(
        check=grid.checks[index],
        values=values,
        outcomes=tuple(None if code == _NOTHING else OUTCOMES[code] for code in outcome.tolist()),
        low=_largest(grid.low[index]),
        high=_smallest(grid.high[index]),
        u=u,
        median=median,
        scores=scores,
        outliers=_named(np.abs(scores) > CUT_OFF, units),
        odd=_named(odd, units),
        counted=_named(grid.counted(index), units),
    )


def _largest(numbers: NDArray[np.float64]) -> float | None:
    finite = numbers[numbers == numbers]
    return float(finite.max()) if finite.size else None


def _smallest(numbers: NDArray[np.float64]) -> float | None:
    finite = numbers[numbers == numbers]
    return float(finite.min()) if finite.size else None


def _named(mask: NDArray[np.bool_], units: Sequence[str]) -> tuple[str, ...]:
    return tuple(units[int(i)] for i in mask.nonzero()[0])


def _odd_steps(table: ReadingTable) -> dict[str, dict[str, str]]:
    """Steps that tripped or failed without an odd reading to show for it: text -> unit -> what the step says."""
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
    """Odd checks and steps, by how many units share them."""

    common: list[str] = field(default_factory=list)
    several: dict[str, tuple[str, ...]] = field(default_factory=dict)
    single: dict[str, list[str]] = field(default_factory=dict)
    follows: dict[str, list[str]] = field(default_factory=dict)
    bench: list[str] = field(default_factory=list)

    @classmethod
    def of(
        cls,
        rows: Sequence[CheckRow],
        steps: dict[str, dict[str, str]],
        units: Sequence[str],
        reference: str | None,
    ) -> _Sorted:
        found = cls()
        for row in rows:
            if row.odd:
                found._put(row.check.text, row.odd, row.counted, reference)
        for text, by_unit in steps.items():
            found._put(text, tuple(u for u in units if u in by_unit), tuple(units), reference)
        return found

    def _put(self, text: str, odd: tuple[str, ...], counted: tuple[str, ...], reference: str | None) -> None:
        for unit in odd:
            if unit not in counted:
                self.follows.setdefault(unit, []).append(text)
        odd = tuple(unit for unit in odd if unit in counted)
        everywhere = len(counted) > 1 and set(counted) == set(odd)
        if everywhere and reference in odd:
            self.bench.append(text)
        elif everywhere:
            self.common.append(text)
        elif len(odd) == 1:
            self.single.setdefault(odd[0], []).append(text)
        elif odd:
            self.several[text] = odd
