"""Readings in long form for pandas: one row a reading, everything a notebook needs beside it.

    from wakeboard import results
    table = results.frame("wakeboard.db", board="Skep")
    table[table["of"] == "+3V3"].groupby("unit", observed=True)["value"].describe()

`COLUMNS` is the data dictionary: name, pandas type, unit and meaning of each column; the exports write the same columns
and the same dictionary. Texts that repeat are categoricals, so that a million readings fit into some 120 MB.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from wakeboard.results.records import OUTCOMES
from wakeboard.results.store.errors import StoreError

if TYPE_CHECKING:
    import pandas as pd
    import sqlalchemy as sa

    from wakeboard.results.store.store import Store


class Column(NamedTuple):
    """One line of the data dictionary."""

    name: str
    type: str
    unit: str
    says: str


COLUMNS: Final[tuple[Column, ...]] = (
    Column("run", "text", "", "id of the run, 32 hex digits"),
    Column("unit", "text", "", "serial number of the unit"),
    Column("board", "text", "", "name of the board (the design)"),
    Column("revision", "text", "", "revision of the board"),
    Column("sequence", "text", "", "title of the sequence"),
    Column("started", "time", "UTC", "when the run began"),
    Column("run_outcome", "text", "", "how the run ended, also stopped; empty while it has no end"),
    Column("virtual", "bool", "", "true where the board was the virtual one"),
    Column("rework", "text", "", "rework the unit carried when the run began, joined by '; '"),
    Column("step", "int", "", "number of the step in its run, from 1"),
    Column("step_name", "text", "", "name of the step"),
    Column("kind", "text", "", "kind of the step"),
    Column("position", "int", "", "place of the reading in its step, from 0"),
    Column("of", "text", "", "net, point, line, rail or supply, as the board file names it"),
    Column("quantity", "text", "", "what was measured: dc volts, ohms, frequency, …"),
    Column("value", "float", "si_unit", "the reading; empty where there is no number"),
    Column("si_unit", "text", "", "unit of value, u, low, high and range"),
    Column("u", "float", "si_unit", "standard uncertainty (k = 1)"),
    Column("low", "float", "si_unit", "lower limit; empty where open"),
    Column("high", "float", "si_unit", "upper limit; empty where open"),
    Column("outcome", "text", "", "pass, fail, marginal, skipped, tripped or error"),
    Column("state", "text", "", "bench state: which supplies were on at what, which pins were driven"),
    Column("instrument", "text", "", "name of the instrument in the bench file"),
    Column("range", "float", "si_unit", "range of the instrument; empty where it has none"),
    Column("time", "float", "s", "bench clock when the reading was taken, from the start of the run"),
    Column("limits_from", "text", "", "whose the limits are: step, board or circuit"),
    Column("says", "text", "", "what was said of the reading; a text reading's text"),
)
NAMES: Final = tuple(column.name for column in COLUMNS)

_RUN: Final = ("run", "unit", "board", "revision", "sequence", "run_outcome", "virtual", "rework", "started")
_STEP: Final = ("step", "step_name", "kind")
_MEASURAND: Final = ("of", "quantity", "si_unit", "state")
_TERMS: Final = ("low", "high", "limits_from", "instrument", "range")
_READING: Final = ("position", "value", "u", "outcome", "time", "says")


def frame(
    store: Store | str | Path,
    *,
    board: str | None = None,
    unit: str | None = None,
    sequence: str | None = None,
    run: str | None = None,
    latest: bool = False,
    columns: Sequence[str] | None = None,
) -> pd.DataFrame:
    """Readings as a DataFrame with the columns of `COLUMNS` (or those named), in the order they were taken.

    `store` is an open Store, a file or a URL. `run` is an id, its first letters or a unit (its latest run);
    `latest` keeps, of each unit and sequence, the latest run that ended. Fewer `columns` are faster.
    """
    unknown = sorted(set(columns or ()) - set(NAMES))
    if unknown:
        raise StoreError(f"no column {', '.join(unknown)}; known: {', '.join(NAMES)}", kind="usage")
    wanted = [name for name in NAMES if columns is None or name in columns]
    if isinstance(store, str | Path):
        from wakeboard.results.store.store import Store

        with Store.open(store, create=False) as opened:
            return _frame(opened, wanted, _Filter(board, unit, sequence, run, latest))
    return _frame(store, wanted, _Filter(board, unit, sequence, run, latest))


class _Filter(NamedTuple):
    board: str | None
    unit: str | None
    sequence: str | None
    run: str | None
    latest: bool


_MANY_RUNS: Final = 2000  # above this a scan of the whole store beats looking up each run's steps


def _frame(store: Store, wanted: list[str], narrow: _Filter) -> pd.DataFrame:
    import numpy as np
    import pandas as pd

    with store.database.reading() as connection:
        runs = _runs(connection, narrow, store.name)
        steps = _steps(connection, runs)
        readings = _readings(connection, runs, wanted)
        measurands = _dimension(connection, "measurand", {"si_unit": "unit"}, _MEASURAND)
        terms = _dimension(connection, "terms", {}, _TERMS)
    step_rows = _places(steps.index, readings.pop("step_id"))
    keep = step_rows >= 0
    run_rows = _places(runs.index, steps["run_id"].to_numpy())[step_rows[keep]]
    sources: dict[str, Any] = {
        **dict.fromkeys(_RUN, (runs, run_rows)),
        **dict.fromkeys(_STEP, (steps, step_rows[keep])),
    }
    for key, table, owned in (("measurand_id", measurands, _MEASURAND), ("terms_id", terms, _TERMS)):
        if key in readings:
            sources.update(dict.fromkeys(owned, (table, _places(table.index, readings[key])[keep])))
    data: dict[str, Any] = {}
    for name in wanted:
        if name in _READING:
            data[name] = readings[name][keep]
        else:
            table, rows = sources[name]
            data[name] = table[name].array.take(rows)
    if "outcome" in data:
        data["outcome"] = pd.Categorical.from_codes(data["outcome"], categories=pd.Index(OUTCOMES))
    if "says" in data:
        data["says"] = pd.Categorical(pd.Series(data["says"], dtype=object).fillna("").astype(str))
    if "position" in data:
        data["position"] = data["position"].astype(np.int32)
    return pd.DataFrame(data, columns=wanted)


def _places(index: pd.Index, keys: object) -> Any:
    """Row of each key in a table with that index, -1 where it is not there."""
    import numpy as np

    keys = np.asarray(keys, dtype=np.int64)
    if not len(index):
        return np.full(len(keys), -1)
    known = index.to_numpy()
    lookup = np.full(int(known.max()) + 1, -1, dtype=np.int64)
    lookup[known] = np.arange(len(known))
    inside = keys < len(lookup)
    return np.where(inside, lookup[np.where(inside, keys, 0)], -1)


def _arrays(result: sa.CursorResult[Any], kinds: Sequence[Any]) -> list[object]:
    """Columns of a result as arrays of the given kinds, taken from the driver's cursor in pieces: a million rows pass
    here, and an object for each would take most of the time."""
    import numpy as np

    pieces: list[list[Any]] = [[] for _ in kinds]
    cursor: Any = result.cursor
    while rows := cursor.fetchmany(20_000):
        for piece, column, kind in zip(pieces, zip(*rows, strict=True), kinds, strict=True):
            piece.append(np.array(column, dtype=kind))
    result.close()
    return [
        np.concatenate(piece) if piece else np.array([], dtype=kind) for piece, kind in zip(pieces, kinds, strict=True)
    ]


def _table(connection: sa.Connection, query: Any, texts: Sequence[str]) -> pd.DataFrame:
    import pandas as pd

    result = connection.execute(query)
    names = list(result.keys())
    arrays = _arrays(result, [object] * len(names))
    table = pd.DataFrame(dict(zip(names, arrays, strict=True)), dtype=object)
    for name in texts:
        table[name] = pd.Categorical(table[name].fillna("").astype(str))
    table["id"] = table["id"].astype(int)
    return table.set_index("id")


def _runs(connection: sa.Connection, narrow: _Filter, name: str) -> pd.DataFrame:
    import pandas as pd
    import sqlalchemy as sa

    from wakeboard.results.store import read as store_read
    from wakeboard.results.store.schema import run, run_end, unit

    wanted = {unit.c.board: narrow.board, unit.c.serial: narrow.unit, run.c.sequence: narrow.sequence}
    where = [column == value for column, value in wanted.items() if value is not None]
    if narrow.run is not None:
        where.append(run.c.id == store_read.find_run(connection, narrow.run, name))
    query = (
        sa.select(
            run.c.id,
            run.c.unit_id,
            run.c.uuid.label("run"),
            unit.c.serial.label("unit"),
            unit.c.board,
            run.c.revision,
            run.c.sequence,
            store_read.ended_as().label("run_outcome"),
            run.c.virtual,
            run.c.rework,
            run.c.started,
        )
        .join(unit, unit.c.id == run.c.unit_id)
        .outerjoin(run_end, sa.and_(run_end.c.run_id == run.c.id, store_read.last_end()))
        .where(*where)
        .order_by(run.c.id)
    )
    table = _table(connection, query, ("run", "unit", "board", "revision", "sequence", "run_outcome"))
    if narrow.latest:
        ended = table[table["run_outcome"] != ""].sort_values("started", kind="stable")
        table = ended.groupby(["unit_id", "sequence"], observed=True).tail(1).sort_index()
    table["virtual"] = table["virtual"].astype(bool)
    table["rework"] = pd.Categorical(table["rework"].map(_rework).astype(str))
    table["started"] = pd.to_datetime(table["started"].astype(float), unit="s", utc=True)
    return table


def _rework(text: str) -> str:
    return "" if text == "[]" else "; ".join(row["text"] for row in json.loads(text))


def _steps(connection: sa.Connection, runs: pd.DataFrame) -> pd.DataFrame:
    import sqlalchemy as sa

    from wakeboard.results.store.schema import step

    query = sa.select(
        step.c.id, step.c.run_id, step.c.number.label("step"), step.c.name.label("step_name"), step.c.kind
    )
    if len(runs) <= _MANY_RUNS:
        query = query.where(step.c.run_id.in_([int(key) for key in runs.index]))
    table = _table(connection, query.order_by(step.c.run_id, step.c.number), ("step_name", "kind"))
    table["run_id"] = table["run_id"].astype(int)
    table["step"] = table["step"].astype(int)
    return table[table["run_id"].isin(runs.index)]


def _readings(connection: sa.Connection, runs: pd.DataFrame, wanted: list[str]) -> dict[str, Any]:
    """Columns of the readings as arrays; the keys first."""
    import numpy as np
    import sqlalchemy as sa

    from wakeboard.results.store.schema import reading, step

    # The outcome travels as a small number: a million texts would have to be told apart again.
    code = sa.case(*((reading.c.outcome == name, place) for place, name in enumerate(OUTCOMES)), else_=-1)
    sources = {"outcome": (code.label("outcome"), np.int8), "says": (reading.c.says, object)}
    kinds = {"value": float, "u": float, "time": float}
    keys = {"measurand_id": _MEASURAND, "terms_id": _TERMS}
    names = ["step_id", *(key for key, owned in keys.items() if set(owned) & set(wanted))]
    names += [name for name in wanted if name in _READING]
    columns = [sources.get(name, (reading.c[name], kinds.get(name, np.int64))) for name in names]
    query = sa.select(*(column for column, _ in columns)).order_by(reading.c.step_id, reading.c.position)
    if len(runs) <= _MANY_RUNS:
        theirs = sa.select(step.c.id).where(step.c.run_id.in_([int(key) for key in runs.index]))
        query = query.where(reading.c.step_id.in_(theirs))
    arrays = _arrays(connection.execute(query), [kind for _, kind in columns])
    return dict(zip(names, arrays, strict=True))


def _dimension(
    connection: sa.Connection, table_name: str, renamed: dict[str, str], columns: Sequence[str]
) -> pd.DataFrame:
    import sqlalchemy as sa

    from wakeboard.results.store import schema

    table = schema.metadata.tables[table_name]
    query = sa.select(table.c.id, *(table.c[renamed.get(name, name)].label(name) for name in columns))
    numbers = {"low", "high", "range"} & set(columns)
    found = _table(connection, query, [name for name in columns if name not in numbers])
    for name in numbers:
        found[name] = found[name].astype(float)
    return found
