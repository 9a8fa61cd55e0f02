"""Opening a store safely, and saying in one sentence why it cannot be opened.

SQLite: one connection per store object, WAL with synchronous=FULL (a commit is on the disk when it returns), foreign
keys on, writers take the lock at once (BEGIN IMMEDIATE), a busy timeout, an application id so that another program's
file is never touched, and a quick check that is given a fixed time however large the file is. Where WAL is not
possible (some network folders) the rollback journal with synchronous=EXTRA is used instead.

A failed COMMIT may still have happened: SQLite in WAL mode reports an error of the log's sync, yet after reopening the
rows are there. So callers `reopen()` and look up by key instead of writing again.
"""

from __future__ import annotations

import contextlib
import sqlite3
import threading
import time
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import sqlalchemy as sa
from sqlalchemy import event, exc

from wakeboard.results.network_limits import connect_args, limited
from wakeboard.results.passwords import safe_url, secrets_in, without
from wakeboard.results.store import migrations
from wakeboard.results.store.errors import StoreError
from wakeboard.results.store.plain import Place, corrupt, explain

QUICK_CHECK_S: Final = 0.05  # s: what nobody notices at the start of a command
_WAYS: Final = "give a file, sqlite:///FILE or postgresql://USER@HOST/DATABASE"
_MIGRATION_LOCK: Final = 0x57414B45  # advisory lock number in PostgreSQL


def parse_place(text: str | Path) -> Place:
    """A file, sqlite:///FILE or postgresql://… ; anything else is a StoreError of kind "usage"."""
    if isinstance(text, Path) or "://" not in text:
        return _file_place(Path(text))
    scheme = text.partition("://")[0].lower()
    if scheme == "sqlite":
        return _file_place(Path(text.partition(":///")[2] or "."))
    if scheme not in ("postgresql", "postgres", "postgresql+psycopg"):
        raise StoreError(f"{scheme}:// is no kind of store: {_WAYS}", kind="usage", store=safe_url(text))
    try:
        url = sa.make_url("postgresql+psycopg" + text[len(scheme) :])
    except (exc.ArgumentError, ValueError) as error:
        why = without(str(error), {text, *secrets_in(text)})
        says = f"{safe_url(text)} cannot be read as a URL ({why}): {_WAYS}"
        raise StoreError(says, kind="usage", store=safe_url(text)) from None
    if not url.database:
        raise StoreError(f"{safe_url(text)} names no database: {_WAYS}", kind="usage", store=safe_url(text))
    shown = safe_url(url.set(drivername="postgresql").render_as_string(hide_password=True))
    return Place("postgresql", shown, url=url, secrets=frozenset(secrets_in(text)))


def _file_place(path: Path) -> Place:
    if path.is_dir():
        raise StoreError(f"{path} is a folder; a store is a file, such as {path / 'wakeboard.db'}", kind="usage")
    return Place("sqlite", str(path), path=path)


class Database:
    """One connection to a store, its transactions, and its errors made plain. Safe to use from several threads."""

    def __init__(
        self, place: Place, *, create: bool = True, read_only: bool = False, busy_s: float = 5.0, software: str = ""
    ) -> None:
        self.place = place
        self.read_only = read_only
        self.new = False
        self._create = create
        self.on_rollback: Callable[[], None] = lambda: None  # called whenever a transaction was not committed
        self._busy_s = busy_s
        self._software = software
        self._lock = threading.RLock()
        self._immediate = False
        self._torn: BaseException | None = None
        self._connection: sa.Connection | None = None
        self._driver: Any = None  # the driver's own connection, below
        if place.path is not None:
            self._must_exist(place.path, create)
        with self.translated():
            self._engine = self._make_engine()
            self._open()

    @property
    def dialect(self) -> str:
        return self.place.dialect

    def describe_engine(self) -> str:
        """Program and version, recorded with every run: an old SQLite has known faults when a store is shared."""
        if self.dialect == "sqlite":
            return f"SQLite {sqlite3.sqlite_version}"
        with self.reading() as connection:
            return f"PostgreSQL {connection.scalar(sa.text('SHOW server_version'))}"

    @contextlib.contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """A consistent view for several SELECTs."""
        with self._transaction(immediate=False) as connection:
            yield connection

    @contextlib.contextmanager
    def writing(self) -> Iterator[sa.Connection]:
        """All or nothing. When this raises, whether it happened is unknown: `reopen()` and look up by key."""
        if self.read_only:
            raise StoreError(f"{self.place.shown} was opened for reading only", kind="read-only", store=self.name)
        with self._transaction(immediate=True) as connection:
            yield connection

    @property
    def name(self) -> str:
        return self.place.shown

    @property
    def is_writing(self) -> bool:
        """Whether a transaction is under way: what it has written so far stands on no disk."""
        with self._lock:
            return self._torn is None and self._connection is not None and self._connection.in_transaction()

    def reopen(self) -> None:
        """Drops the connection, whatever state it is in, and opens a new one."""
        with self._lock, self.translated():
            self._drop()
            self._open()

    def torn(self, by: BaseException) -> None:
        """Somebody was broken off in the middle of a transaction, who knows where: it may still be open, and what is
        written next would be a part of it, and lost with it. So that begins on a connection made anew."""
        self._torn = by

    def _mend(self) -> None:
        """What broke off a transaction keeps, in its frames, cursors that keep the file locked."""
        error, self._torn = self._torn, None
        while error is not None:
            traceback.clear_frames(error.__traceback__)
            error = error.__context__
        self._drop()
        self.on_rollback()

    def harden(self) -> None:
        """Brings what is committed onto the disk by another way than the one that just failed, or raises.

        After a failed sync a row may be readable and yet not on the disk, and the system may report the next sync of
        the same pages as good. A checkpoint writes them anew, into the database file, and syncs that.
        """
        if self.dialect != "sqlite":
            return
        with self._lock, self.translated():
            assert self._connection is not None
            driver: Any = self._connection.connection
            busy, log, done = driver.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
            if busy and log != done:
                raise StoreError(f"{self.name} is locked: another program is using it", kind="locked", store=self.name)

    def check_pages(self, seconds: float) -> None:
        """Raises StoreError where a page of the SQLite file is no page of a database; looks for so long at most."""
        if self.place.path is not None:
            with self._lock, self.translated():
                _quick_check(self._driver, self.place.path, seconds)

    def close(self) -> None:
        with self._lock:
            self._drop()
            self._engine.dispose()

    @contextlib.contextmanager
    def translated(self) -> Iterator[None]:
        """Turns a driver's error into a StoreError of one sentence."""
        try:
            yield
        except exc.DBAPIError as error:
            cause = error.orig if isinstance(error.orig, BaseException) else error
            raise explain(cause, self.place) from error
        except (sqlite3.Error, OSError) as error:
            raise explain(error, self.place) from error

    # -- below: how it is done

    def _must_exist(self, path: Path, create: bool) -> None:
        if path.exists():
            return
        if not create or self.read_only:
            raise StoreError(
                f"no results yet: {path} does not exist; run a sequence first", kind="usage", store=str(path)
            )
        if not path.resolve().parent.is_dir():
            raise StoreError(f"the folder of {path} does not exist", kind="usage", store=str(path))
        self.new = True

    @contextlib.contextmanager
    def _transaction(self, *, immediate: bool) -> Iterator[sa.Connection]:
        with self._lock, self.translated():
            if self._torn is not None:
                self._mend()
            if self._connection is None:
                self._open()
            assert self._connection is not None
            if self._connection.in_transaction():  # nested: part of the outer one
                if immediate and not self._immediate:
                    raise RuntimeError("a write inside a read: its snapshot may be old")
                yield self._connection
                return
            self._immediate = immediate
            try:
                with self._limits(), self._connection.begin():
                    yield self._connection
            except BaseException:
                self.on_rollback()
                raise

    def _limits(self) -> contextlib.AbstractContextManager[None]:
        """Of the network, where there is one."""
        if self.dialect == "sqlite" or self._connection is None:
            return contextlib.nullcontext()
        return limited(self._connection)

    def _make_engine(self) -> sa.Engine:
        if self.place.url is not None:
            arguments = connect_args(self._busy_s)
            arguments["options"] += f" {self.place.url.query.get('options', '')}"
            url = self.place.url.difference_update_query(["options"])
            try:
                return sa.create_engine(url, poolclass=sa.pool.NullPool, connect_args=arguments)
            except ModuleNotFoundError as error:
                says = f"PostgreSQL needs the package {error.name}: pip install 'wakeboard[server]'"
                raise StoreError(says, kind="usage", store=self.place.shown) from error
        engine = sa.create_engine("sqlite://", poolclass=sa.pool.NullPool, creator=self._connect_sqlite)

        @event.listens_for(engine, "begin")
        def _begin(connection: sa.Connection) -> None:
            connection.exec_driver_sql("BEGIN IMMEDIATE" if self._immediate else "BEGIN")

        return engine

    def _open(self) -> None:
        self._connection = self._engine.connect()
        self._driver = self._connection.connection.dbapi_connection
        try:
            self._migrate()
        except BaseException:
            self._drop()
            raise
        self.new = False

    def _drop(self) -> None:
        connection, self._connection = self._connection, None
        if connection is None:
            return
        # broken off in a transaction, SQLAlchemy may trip over its own half-made state, or not know that one is open
        for close in (connection.invalidate, connection.close, self._driver.close):
            with contextlib.suppress(Exception):
                close()

    # -- SQLite

    def _connect_sqlite(self) -> sqlite3.Connection:
        assert self.place.path is not None
        path = self.place.path.resolve()
        if not self.read_only:
            return _prepare(self._sqlite(path, "rwc" if self.new else "rw"), path, self._busy_s)
        connection = self._sqlite(path, "ro")
        try:
            _must_be_ours(connection, path)
        except sqlite3.OperationalError:
            # A folder that cannot be written lacks the WAL index; without a log the file is whole by itself.
            connection.close()
            log = path.with_name(path.name + "-wal")
            if log.exists() and log.stat().st_size:
                raise
            connection = self._sqlite(path, "ro&immutable=1")
            _must_be_ours(connection, path)
        return connection

    def _sqlite(self, path: Path, mode: str) -> sqlite3.Connection:
        return sqlite3.connect(
            f"{path.as_uri()}?mode={mode}",
            uri=True,
            timeout=self._busy_s,
            isolation_level=None,
            check_same_thread=False,
        )

    # -- migrations

    def _migrate(self) -> None:
        assert self._connection is not None
        version = self._version()
        if version > migrations.NEWEST:
            raise StoreError(
                f"{self.name} was made by a newer Wakeboard (schema {version}, this one knows {migrations.NEWEST}): "
                "update Wakeboard",
                kind="newer",
                store=self.name,
            )
        if version == migrations.NEWEST:
            return
        if version == 0 and self.dialect == "postgresql" and not self._create:
            raise StoreError(f"{self.name} holds no results yet", kind="usage", store=self.name)
        if self.read_only:
            raise StoreError(
                f"{self.name} has the older schema {version}: open it once where it can be written",
                kind="read-only",
                store=self.name,
            )
        for migration in migrations.MIGRATIONS:
            self._apply(migration)

    def _version(self) -> int:
        assert self._connection is not None
        self._immediate = False
        with self._connection.begin():
            if not sa.inspect(self._connection).has_table("migration"):
                return 0
            return int(self._connection.scalar(sa.text("SELECT coalesce(max(version), 0) FROM migration")) or 0)

    def _apply(self, migration: migrations.Migration) -> None:
        """One migration and its record in one transaction; another process may have been faster."""
        assert self._connection is not None
        self._immediate = True
        with self._connection.begin():
            run = self._connection.exec_driver_sql
            if self.dialect == "postgresql":
                run(f"SELECT pg_advisory_xact_lock({_MIGRATION_LOCK})")
            for statement in migrations.RECORD_TABLE.sql(self.dialect):
                run(statement)
            known = self._connection.scalar(
                sa.text("SELECT count(*) FROM migration WHERE version = :v"), {"v": migration.version}
            )
            if known:
                return
            for statement in migration.sql(self.dialect):
                run(statement)
            self._connection.execute(
                sa.text("INSERT INTO migration (version, name, applied, software) VALUES (:v, :n, :a, :s)"),
                {"v": migration.version, "n": migration.name, "a": time.time(), "s": self._software},
            )
            if self.dialect == "sqlite":
                run(f"PRAGMA user_version = {migration.version}")


def _prepare(connection: sqlite3.Connection, path: Path, busy_s: float) -> sqlite3.Connection:
    """The safe settings, each read back where SQLite may quietly refuse."""
    try:
        fresh = _must_be_ours(connection, path)
        mode = _patiently(lambda: connection.execute("PRAGMA journal_mode = WAL").fetchone()[0], busy_s)
        connection.execute(f"PRAGMA synchronous = {'FULL' if mode == 'wal' else 'EXTRA'}")
        connection.execute("PRAGMA foreign_keys = ON")
        if fresh:
            _patiently(lambda: connection.execute(f"PRAGMA application_id = {migrations.APPLICATION_ID}"), busy_s)
        else:
            _quick_check(connection, path)
    except BaseException:
        connection.close()
        raise
    return connection


def _must_be_ours(connection: sqlite3.Connection, path: Path) -> bool:
    """True for an empty file, False for a store; StoreError for another program's file."""
    mark = connection.execute("PRAGMA application_id").fetchone()[0]
    if mark == migrations.APPLICATION_ID:
        connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        return False
    if mark == 0 and connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0] == 0:
        return True
    raise StoreError(
        f"{path} is a SQLite file of another program, not a Wakeboard store", kind="usage", store=str(path)
    )


def _patiently(act: Callable[[], object], busy_s: float) -> Any:
    """A change of journal mode is refused at once while another process is starting too: ask again for a while."""
    deadline = time.monotonic() + busy_s
    while True:
        try:
            return act()
        except sqlite3.OperationalError as error:
            if (error.sqlite_errorcode & 0xFF) != sqlite3.SQLITE_BUSY or time.monotonic() > deadline:
                raise
            time.sleep(0.01)


def _quick_check(connection: sqlite3.Connection, path: Path, seconds: float = QUICK_CHECK_S) -> None:
    """PRAGMA quick_check, given so many seconds: all of a small store, the beginning of a large one."""
    deadline = time.monotonic() + seconds
    connection.set_progress_handler(lambda: int(time.monotonic() > deadline), 2000)
    try:
        first = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode != sqlite3.SQLITE_INTERRUPT:
            raise
        return
    finally:
        connection.set_progress_handler(None, 0)
    if first != "ok":
        raise corrupt(str(path), str(first))
