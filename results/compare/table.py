"""The readings of many runs as narrow columns, from records in memory or straight from a store.

A million readings must be compared within seconds, so a reading is here five numbers in five arrays, and what repeats
(what was measured in which bench state; which run) is an index into a short list.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

from wakeboard.results.records import ASKED, OUTCOMES, Reading, RunRecord

if TYPE_CHECKING:
    import numpy as np
    import sqlalchemy as sa
    from numpy.typing import NDArray

    from wakeboard.results.store.store import Store

CODES = {outcome: code for code, outcome in enumerate(OUTCOMES)}


class Check(NamedTuple):
    """What is compared: a net or part, a quantity, a bench state. Two readings of one check may be held together."""

    of: str
    quantity: str
    state: str
    unit: str = ""

    @property
    def text(self) -> str:
        """ "+3V3 dc volts, USB=5V@120mA"; without a state where nothing was on."""
        return f"{self.of} {self.quantity}" + (f", {self.state}" if self.state else "")


class RunInfo(NamedTuple):
    """What a comparison needs to know of a run. outcome: as RunRecord.word; `rework` holds the texts in force when it
    began."""

    id: str
    unit: str
    sequence: str
    started: float
    outcome: str | None
    rework: tuple[str, ...] = ()


class StepInfo(NamedTuple):
    """A step that did not pass, or that shows whether the rails were up. `run` is an index into the table's runs."""

    run: int
    number: int
    name: str
    kind: str
    outcome: str
    says: str


@dataclass(frozen=True)
class ReadingTable:
    """Columns of equal length n, ordered by run (oldest first), step and position in the step.

    run, check: (n,) int indices into `runs` and `checks`; value, u, low, high: (n,) float, NaN where not given;
    outcome: (n,) int8, index into `records.OUTCOMES`; on_rails: (n,) bool, taken by a step that checks rails.
    """

    board: str
    runs: Sequence[RunInfo]
    checks: Sequence[Check]
    steps: Sequence[StepInfo]
    run: NDArray[np.int64]
    check: NDArray[np.int64]
    value: NDArray[np.float64]
    u: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    outcome: NDArray[np.int8]
    on_rails: NDArray[np.bool_]

    @property
    def units(self) -> list[str]:
        """Serial numbers in the order of their first run here."""
        return list(dict.fromkeys(run.unit for run in self.runs))

    def of_runs(self, wanted: Sequence[int]) -> ReadingTable:
        """The same table with the readings and steps of these runs only (indices into `runs` stay as they are)."""
        import numpy as np

        keep = np.zeros(len(self.runs), dtype=bool)
        keep[list(wanted)] = True
        rows = keep[self.run] if self.run.size else np.zeros(0, dtype=bool)
        steps = [step for step in self.steps if keep[step.run]]
        return ReadingTable(
            self.board,
            self.runs,
            self.checks,
            steps,
            run=self.run[rows],
            check=self.check[rows],
            value=self.value[rows],
            u=self.u[rows],
            low=self.low[rows],
            high=self.high[rows],
            outcome=self.outcome[rows],
            on_rails=self.on_rails[rows],
        )


def latest_runs(runs: Sequence[RunInfo]) -> list[int]:
    """Indices of the last finished run of each unit and sequence, oldest first: the units as they are now."""
    last: dict[tuple[str, str], int] = {}
    for index, run in enumerate(runs):
        if run.outcome is not None:
            last[(run.unit, run.sequence)] = index
    return sorted(last.values())


def judged_runs(runs: Sequence[RunInfo]) -> list[int]:
    """Indices of the last finished run of each unit, sequence and rework in force: what a rework mended is told too."""
    last = {(run.unit, run.sequence, run.rework): index for index, run in enumerate(runs) if run.outcome is not None}
    return sorted(last.values())


class Ages(NamedTuple):
    """Indices of runs. now: with the unit's rework of today; stale: of sequences not run again since a rework; before:
    last runs before a rework, of sequences that were run again."""

    now: list[int]
    stale: list[int]
    before: list[int]


def by_age(runs: Sequence[RunInfo]) -> Ages:
    """Sorts finished runs by whether they show their unit as it is now."""
    rework = {run.unit: run.rework for run in runs if run.outcome is not None}
    latest = latest_runs(runs)
    now = [index for index in latest if runs[index].rework == rework[runs[index].unit]]
    stale = sorted(set(latest).difference(now))
    earlier = sorted(set(judged_runs(runs)).difference(latest))
    return Ages(now, stale, [index for index in earlier if runs[index].rework != rework[runs[index].unit]])


@dataclass
class _Rows:
    """Rows as they are collected, before they become columns."""

    checks: dict[Check, int] = field(default_factory=dict)
    rows: list[tuple[int, int, float, float, float, float, int, bool]] = field(default_factory=list)

    def add(self, run: int, reading: Reading, on_rails: bool) -> None:
        check = Check(reading.of, reading.quantity, reading.state, reading.unit)
        code = self.checks.setdefault(check, len(self.checks))
        numbers = (_number(v) for v in (reading.value, reading.u, reading.low, reading.high))
        self.rows.append((run, code, *numbers, CODES[reading.outcome], on_rails))  # type: ignore[arg-type]


def _number(value: float | None) -> float:
    return math.nan if value is None else value


def table_of_records(records: Iterable[RunRecord], board: str | None = None) -> ReadingTable:
    """The table of runs held in memory; with `board`, of its runs only."""
    import numpy as np

    chosen = sorted(
        (r for r in records if board in (None, r.board) and r.sequence != ASKED), key=lambda r: (r.started, r.id)
    )
    rows, steps = _Rows(), []
    for index, record in enumerate(chosen):
        for step in record.steps:
            if step.outcome != "pass":
                steps.append(StepInfo(index, step.number, step.name, step.kind, step.outcome, step.says))
            for reading in step.readings:
                rows.add(index, reading, step.kind == "rails")
    kinds = [np.int64, np.int64, np.float64, np.float64, np.float64, np.float64, np.int8, np.bool_]
    columns = list(zip(*rows.rows, strict=True)) or [()] * len(kinds)
    arrays: list[Any] = [np.array(column, dtype=kind) for column, kind in zip(columns, kinds, strict=True)]
    runs = [
        RunInfo(r.id, r.unit, r.sequence, r.started, r.word or None, tuple(done.text for done in r.rework))
        for r in chosen
    ]
    name = board or (chosen[0].board if chosen else "")
    return ReadingTable(name, runs, list(rows.checks), steps, *arrays)


def table_of_store(
    store: Store, board: str, *, sequence: str | None = None, unit: str | None = None, latest: bool = False
) -> ReadingTable:
    """The table of a board's runs in a store, read as columns.

    `latest` reads only the last finished run of each unit, sequence and rework in force, which is all that a
    side-by-side view needs.
    """
    with store.database.reading() as connection:
        keys, runs = _runs(connection, board, sequence, unit)
        chosen = judged_runs(runs) if latest else list(range(len(runs)))
        steps, step_keys, step_run, step_rails = _steps(connection, keys, chosen)
        return _columns(connection, board, runs, steps, (step_keys, step_run, step_rails))


def _runs(
    connection: sa.Connection, board: str, sequence: str | None, unit: str | None
) -> tuple[list[int], list[RunInfo]]:
    import sqlalchemy as sa

    from wakeboard.results.store import schema
    from wakeboard.results.store.read import ended_as

    run, ends, units = schema.run, schema.run_end, schema.unit
    last = sa.select(ends.c.run_id, sa.func.max(ends.c.id).label("id")).group_by(ends.c.run_id).subquery()
    joined = run.join(units, units.c.id == run.c.unit_id)
    joined = joined.outerjoin(last, last.c.run_id == run.c.id).outerjoin(ends, ends.c.id == last.c.id)
    query = (
        sa.select(run.c.id, run.c.uuid, units.c.serial, run.c.sequence, run.c.started, ended_as(), run.c.rework)
        .select_from(joined)
        .where(units.c.board == board)
        .order_by(run.c.started, run.c.uuid)
    )
    if sequence is None:
        query = query.where(run.c.sequence != ASKED)
    for column, wanted in ((run.c.sequence, sequence), (units.c.serial, unit)):
        if wanted is not None:
            query = query.where(column == wanted)
    rows = connection.execute(query).all()
    return [row[0] for row in rows], [RunInfo(row[1], row[2], row[3], row[4], row[5], _texts(row[6])) for row in rows]


def _texts(rework: str) -> tuple[str, ...]:
    """Texts out of the JSON that the run keeps of its rework in force."""
    if not rework or rework == "[]":
        return ()
    return tuple(str(row.get("text", "")) for row in json.loads(rework))


def _steps(
    connection: sa.Connection, keys: Sequence[int], chosen: Sequence[int]
) -> tuple[list[StepInfo], NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
    """(steps that did not pass, then for all steps in the order of the table: key, run index, checks rails)."""
    import numpy as np
    import sqlalchemy as sa

    from wakeboard.results.store import schema

    at = {keys[index]: index for index in chosen}
    step = schema.step
    query = sa.select(step.c.id, step.c.run_id, step.c.number, step.c.kind, step.c.outcome, step.c.name, step.c.says)
    if len(chosen) <= _FEW:
        query = query.where(step.c.run_id.in_(list(at)))
    rows = [row for row in _raw(connection, query) if row[1] in at]
    rows.sort(key=lambda row: (at[row[1]], row[2]))
    odd = [StepInfo(at[r[1]], r[2], r[5], r[3], r[4], r[6]) for r in rows if r[4] != "pass"]
    found = np.array([(r[0], at[r[1]], r[3] == "rails") for r in rows], dtype=np.int64).reshape(-1, 3)
    return odd, found[:, 0], found[:, 1], found[:, 2].astype(bool)


_FEW = 500  # more keys than this are filtered here rather than named in the query


def _columns(
    connection: sa.Connection,
    board: str,
    runs: list[RunInfo],
    steps: list[StepInfo],
    known: tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]],
) -> ReadingTable:
    import numpy as np

    keys, step_run, step_rails = known
    data = _readings(connection, keys)
    order = np.argsort(keys, kind="stable")
    place = order[np.searchsorted(keys[order], data["step"])] if keys.size else np.zeros(0, dtype=np.int64)
    rank = np.argsort(place, kind="stable")  # keys of steps need not grow with the time of their run
    data, place = data[rank], place[rank]
    checks, check = _checks(connection, data["measurand"])
    low, high = _limits(connection, data["terms"])
    value, u = (np.where(np.isfinite(data[name]), data[name], np.nan) for name in ("value", "u"))
    return ReadingTable(
        board=board,
        runs=runs,
        checks=checks,
        steps=steps,
        run=step_run[place],
        check=check,
        value=value,
        u=u,
        low=low,
        high=high,
        outcome=data["outcome"],
        on_rails=step_rails[place],
    )


def _readings(connection: sa.Connection, step_keys: NDArray[np.int64]) -> NDArray[np.void]:
    """Rows of readings of these steps: step, measurand, terms, value, u, outcome; in the order of step and position.

    A missing number comes as infinity, since SQL has no NaN.
    """
    import numpy as np
    import sqlalchemy as sa

    from wakeboard.results.store import schema

    r = schema.reading
    nothing: sa.ColumnElement[Any] = sa.literal_column(
        "9e999" if connection.dialect.name == "sqlite" else "'infinity'::float8"
    )
    outcome = sa.case(CODES, value=r.c.outcome, else_=CODES["error"])
    query = sa.select(
        r.c.step_id,
        r.c.measurand_id,
        r.c.terms_id,
        sa.func.coalesce(r.c.value, nothing),
        sa.func.coalesce(r.c.u, nothing),
        outcome,
    ).order_by(r.c.step_id, r.c.position)
    kind = np.dtype(
        [(n, "i8") for n in ("step", "measurand", "terms")] + [("value", "f8"), ("u", "f8"), ("outcome", "i1")]
    )
    if 0 < step_keys.size <= _FEW * 40:
        parts = [step_keys[i : i + _FEW] for i in range(0, step_keys.size, _FEW)]
        rows = (row for part in parts for row in _raw(connection, query.where(r.c.step_id.in_(part.tolist()))))
        return np.fromiter(rows, dtype=kind)
    data = np.fromiter(_raw(connection, query), dtype=kind)
    return data[np.isin(data["step"], step_keys)]


def _raw(connection: sa.Connection, query: Any) -> Any:
    """Rows as the driver gives them: wrapping a million rows would cost more than reading them."""
    compiled = query.compile(dialect=connection.dialect, compile_kwargs={"literal_binds": True})
    cursor = connection.connection.cursor()
    cursor.execute(str(compiled))
    return cursor


def _checks(connection: sa.Connection, keys: NDArray[np.int64]) -> tuple[list[Check], NDArray[np.int64]]:
    import numpy as np
    import sqlalchemy as sa

    from wakeboard.results.store import schema

    m = schema.measurand
    rows = connection.execute(sa.select(m.c.id, m.c.of, m.c.quantity, m.c.state, m.c.unit)).all()
    known = {row[0]: Check(*row[1:]) for row in rows}
    unique, first, inverse = np.unique(keys, return_index=True, return_inverse=True)
    order = np.argsort(first, kind="stable")  # checks in the order in which they were first taken
    position = np.empty_like(order)
    position[order] = np.arange(order.size)
    return [known[int(key)] for key in unique[order]], position[inverse]


def _limits(connection: sa.Connection, keys: NDArray[np.int64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    import numpy as np
    import sqlalchemy as sa

    from wakeboard.results.store import schema

    t = schema.terms
    unique, inverse = np.unique(keys, return_inverse=True)
    known = {row[0]: (row[1], row[2]) for row in connection.execute(sa.select(t.c.id, t.c.low, t.c.high)).all()}
    pairs = np.array([[_number(v) for v in known[int(key)]] for key in unique], dtype=float).reshape(-1, 2)
    return pairs[inverse, 0], pairs[inverse, 1]
