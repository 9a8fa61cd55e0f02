"""Whatever Wakeboard answers, as a pandas DataFrame with the units of its columns beside it.

    >>> import wakeboard as wb
    >>> table = wb.frame(wb.review(wb.skep("skep") / "board.toml"))
    >>> list(table.columns)[:3], table.attrs["units"]["value"]
    (['rule', 'serious', 'nets'], 'unit')

`attrs["units"]` maps a column to its unit ("V"), to the name of the column that has each row's unit, or to "" for
texts. All numbers are in base units. What is not there is NaN.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from wakeboard.results.frames import COLUMNS

if TYPE_CHECKING:
    import pandas as pd

    from wakeboard.harness.explain.explanation import Explanation
    from wakeboard.harness.rehearse.rehearsal import Rehearsal
    from wakeboard.harness.review.concern import Concern
    from wakeboard.results.compare.compare import Comparison
    from wakeboard.results.records import RunRecord

READINGS = {column.name: column.unit for column in COLUMNS}
CONCERN = {"rule": "", "serious": "", "nets": "", "path": "", "state": "", "value": "unit", "unit": "", "says": "",
           "do": ""}  # fmt: skip
FAULT = {"fault": "", "verdict": "", "step": "", "name": "", "point": "", "quantity": "", "state": "", "burned": "",
         "rating": "", "reached": "V, A or W", "allowed": "V, A or W", "saved_by": ""}  # fmt: skip
CANDIDATE = {"fault": "", "probability": "1", "says": "", "accounts_for": "", "leaves": ""}


def frame(what: object, **narrow: object) -> pd.DataFrame:
    """A table of a result or record (one row a reading), a store or its file (the same, narrowed by `board`, `unit`,
    `sequence`, `run`, `latest`), a list of concerns, a rehearsal (one row a fault), an explanation (one row a group of
    faults), or a comparison (one row a check, one column a unit). Raises TypeError for anything else, StoreError."""
    from wakeboard.harness.explain.explanation import Explanation
    from wakeboard.harness.rehearse.rehearsal import Rehearsal
    from wakeboard.harness.run.runner import Result
    from wakeboard.results.compare.compare import Comparison
    from wakeboard.results.records import RunRecord
    from wakeboard.results.store.store import Store

    if isinstance(what, str | os.PathLike | Store):
        return _of_store(what, narrow)
    if isinstance(what, Result):
        what = what.record
    if isinstance(what, RunRecord):
        return _framed(_readings(what), READINGS)
    if isinstance(what, Rehearsal):
        return _framed(_faults(what), FAULT)
    if isinstance(what, Explanation):
        return _framed(_groups(what), CANDIDATE)
    if isinstance(what, Comparison):
        return _side_by_side(what)
    if isinstance(what, Sequence) and all(hasattr(each, "rule") for each in what):
        return _framed(_concerns(what), CONCERN)
    raise TypeError(f"no table of a {type(what).__name__}: give a result, a store, concerns, a rehearsal, …")


def _framed(rows: Iterable[dict[str, object]], units: dict[str, str]) -> pd.DataFrame:
    import pandas as pd

    table = pd.DataFrame(list(rows), columns=list(units))
    for name in ("value", "u", "low", "high", "range", "time", "reached", "allowed", "probability"):
        if name in table:
            table[name] = table[name].astype(float)
    table.attrs["units"] = dict(units)
    return table


def _of_store(place: Any, narrow: dict[str, Any]) -> pd.DataFrame:
    from wakeboard.results.frames import frame

    table = frame(os.fspath(place) if isinstance(place, os.PathLike) else place, **narrow)
    table.attrs["units"] = {name: unit for name, unit in READINGS.items() if name in table}
    return table


def _readings(record: RunRecord) -> Iterable[dict[str, object]]:
    import pandas as pd

    start = record.start
    run = {
        "run": record.id, "unit": start.unit, "board": start.board_name, "revision": start.revision,
        "sequence": start.sequence_title, "started": pd.Timestamp(record.started, unit="s", tz="UTC"),
        "run_outcome": record.word, "virtual": start.virtual, "rework": "",
    }  # fmt: skip
    for step in record.steps:
        for position, reading in enumerate(step.readings):
            told = reading.as_json()
            told["si_unit"] = told.pop("unit")
            yield {**run, "step": step.number, "step_name": step.name, "kind": step.kind, "position": position, **told}


def _concerns(concerns: Sequence[Concern]) -> Iterable[dict[str, object]]:
    for concern in concerns:
        yield {**concern.as_json(), "nets": ", ".join(concern.nets), "path": ", ".join(concern.path)}


def _faults(rehearsal: Rehearsal) -> Iterable[dict[str, object]]:
    burned = {
        each.fault: {
            "burned": each.burn.part, "rating": each.burn.rating, "reached": each.burn.reached,
            "allowed": each.burn.allowed, "saved_by": each.saved_by or "",
        }
        for each in rehearsal.burned
    }  # fmt: skip
    for caught in rehearsal.caught:
        yield {"fault": caught.fault, "verdict": "caught", "step": caught.step, "name": caught.name,
               **burned.get(caught.fault, {})}  # fmt: skip
    for escaped in rehearsal.escaped:
        sight = escaped.cheapest
        where = {} if sight is None else {"point": sight.point, "quantity": sight.quantity, "state": sight.state}
        yield {"fault": escaped.fault, "verdict": "escaped", **where, **burned.get(escaped.fault, {})}
    for fault in rehearsal.equivalent:
        yield {"fault": fault, "verdict": "equivalent", **burned.get(fault, {})}
    for fault, why in rehearsal.broken:
        yield {"fault": fault, "verdict": "not solved", "name": why, **burned.get(fault, {})}


def _groups(explanation: Explanation) -> Iterable[dict[str, object]]:
    for group in explanation.groups:
        told = group.as_json()
        yield {name: ", ".join(told[name]) if isinstance(told[name], list) else told[name] for name in CANDIDATE}


def _side_by_side(comparison: Comparison) -> pd.DataFrame:
    import pandas as pd

    document = comparison.as_json()
    rows = [
        {"check": row["check"], "unit": row["unit"], "median": row["median"], **row["values"]}
        for row in document["checks"]
    ]
    table = pd.DataFrame(rows, columns=["check", "unit", "median", *document["units"]])
    numbers = ["median", *document["units"]]
    table[numbers] = table[numbers].apply(pd.to_numeric, errors="coerce")
    table.attrs["units"] = {"check": "", "unit": "", **dict.fromkeys(numbers, "unit")}
    return table
