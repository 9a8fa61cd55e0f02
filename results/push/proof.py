"""Whether a server holds what a store holds, row for row: the proof that a push was complete.

Rows are compared by what they mean: the stores' own integer keys are replaced by the natural keys that they stand for.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from typing import Any

import sqlalchemy as sa

from wakeboard.results.store import schema
from wakeboard.results.store.store import Store

Rows = list[tuple[object, ...]]


def differences(store: Store, server: Store, *, at_most: int = 20) -> list[str]:
    """What the server lacks or holds differently, in words; empty if everything of `store` is there."""
    return list(islice(_differences(store, server), at_most))


def _differences(store: Store, server: Store) -> Iterator[str]:
    with store.database.reading() as connection:
        runs = list(connection.scalars(sa.select(schema.run.c.uuid).order_by(schema.run.c.id)))
    for start in range(0, len(runs), 200):
        batch = runs[start : start + 200]
        for name, query in _run_queries(batch).items():
            yield from _compare(name, _rows(store, query), _rows(server, query))
    for name, query in _ledger_queries().items():
        mine, theirs = _rows(store, query), _rows(server, query)
        keys = {row[0] for row in mine}
        yield from _compare(name, mine, [row for row in theirs if row[0] in keys])


def _rows(store: Store, query: sa.Select[Any]) -> Rows:
    with store.database.reading() as connection:
        result = connection.execute(query)
        cursor: Any = result.cursor
        rows = [tuple(bytes(v) if isinstance(v, memoryview) else v for v in row) for row in cursor.fetchall()]
        result.close()
    return sorted(rows, key=repr)


def _compare(name: str, mine: Rows, theirs: Rows) -> Iterator[str]:
    if mine == theirs:
        return
    here, there = {repr(row) for row in mine}, {repr(row) for row in theirs}
    for row in sorted(here - there):
        yield f"{name}: only in the local store: {row[:200]}"
    for row in sorted(there - here):
        yield f"{name}: only on the server: {row[:200]}"
    if here == there:
        yield f"{name}: {len(mine)} rows in the local store, {len(theirs)} on the server"


def _columns(table: sa.Table, *leave: str) -> list[sa.Column[Any]]:
    return [column for column in table.columns if column.name not in ("id", *leave)]


def _run_queries(batch: list[str]) -> dict[str, sa.Select[Any]]:
    run, step = schema.run, schema.step
    mine = run.c.uuid.in_(batch)
    of_run = {
        "run": sa.select(schema.unit.c.uuid.label("unit_uuid"), *_columns(run, "unit_id")).join(schema.unit),
        "run end": sa.select(run.c.uuid.label("run_uuid"), *_columns(schema.run_end, "run_id")).join(run),
        "instrument": sa.select(run.c.uuid, schema.run_instrument.c.position, *_columns(schema.instrument)).select_from(
            schema.run_instrument.join(run).join(schema.instrument)
        ),
        "step": sa.select(run.c.uuid, *_columns(step, "run_id")).select_from(step.join(run)),
        "trace or traffic": sa.select(
            run.c.uuid, step.c.number, schema.step_blob.c.kind, schema.step_blob.c.data
        ).select_from(schema.step_blob.join(step).join(run)),
        "reading": sa.select(
            run.c.uuid,
            step.c.number,
            *_columns(schema.reading, "step_id", "measurand_id", "terms_id"),
            *_columns(schema.measurand, "digest"),
            *_columns(schema.terms, "digest"),
        ).select_from(schema.reading.join(step).join(run).join(schema.measurand).join(schema.terms)),
    }
    files = sa.or_(*(schema.document.c.sha256 == run.c[f"{kind}_sha256"] for kind in ("board", "sequence", "bench")))
    of_run["file"] = sa.select(run.c.uuid, *schema.document.columns).select_from(run.join(schema.document, files))
    return {name: query.where(mine) for name, query in of_run.items()}


def _ledger_queries() -> dict[str, sa.Select[Any]]:
    unit, rework, finding, run = schema.unit, schema.rework, schema.finding, schema.run
    evidence = schema.finding_evidence
    return {
        "unit": sa.select(unit.c.uuid, unit.c.board, unit.c.serial),
        "rework": sa.select(*_columns(rework, "unit_id"), unit.c.uuid.label("unit_uuid")).join(unit),
        "rework undone": sa.select(*_columns(schema.rework_undo, "rework_id"), rework.c.uuid.label("of")).join(rework),
        "note": sa.select(*_columns(schema.note, "unit_id"), unit.c.uuid.label("unit_uuid")).join(unit),
        "finding": sa.select(*_columns(finding)),
        "finding event": sa.select(*_columns(schema.finding_event, "finding_id"), finding.c.uuid.label("of")).join(
            finding
        ),
        "evidence": sa.select(
            *_columns(evidence, "finding_id", "run_id"), finding.c.uuid.label("of"), run.c.uuid.label("run")
        ).select_from(evidence.join(finding).join(run)),
    }
