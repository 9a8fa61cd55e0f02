"""Readers of open formats, one file each; this registry finds them and tells a file by its content.

A reader's module has WHAT (a name for a person), `tells(source)` (0: not mine .. 100: certainly mine) and
`read(source, options)` which returns a Design or raises FileProblems. A new reader is one new file here.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Protocol, cast

from wakeboard.harness.describe.problems import FileProblems, one_of
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


@cache
def readers() -> tuple[Reader, ...]:
    """Every reader."""
    names = sorted(module.name for module in pkgutil.iter_modules(__path__) if not module.name.startswith("_"))
    return tuple(cast(Reader, importlib.import_module(f"{__name__}.{name}")) for name in names)


def reader_of(source: Source) -> Reader:
    """The reader that knows the file best. Raises FileProblems where none does."""
    score, best = max(((each.tells(source), each) for each in readers()), key=lambda pair: pair[0])
    if score <= 0:
        known = one_of((each.WHAT for each in readers()), 20)
        found = "the byte 0x00 in its text" if b"\0" in source.raw[:4096] else "nothing that a reader knows"
        raise FileProblems([source.problem(1, 1, found, known)])
    return best


def read(source: Source, options: Options | None = None) -> Design:
    """The design that a file holds. Raises FileProblems, with line and column, for what cannot be read."""
    reader = reader_of(source)
    design = reader.read(source, options or Options())
    design.used.append((source.name, reader.WHAT))
    design.remarks = [*source.remarks, *design.remarks]
    return design
