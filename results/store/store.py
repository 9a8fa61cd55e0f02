"""The store: what a run leaves behind, safe from the moment `commit_step` returns.

    with Store.open("wakeboard.db") as store:
        run = store.begin_run(RunStart(...))
        store.commit_step(run, Step(...))
        store.end_run(run, "pass", outputs_off=True, energised_s=12.3)
        record = store.run()                      # the latest; or an id, its first letters, a unit

Nothing is overwritten: a correction is a new row. Every error is a `StoreError` of one sentence. Every write has a key
(run id, run id + step number, a UUID), so that a write whose commit failed is looked up after reopening and written
again only if it is truly absent. Committing the same step twice is harmless; the same number with another content is
refused.
"""

from __future__ import annotations

import platform
import time
import uuid
from collections.abc import Callable
from importlib import metadata
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

import sqlalchemy as sa

from wakeboard.results.records import ASKED, OUTCOMES, Rework, RunRecord, RunStart, RunSummary, Step, Trip
from wakeboard.results.store import process as store_process
from wakeboard.results.store import read as store_read
from wakeboard.results.store import readback as store_readback
from wakeboard.results.store import schema
from wakeboard.results.store import text as store_text
from wakeboard.results.store import write as store_write
from wakeboard.results.store.engine import Database, parse_place
from wakeboard.results.store.errors import StoreError
from wakeboard.results.store.watch import StoreWatch

__all__ = ["Store", "StoreError"]

_UNKNOWN: Final = frozenset({"io", "full", "unreachable"})  # after these a commit may or may not have happened


def software_version() -> str:
    """This software's version, as recorded with every run."""
    try:
        return f"wakeboard {metadata.version('wakeboard')}"
    except metadata.PackageNotFoundError:
        return "wakeboard (not installed)"


class Store:
    """A store that is open. Use `Store.open`; close it, or use it as a context manager."""

    def __init__(self, database: Database) -> None:
        self.database = database
        self._known = store_write.Known()
        database.on_rollback = self._known.forget
        self._engine = database.describe_engine()
        self._watch: StoreWatch | None = None
        if database.place.path is not None:
            self._watch = StoreWatch(database.place, database.place.path.resolve())

    @classmethod
    def open(
        cls, url_or_path: str | Path, create: bool = True, *, read_only: bool = False, busy_s: float = 5.0
    ) -> Store:
        """Opens a SQLite file or a postgresql:// URL; an older schema is brought up to date first.

        `create=False` refuses a file that does not exist. `read_only` never writes, not even the WAL index.
        """
        place = parse_place(url_or_path)
        return cls(Database(place, create=create, read_only=read_only, busy_s=busy_s, software=software_version()))

    def close(self) -> None:
        self.database.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def name(self) -> str:
        """The file or URL, safe to print."""
        return self.database.name

    # -- writing a run

    def begin_run(self, start: RunStart) -> str:
        """Records that a run begins, and which rework the unit carries now; returns the run's id (32 hex digits)."""
        stamp = store_write.RunStamp(
            run=uuid.uuid4().hex,
            started=time.time(),
            process=store_process.token(),
            engine=self._engine,
            host=platform.node(),
            software=software_version(),
        )

        def write(connection: sa.Connection) -> None:
            unit_id = store_write.put_unit(connection, start.board_name, start.unit, stamp.started)
            rework = store_read.in_force(connection, unit_id)
            store_write.put_run(connection, start, stamp, unit_id, rework)
            if self._watch is not None and (begun := store_readback.head(connection, stamp.run)) is not None:
                self._watch.begun(begun)

        self.write(write, key=sa.select(schema.run.c.id).where(schema.run.c.uuid == stamp.run))
        return stamp.run

    def commit_step(self, run_id: str, step: Step) -> None:
        """Durable when it returns. A second call with the same step does nothing."""
        for outcome in {step.outcome, *(reading.outcome for reading in step.readings)}:
            _must_be_known(outcome)
        packed = store_write.pack(step)
        self._check(run_id)
        try:
            self._put_step(run_id, packed)
        except StoreError as error:
            if error.kind not in _UNKNOWN:
                raise
            self._settle(lambda: self._has_step(run_id, packed), lambda: self._put_step(run_id, packed), error)
        if self._watch is not None:
            self._watch.committed(run_id, step, packed.digest)

    def _check(self, run_id: str) -> None:
        if self._watch is not None:
            self._watch.check(run_id)

    def end_run(
        self,
        run_id: str,
        outcome: str,
        outputs_off: bool | None = None,
        energised_s: float | None = None,
        trip: Trip | None = None,
        *,
        abandoned: bool = False,
        says: str = "",
    ) -> None:
        """Records the end, once what the run wrote was read back from the file. In a transaction of the caller's that
        is not there yet, and nothing is read.

        A later call is a correction: the latest row counts, the earlier one stays."""
        _must_be_known(outcome)
        self._check(run_id)
        if self._watch is not None and not self.database.is_writing:
            self._watch.check_kept(run_id)
        row = {
            "uuid": uuid.uuid4().hex,
            "at": time.time(),
            "outcome": outcome,
            "outputs_off": None if outputs_off is None else int(outputs_off),
            "energised_s": store_text.number(energised_s),
            "abandoned": int(abandoned),
            "says": store_text.clean(says),
        }

        def write(connection: sa.Connection) -> None:
            key = store_write.run_key(connection, run_id, self._known, self.name)
            store_write.put_end(connection, key, row, trip)

        self.write(write, key=sa.select(schema.run_end.c.id).where(schema.run_end.c.uuid == row["uuid"]))
        if self._watch is not None:
            self._watch.ended(run_id)

    def mark_abandoned(self) -> list[str]:
        """Ends, as "error" and abandoned, the runs whose process is gone; returns their ids.

        A run of a process that still lives is left alone, and so, on a shared server, is one of another computer.
        """
        gone = [run_id for run_id, process in self._without_end() if self._is_gone(process)]
        for run_id in gone:
            self.end_run(run_id, "error", abandoned=True, says="the program ended before the run did")
        return gone

    def _without_end(self) -> list[tuple[str, str]]:
        """(id, token of the process) of the runs that have no end yet."""
        query = (
            sa.select(schema.run.c.uuid, schema.run.c.process)
            .where(~sa.exists().where(schema.run_end.c.run_id == schema.run.c.id))
            .order_by(schema.run.c.id)
        )
        with self.database.reading() as connection:
            return [(row.uuid, row.process) for row in connection.execute(query)]

    def sharing_caution(self) -> str:
        """What a person should know where another process is writing a run into the same file just now; "" otherwise.

        SQLite 3.7.0 to 3.51.2 can, very rarely, damage a file in WAL mode when two connections write and checkpoint at
        the same instant; 3.51.3 mends it (its release notes of 2026-03-13).
        """
        if self.database.dialect != "sqlite" or not store_process.shared_wal_is_risky():
            return ""
        me = store_process.token()
        others = [
            run for run, process in self._without_end()
            if process != me and store_process.is_here(process) and store_process.alive(process)
        ]  # fmt: skip
        if not others:
            return ""
        return (
            f"another program is writing run {others[0][:8]} into {self.name}: {self._engine} can, very rarely, damage "
            "a file that two programs write at the same instant (mended in 3.51.3). Give each bench a "
            "file of its own, and `wakeboard push` them together"
        )

    def _is_gone(self, process: str) -> bool:
        if not store_process.is_here(process):
            return self.database.dialect == "sqlite"  # a local file serves one computer: this one was copied here
        return not store_process.alive(process)

    # -- reading

    def run(self, ref: str | None = None, *, blobs: bool = True) -> RunRecord:
        """A run by id, its first letters or a unit (its latest), or the latest. `blobs=False`: without traces."""
        with self.database.reading() as connection:
            return store_read.load_run(connection, store_read.find_run(connection, ref, self.name), blobs=blobs)

    def runs(
        self,
        board: str | None = None,
        unit: str | None = None,
        sequence: str | None = None,
        limit: int | None = None,
    ) -> list[RunSummary]:
        """Runs, latest first; narrowed by board name, unit serial and sequence title."""
        wanted = {schema.unit.c.board: board, schema.unit.c.serial: unit, schema.run.c.sequence: sequence}
        where = [column == value for column, value in wanted.items() if value is not None]
        with self.database.reading() as connection:
            return store_read.summaries(connection, where, limit)

    def heads(self, board: str | None = None, sequence: str | None = None) -> list[RunRecord]:
        """Runs without their steps, oldest first, of a board and of a sequence; what an explanation asked for only
        where its title is given."""
        where = [schema.run.c.sequence != ASKED] if sequence is None else [schema.run.c.sequence == sequence]
        if board is not None:
            where.append(schema.unit.c.board == board)
        with self.database.reading() as connection:
            return store_read.load_heads(connection, where)

    def boards(self) -> list[str]:
        """Names of the boards that have units here."""
        with self.database.reading() as connection:
            query = sa.select(schema.unit.c.board).distinct().order_by(schema.unit.c.board)
            return list(connection.scalars(query))

    def units(self, board: str | None = None) -> list[tuple[str, str]]:
        """(board, serial) of every unit, in the order they were first seen."""
        query = sa.select(schema.unit.c.board, schema.unit.c.serial).order_by(schema.unit.c.id)
        if board is not None:
            query = query.where(schema.unit.c.board == board)
        with self.database.reading() as connection:
            return [(row.board, row.serial) for row in connection.execute(query)]

    def document(self, sha256: str) -> str:
        """A board, sequence or bench file as it was when a run used it."""
        with self.database.reading() as connection:
            text = connection.scalar(sa.select(schema.document.c.text).where(schema.document.c.sha256 == sha256))
        if text is None:
            raise StoreError(f"{self.name} has no file with hash {sha256}", kind="usage", store=self.name)
        return str(text)

    def rework_in_force(self, unit: str, board: str | None = None) -> list[Rework]:
        """The rework a unit carries now, oldest first; empty for a unit that is not known."""
        query = sa.select(schema.unit.c.id).where(schema.unit.c.serial == unit)
        if board is not None:
            query = query.where(schema.unit.c.board == board)
        with self.database.reading() as connection:
            ids = list(connection.scalars(query))
            if len(ids) > 1:
                raise StoreError(
                    f"{self.name} has a unit {unit!r} of several boards: say which board", kind="usage", store=self.name
                )
            return store_read.in_force(connection, ids[0]) if ids else []

    # -- the one way to write

    def write(self, act: Callable[[sa.Connection], None], *, key: sa.Select[Any]) -> None:
        """Runs `act` in one transaction. If its commit fails, `key` (a query for what it writes) decides whether it
        happened; if it did not, it is tried once more."""
        try:
            self._try(act)
        except StoreError as error:
            if error.kind not in _UNKNOWN:
                raise
            self._settle(lambda: self._exists(key), lambda: self._try(act), error)

    def _try(self, act: Callable[[sa.Connection], None]) -> None:
        try:
            with self.database.writing() as connection:
                act(connection)
        except StoreError:
            raise
        except BaseException as error:  # a press, or what came of it: who writes this again finds out how far it got
            self.database.torn(error)
            raise

    def _settle(self, happened: Callable[[], bool], again: Callable[[], None], error: StoreError) -> None:
        """After a failed commit: reopen, look up, and only then decide. Found there, it must also reach the disk."""
        try:
            self.database.reopen()
            known = happened()
            if known:
                self.database.harden()
        except StoreError as second:
            if second.kind == "conflict":
                raise
            raise error from None
        if known:
            return
        if error.kind == "full":
            raise error
        again()

    def _exists(self, key: sa.Select[Any]) -> bool:
        with self.database.reading() as connection:
            return connection.execute(key).first() is not None

    def _put_step(self, run_id: str, packed: store_write.PackedStep) -> None:
        def act(connection: sa.Connection) -> None:
            if self._same(connection, run_id, packed):
                return
            key = store_write.run_key(connection, run_id, self._known, self.name)
            store_write.put_step(connection, key, packed, self._known)

        self._try(act)

    def _has_step(self, run_id: str, packed: store_write.PackedStep) -> bool:
        with self.database.reading() as connection:
            return self._same(connection, run_id, packed)

    def _same(self, connection: sa.Connection, run_id: str, packed: store_write.PackedStep) -> bool:
        found = store_write.step_digest(connection, run_id, packed.step.number)
        if found is not None and found != packed.digest:
            raise StoreError(
                f"run {run_id[:8]} already has a step {packed.step.number} with another content: steps are never "
                "overwritten",
                kind="conflict",
                store=self.name,
            )
        return found is not None


def _must_be_known(outcome: str) -> None:
    if outcome not in OUTCOMES:
        raise StoreError(f"no outcome {outcome!r}; known: {', '.join(OUTCOMES)}", kind="usage")
