"""Readers of open formats, one file each; this registry finds them and tells a file by its content.

A reader's module has WHAT (a name for a person), `tells(source)` (0: not mine .. 100: certainly mine) and
`read(source, options)` which returns a Design or raises FileProblems. A new reader is one new file here, in
an installed package, or a file of one's own that a board names or `wakeboard new --reader` is given (registry.py).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType
from typing import Final, Protocol, cast

from wakeboard.harness.describe.problems import FileProblems, one_of
from wakeboard.harness.describe.registry import BadKind, Registry
from wakeboard.harness.drawings.design import Design
from wakeboard.harness.drawings.source import Source


@dataclass(frozen=True)
class Options:
    """What a person said about the reading. columns: role -> the heading of a table's column; part: whose pins a file
    has that describes one chip; ground: what a file of the circuit calls zero."""

    columns: Mapping[str, str] = field(default_factory=dict)
    part: str = ""
    ground: str = "GND"


class Reader(Protocol):
    """What every module of this folder is."""

    WHAT: str

    def tells(self, source: Source) -> int: ...

    def read(self, source: Source, options: Options) -> Design: ...


def _take(module: ModuleType) -> Iterator[tuple[str, Reader]]:
    if hasattr(module, "tells"):
        if not callable(getattr(module, "read", None)) or not isinstance(getattr(module, "WHAT", None), str):
            raise BadKind("a reader has WHAT, a text, and read(source, options) beside tells(source)")
        yield Path(str(module.__file__)).stem, cast(Reader, module)


READERS: Final = Registry("reader", __name__, _take)


def readers() -> tuple[Reader, ...]:
    """Every reader."""
    return tuple(READERS.all().values())


def reader_of(source: Source) -> Reader:
    """The reader that knows the file best. Raises FileProblems where none does."""
    score, best = max(((_told(each, source), each) for each in readers()), key=lambda pair: pair[0])
    if score <= 0:
        known = one_of((each.WHAT for each in readers()), 20)
        found = "the byte 0x00 in its text" if b"\0" in source.raw[:4096] else "nothing that a reader knows"
        raise FileProblems([source.problem(1, 1, found, known)])
    return best


def _told(reader: Reader, source: Source) -> int:
    try:
        return int(reader.tells(source))
    except Exception as error:
        _broken(reader, source, error)
        raise


def read(source: Source, options: Options | None = None) -> Design:
    """The design that a file holds. Raises FileProblems, with line and column, for what cannot be read."""
    reader = reader_of(source)
    try:
        design = reader.read(source, options or Options())
        assert isinstance(design, Design), f"it gave {type(design).__name__}, a Design is wanted"
    except FileProblems:
        raise
    except Exception as error:
        _broken(reader, source, error)
        raise
    design.used.append((source.name, reader.WHAT))
    design.remarks = [*source.remarks, *design.remarks]
    return design


def _broken(reader: Reader, source: Source, error: Exception) -> None:
    """What a reader from elsewhere does wrong is its file's matter; what ours does, a fault of the program."""
    file = next((READERS.source(name) for name, each in READERS.all().items() if each is reader), "")
    if file:
        found = f"the reader {file} failed: {type(error).__name__}: {error}"
        raise FileProblems([source.problem(1, 1, found, "a reader that reads or refuses it")]) from error
