"""What differs between makers, read from instruments/dialects/*.toml into checked models.

    dialect = pick_dialect("Keysight Technologies,E36312A,MY1,1.0", "psu")     by the `idn` patterns of the files
    dialect = load_dialect("keysight-e36300")

A dialect is data: what to say, what to ask, how a reply looks, what the status bits mean, what the instrument cannot
do, how accurate it is. `based_on` names a dialect whose tables are taken over and overlaid, but for the keys listed in
`without`; what is unverified there stays so here, unless this file sets it anew or names a source of its own for it.
`sources` gives for each table or key where it was read: "V document, page" (the maker's), "V-sis" (a sister model of
the maker), "2nd" (second hand), "M" (memory), "std" (the standard). `unverified` lists keys that no maker's page was
found for: what rests on them is confirmed on the instrument before it is relied on.

The models are in dialect_tables.py.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from functools import cache
from importlib import resources
from importlib.abc import Traversable
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from .dialect_tables import (
    NUMBER,
    SAMPLE,
    Accuracy,
    Asking,
    Base,
    Channel,
    DmmDialect,
    PsuDialect,
    Quantity,
    QuantityName,
    Register,
    ScannerDialect,
    ScopeDialect,
    Status,
    WaveTable,
)
from .errors import DialectError

__all__ = [
    "NUMBER", "SAMPLE", "Accuracy", "Asking", "Base", "Channel", "Dialect", "DmmDialect", "PsuDialect", "Quantity",
    "QuantityName", "Register", "ScannerDialect", "ScopeDialect", "Status", "WaveTable",
    "dialect_names", "load_dialect", "load_dmm",
    "load_psu", "load_scope", "overlay", "pick_dialect", "read_dialect", "read_text",
]  # fmt: skip
_OWN = ("idn", "documents", "notes", "unverified")  # never inherited
D = TypeVar("D", bound=Base)
Dialect = PsuDialect | DmmDialect | ScannerDialect | ScopeDialect
_KINDS: dict[str, type[Base]] = {
    "psu": PsuDialect,
    "dmm": DmmDialect,
    "scanner": ScannerDialect,
    "scope": ScopeDialect,
}


def dialect_names(kind: str | None = None) -> list[str]:
    """The dialects that there are, by file name."""
    names = sorted(each.name.removesuffix(".toml") for each in _folder().iterdir() if each.name.endswith(".toml"))
    return [name for name in names if kind is None or _raw(name).get("kind") == kind]


def _folder() -> Traversable:
    return resources.files("wakeboard.instruments") / "dialects"


@cache
def _raw(name: str) -> dict[str, Any]:
    """The tables of a file, laid over those that it is based on. name: one of ours, or the path of a TOML file."""
    try:
        file = Path(name) if name.endswith(".toml") else _folder() / f"{name}.toml"
        text = file.read_text(encoding="utf-8")
    except (FileNotFoundError, NotADirectoryError, OSError):
        raise DialectError(f"no dialect {name!r}; {_nearest(name)}") from None
    return _laid_over(text, name)


def _laid_over(text: str, name: str) -> dict[str, object]:
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DialectError(f"dialect {name}: {error}") from None
    based_on = tables.pop("based_on", None)
    without = tables.pop("without", [])
    if based_on is None:
        return tables
    below = _raw(based_on)
    doubts = [each for key in below.get("unverified", ()) for each in _taken_over(key, without, below, tables)]
    merged = overlay(_lacking(below, without), tables)
    return {**merged, "unverified": list(dict.fromkeys([*tables.get("unverified", ()), *doubts]))}


def _taken_over(key: str, without: list[str], below: object, own: Any) -> Iterator[str]:
    """What stands here as it stands below, and so does its doubt, of a key that is unverified there: not what is left
    out or set anew, nor what this file names a source of its own for."""
    tables = [key[: place.start()] for place in re.finditer(r"\.|$", key)]  # the key, and each table that it stands in
    if not any(each in without or each in own.get("sources", {}) for each in tables):
        yield from _not_set(key, _at(below, key), _at(own, key), without)


def _not_set(key: str, below: object, own: object, without: list[str]) -> Iterator[str]:
    """All of a table that this file does not touch. Of status bits, since safety rests on each, those that it does not
    set: one that is set does not vouch for its neighbours."""
    if own is None:
        yield key
    elif key.startswith("status") and isinstance(below, dict) and isinstance(own, dict):
        for name, value in below.items():
            if f"{key}.{name}" not in without:
                yield from _not_set(f"{key}.{name}", value, own.get(name), without)


def _at(tables: object, key: str) -> object:
    """What a dotted key leads to; None where nothing stands there."""
    for word in key.split("."):
        tables = tables.get(word) if isinstance(tables, dict) else None
    return tables


def overlay(below: dict[str, object], above: dict[str, object]) -> dict[str, object]:
    """Tables are merged key by key; everything else replaces what is below."""
    merged = dict(below)
    for key, value in above.items():
        known = merged.get(key)
        merged[key] = overlay(known, value) if isinstance(value, dict) and isinstance(known, dict) else value
    return merged


def _lacking(tables: dict[str, object], without: list[str]) -> dict[str, object]:
    """A copy without the dotted keys named."""
    kept = {key: value for key, value in tables.items() if key not in without and key not in _OWN}
    for key, value in kept.items():
        inner = [each.removeprefix(f"{key}.") for each in without if each.startswith(f"{key}.")]
        if isinstance(value, dict):
            kept[key] = _lacking(value, inner)
    return kept


def _nearest(name: str) -> str:
    import difflib

    close = difflib.get_close_matches(name, dialect_names(), 1)
    return f"did you mean {close[0]}?" if close else f"there are {', '.join(dialect_names())}"


@cache
def load_dialect(name: str) -> Dialect:
    """A dialect, checked: one of ours by its name, or one of a bench by the path of its file. Raises DialectError."""
    return read_dialect(_raw(name), name)


def read_text(text: str, name: str) -> Dialect:
    """A dialect from the text of a file. Raises DialectError."""
    return read_dialect(_laid_over(text, name), name)


def read_dialect(tables: dict[str, object], name: str) -> Dialect:
    """A dialect from its tables. Raises DialectError with every mistake."""
    model = _KINDS.get(str(tables.get("kind")))
    if model is None:
        raise DialectError(f"dialect {name}: kind is {tables.get('kind')!r}; it may be {', '.join(_KINDS)}")
    try:
        return model.model_validate({**tables, "name": name})  # type: ignore[return-value]
    except ValidationError as error:
        mistakes = "; ".join(f"{'.'.join(map(str, each['loc']))}: {each['msg']}" for each in error.errors())
        raise DialectError(f"dialect {name}: {mistakes}") from None


def load_psu(name: str) -> PsuDialect:
    return _of_kind(load_dialect(name), PsuDialect, name)


def load_dmm(name: str) -> DmmDialect:
    return _of_kind(load_dialect(name), DmmDialect, name)


def load_scope(name: str) -> ScopeDialect:
    return _of_kind(load_dialect(name), ScopeDialect, name)


def _of_kind(dialect: Base, kind: type[D], name: str) -> D:
    if not isinstance(dialect, kind):
        raise DialectError(f"dialect {name} is for a {dialect.kind}")
    return dialect


def pick_dialect(idn: str, kind: str) -> Dialect:
    """The dialect whose pattern fits an *IDN? reply; the longest match wins. Raises DialectError when none does."""
    best: tuple[int, str] | None = None
    for name in dialect_names(kind):
        for pattern in _raw(name).get("idn", ()):
            found = re.search(pattern, idn)
            if found and (best is None or len(found[0]) > best[0]):
                best = (len(found[0]), name)
    if best is None:
        raise DialectError(
            f"no {kind} dialect fits {idn.strip()[:80]!r}; name one in the bench file (dialect = …): "
            + ", ".join(dialect_names(kind))
        )
    return load_dialect(best[1])
