"""Rows on their way to a server: reading them quickly, reserving keys, COPY, and rows that many runs share."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Final

import sqlalchemy as sa

from wakeboard.results.store import schema
from wakeboard.results.store import write as store_write

_NATURAL: Final = {"unit": "uuid", "instrument": "digest", "measurand": "digest", "terms": "digest"}


def fetch(connection: sa.Connection, query: sa.Select[Any]) -> list[dict[str, Any]]:
    """Rows as dictionaries, straight from the driver."""
    names = [column.name for column in query.selected_columns]
    return [dict(zip(names, row, strict=True)) for row in fetch_tuples(connection, query)]


def fetch_tuples(connection: sa.Connection, query: sa.Select[Any]) -> list[tuple[Any, ...]]:
    result = connection.execute(query)
    cursor: Any = result.cursor
    rows: list[tuple[object, ...]] = cursor.fetchall()
    result.close()
    return rows


def reserve(target: sa.Connection, table: sa.Table, count: int) -> list[int]:
    """New keys of a server's table. A rollback leaves a gap, which means nothing."""
    if not count:
        return []
    query = sa.text("SELECT nextval(pg_get_serial_sequence(:name, 'id')) FROM generate_series(1, :count)")
    return [int(key) for key in target.scalars(query, {"name": table.name, "count": count})]


def copy_in(target: sa.Connection, table: sa.Table, rows: Iterable[dict[str, object]]) -> None:
    """COPY rows into a server's table, inside the transaction of `target`."""
    names = [column.name for column in table.columns]
    copy_tuples(target, table, ([row[name] for name in names] for row in rows))


def copy_tuples(target: sa.Connection, table: sa.Table, rows: Iterable[Sequence[object]]) -> None:
    """The same for rows that are in the order of the table's columns already."""
    names = ", ".join(f'"{column.name}"' for column in table.columns)
    driver: Any = target.connection.driver_connection
    with driver.cursor() as cursor, cursor.copy(f'COPY "{table.name}" ({names}) FROM STDIN') as copy:
        write = copy.write_row
        for row in rows:
            write(row)


class SharedRows:
    """Units, instruments, measurands, terms: local key -> server key, learned as batches need them."""

    def __init__(self) -> None:
        self.keys: dict[str, dict[int, int]] = {name: {} for name in _NATURAL}
        self._documents: set[str] = set()

    def forget(self) -> None:
        for known in self.keys.values():
            known.clear()
        self._documents.clear()

    def put(self, source: sa.Connection, target: sa.Connection, table: sa.Table, wanted: set[int]) -> None:
        """Makes sure that these local rows are on the server and that their keys there are known."""
        known = self.keys[table.name]
        missing = sorted(wanted - set(known))
        if not missing:
            return
        natural = _NATURAL[table.name]
        rows: list[dict[str, Any]] = []
        for start in range(0, len(missing), 5000):  # SQLite takes some 32 000 parameters a statement
            rows += fetch(source, sa.select(table).where(table.c.id.in_(missing[start : start + 5000])))
        plain = [{name: value for name, value in row.items() if name != "id"} for row in rows]
        store_write.add_new(target, table, plain)
        query = sa.select(table.c[natural], table.c.id).where(table.c[natural].in_([row[natural] for row in rows]))
        there = {row[0]: int(row[1]) for row in target.execute(query)}
        known.update({row["id"]: there[row[natural]] for row in rows})

    def put_documents(self, source: sa.Connection, target: sa.Connection, wanted: set[str]) -> None:
        missing = sorted(wanted - self._documents)
        if missing:
            rows = fetch(source, sa.select(schema.document).where(schema.document.c.sha256.in_(missing)))
            store_write.add_new(target, schema.document, rows)
            self._documents.update(missing)
