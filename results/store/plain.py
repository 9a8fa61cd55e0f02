"""What went wrong with a store, in one sentence: errors of sqlite3, psycopg and the operating system made plain."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import sqlalchemy as sa

from wakeboard.results.passwords import without
from wakeboard.results.store.errors import Kind, StoreError


@dataclass(frozen=True)
class Place:
    """Where a store is. `shown` is safe to print: a URL's password is masked."""

    dialect: str
    shown: str
    path: Path | None = None
    url: sa.URL | None = None
    secrets: frozenset[str] = frozenset()


def corrupt(name: str, detail: str) -> StoreError:
    return StoreError(
        f"{name} is damaged ({' '.join(detail.split())}); nothing was changed: first copy it, with its -wal file, "
        "somewhere safe, then restore a backup or recover what can be read",
        kind="corrupt",
        store=name,
    )


_SQLITE_SAYS: Final[dict[int, tuple[Kind, str]]] = {
    sqlite3.SQLITE_BUSY: ("locked", "{name} is locked: another program is writing to it; try again when it is done"),
    sqlite3.SQLITE_LOCKED: ("locked", "{name} is locked: another program is writing to it; try again when it is done"),
    sqlite3.SQLITE_READONLY: ("read-only", "{name} cannot be written: the file, its folder or its disk is read-only"),
    sqlite3.SQLITE_FULL: ("full", "the disk of {name} is full; what was committed before is safe"),
    sqlite3.SQLITE_CANTOPEN: ("usage", "{name} cannot be opened: is the path right, and may it be read and written?"),
    sqlite3.SQLITE_NOTADB: (
        "corrupt",
        "{name} is not a Wakeboard store, or its first bytes are damaged; nothing was changed",
    ),
    sqlite3.SQLITE_PERM: ("usage", "{name} cannot be opened: permission denied"),
    sqlite3.SQLITE_IOERR: ("io", "the disk of {name} reported an error ({detail}); what was committed before is safe"),
}
_POSTGRESQL_SAYS: Final[dict[str, tuple[Kind, str]]] = {
    "28": ("unreachable", "{name} refused the user or the password"),
    "3D": ("usage", "{name}: there is no such database on that server"),
    "42501": ("read-only", "{name}: this user may not write there"),
    "57014": ("unreachable", "{name} took too long; push again, what was copied stays"),
    "25P03": ("unreachable", "{name} gave this bench up: nothing was said for too long; push again"),
    "25006": ("read-only", "{name} is read-only"),
    "53100": ("full", "the disk of {name} is full; what was committed before is safe"),
    "55P03": ("locked", "{name} is in use: another bench is copying to it; push again in a while, nothing is lost"),
}


def explain(error: BaseException, place: Place) -> StoreError:
    """The StoreError for an error of sqlite3, psycopg or the operating system."""
    name, detail = place.shown, without(" ".join(str(error).split()), set(place.secrets))
    if isinstance(error, sqlite3.Error):
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        if code == sqlite3.SQLITE_CORRUPT:
            return corrupt(name, detail)
        kind, says = _SQLITE_SAYS.get(code, ("io", "{name}: {detail}"))
        return StoreError(says.format(name=name, detail=detail), kind=kind, store=name)
    if isinstance(error, OSError):
        return StoreError(f"{name} cannot be opened: {error.strerror or error}", kind="usage", store=name)
    return _explain_server(error, name, detail)


def _explain_server(error: BaseException, name: str, detail: str) -> StoreError:
    state = getattr(error, "sqlstate", None) or ""
    for key in (state, state[:2]):
        if key and key in _POSTGRESQL_SAYS:
            kind, says = _POSTGRESQL_SAYS[key]
            return StoreError(says.format(name=name), kind=kind, store=name)
    if "password authentication failed" in detail or "no password supplied" in detail:
        return StoreError(f"{name} refused the user or the password", kind="unreachable", store=name)
    if "does not exist" in detail and "database" in detail:
        return StoreError(f"{name}: there is no such database on that server", kind="usage", store=name)
    if not state or state[:2] in ("08", "57"):
        return StoreError(
            f"{name} cannot be reached ({detail}); the local store has everything", kind="unreachable", store=name
        )
    return StoreError(f"{name}: {detail}", kind="io", store=name)
