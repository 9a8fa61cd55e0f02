"""The ledger's rows on their way to a server: few, so each table is compared whole by its UUIDs."""

from __future__ import annotations

from typing import Any, Final

import sqlalchemy as sa

from wakeboard.results.push.rows import fetch
from wakeboard.results.store import schema
from wakeboard.results.store import write as store_write
from wakeboard.results.store.store import Store

# Parents first. Each link is (column, table it points to, that table's natural key).
TABLES: Final[tuple[tuple[sa.Table, tuple[tuple[str, sa.Table], ...]], ...]] = (
    (schema.unit, ()),
    (schema.rework, (("unit_id", schema.unit),)),
    (schema.rework_undo, (("rework_id", schema.rework),)),
    (schema.note, (("unit_id", schema.unit),)),
    (schema.photo, (("unit_id", schema.unit),)),
    (schema.finding, ()),
    (schema.finding_event, (("finding_id", schema.finding),)),
    (schema.finding_evidence, (("finding_id", schema.finding), ("run_id", schema.run))),
)

AT_ONCE: Final = 50  # rows in memory: a photo has a megabyte or two


def push_ledger(store: Store, server: Store, lock: int) -> int:
    """Copies the ledger's missing rows in one transaction, in the order they were entered; returns how many."""
    copied = 0
    with store.database.reading() as source, server.database.writing() as target:
        target.exec_driver_sql(f"SELECT pg_advisory_xact_lock({lock})")
        for table, links in TABLES:
            copied += _put_missing(source, target, table, links)
    return copied


def _put_missing(
    source: sa.Connection, target: sa.Connection, table: sa.Table, links: tuple[tuple[str, sa.Table], ...]
) -> int:
    known = list(source.scalars(sa.select(table.c.uuid).order_by(table.c.id)))
    if not known:
        return 0
    there = set(target.scalars(sa.select(table.c.uuid).where(_is_one_of(table.c.uuid, known))))
    absent = [uuid for uuid in known if uuid not in there]
    for first in range(0, len(absent), AT_ONCE):
        _put(source, target, table, links, absent[first : first + AT_ONCE])
    return len(absent)


def _put(
    source: sa.Connection, target: sa.Connection, table: sa.Table, links: tuple[tuple[str, sa.Table], ...],
    wanted_rows: list[str],
) -> None:  # fmt: skip
    missing = fetch(source, sa.select(table).where(table.c.uuid.in_(wanted_rows)).order_by(table.c.id))
    for column, parent in links:
        names = {row.id: row.uuid for row in source.execute(sa.select(parent.c.id, parent.c.uuid))}
        wanted = [names[row[column]] for row in missing]
        query = sa.select(parent.c.uuid, parent.c.id).where(_is_one_of(parent.c.uuid, wanted))
        keys = {row.uuid: row.id for row in target.execute(query)}
        for row in missing:
            row[column] = keys[names[row[column]]]
    store_write.add_new(target, table, [{k: v for k, v in row.items() if k != "id"} for row in missing])


def _is_one_of(column: sa.Column[Any], values: list[str]) -> sa.ColumnElement[bool]:
    """One array parameter instead of one parameter a value: a server takes at most 65 535."""
    return column == sa.any_(sa.literal(values, sa.ARRAY(sa.Text())))
