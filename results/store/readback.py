"""Is what a run wrote still on the disk as it was written? Read over a connection made anew, at the run's end.

A page that something else writes over, or that a disk gives back wrongly, leaves the file as long as it was, and SQLite
goes on with its own copy of it in memory. So the run's steps are read from the file once more and held against the
digests that they were written with, its beginning against what it was, and the pages of all other runs are looked at
for as long as nobody notices.
"""

from __future__ import annotations

import contextlib
import dataclasses
from collections.abc import Sequence
from typing import Final

import sqlalchemy as sa

from wakeboard.results.records import RunRecord
from wakeboard.results.store import read as store_read
from wakeboard.results.store import schema
from wakeboard.results.store.engine import Database
from wakeboard.results.store.errors import StoreError
from wakeboard.results.store.plain import Place

PAGES_S: Final = 0.02  # s for the pages of other runs: all of a store of some megabytes
_NO_DAMAGE: Final = frozenset({"locked", "newer"})  # another program is at work on the file


def head(connection: sa.Connection, run: str) -> RunRecord | None:
    """How a run began, as it stands in the store; None where it does not."""
    return next(iter(store_read.load_heads(connection, [schema.run.c.uuid == run])), None)


def damage(place: Place, began: RunRecord, digests: Sequence[str]) -> str:
    """What of this run, or of the file, is not as it was written; "" where all is. digests: of its steps.
    Raises StoreError where another program keeps the file from being read."""
    try:
        with contextlib.closing(Database(place, create=False, read_only=True)) as fresh:
            with fresh.reading() as connection:
                wrong = _of_run(connection, began, digests)
            if not wrong:
                fresh.check_pages(PAGES_S)
            return wrong
    except StoreError as error:
        if error.kind in _NO_DAMAGE:
            raise
        return error.says.partition("; ")[0]  # what to do about it is said once, by who tells of it
    except Exception as error:  # noqa: BLE001  what damaged bytes make of a text, a number or a compressed part
        return f"{type(error).__name__}: {error}"


def _of_run(connection: sa.Connection, began: RunRecord, digests: Sequence[str]) -> str:
    now = head(connection, began.id)
    if now is None:
        return "the run is not there any more"
    if _as_begun(now) != _as_begun(began):
        return "how the run began is not what was written"
    query = sa.select(schema.step.c.run_id, schema.step.c.digest).join(
        schema.run, schema.run.c.id == schema.step.c.run_id
    )
    rows = connection.execute(query.where(schema.run.c.uuid == began.id)).all()
    if sorted(row.digest for row in rows) != sorted(digests):
        return "its steps are not those that were written"
    for key in {row.run_id for row in rows}:
        store_read.load_steps(connection, key, began.id)  # each is held against its digest
    return ""


def _as_begun(run: RunRecord) -> RunRecord:
    """Without what another process may add: an end."""
    return dataclasses.replace(
        run, ended=None, outcome=None, outputs_off=None, energised_s=None, trip=None, abandoned=False, alive=True,
        says="",
    )  # fmt: skip
