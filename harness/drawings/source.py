"""One file of a drawing as bytes and as text, whatever code page it is in; and how a reader says what is wrong.

source = opened(path)                      raises FileProblems for a file that cannot be read
source.text, source.lines, source.head
trouble = Trouble(source)
trouble.add(17, 5, '"CUST 9"', "CUST 0, 1 or 2")      line and column from 1
trouble.end()                              raises FileProblems if anything was added
"""

from __future__ import annotations

import gzip
import io
import os
import zlib
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final

from wakeboard.harness.describe.problems import FileProblems, Problem

MOST_BYTES: Final = 300_000_000
"""Beyond it a file is refused: 200 000 pads are some 16 MB."""

MOST_PROBLEMS: Final = 20  # a file with more is another file
HEAD: Final = 8192  # bytes; every format tells itself in its first lines
_GZIP: Final = b"\x1f\x8b"
_ZIP: Final = b"PK\x03\x04"


@dataclass
class Source:
    """A file. `name` is what a person called it; `remarks` gathers what a person should know of the reading."""

    name: str
    raw: bytes
    remarks: list[str] = field(default_factory=list)

    @property
    def short(self) -> str:
        return os.path.basename(self.name)

    @property
    def is_workbook(self) -> bool:
        return self.raw.startswith(_ZIP)

    @cached_property
    def head(self) -> str:
        """The first characters, for telling what it is; never raises."""
        raw = self.raw[:HEAD]
        return _decoded(raw)[0] if _is_text(raw) else ""

    @cached_property
    def text(self) -> str:
        """The whole as text. Raises FileProblems for bytes that are none."""
        if not _is_text(self.raw):
            at = self.raw.index(b"\0")
            line = self.raw.count(b"\n", 0, at) + 1
            raise self.wrong(line, at - self.raw.rfind(b"\n", 0, at), "the byte 0x00", "text")
        text, page = _decoded(self.raw)
        if page == "cp1252":
            self.remarks.append(f"{self.short} is not UTF-8: read as Windows-1252")
        return text.replace("\r\n", "\n").replace("\r", "\n")

    @cached_property
    def lines(self) -> list[str]:
        return self.text.split("\n")

    def wrong(self, line: int, column: int, found: str, allowed: str, hint: str = "") -> FileProblems:
        """What to raise for one thing that is wrong."""
        return FileProblems([self.problem(line, column, found, allowed, hint)])

    def problem(self, line: int, column: int, found: str, allowed: str, hint: str = "") -> Problem:
        key = f"column {column}" if column else ""
        return Problem(self.name, line, key, found, allowed, hint)


@dataclass
class Trouble:
    """The problems of one file; it stops the reading where there are so many that more would tell nothing."""

    source: Source
    problems: list[Problem] = field(default_factory=list)

    def add(self, line: int, column: int, found: str, allowed: str, hint: str = "") -> None:
        self.problems.append(self.source.problem(line, column, found, allowed, hint))
        if len(self.problems) >= MOST_PROBLEMS:
            self.end()

    def end(self) -> None:
        if self.problems:
            raise FileProblems(self.problems)


def opened(path: str | os.PathLike[str]) -> Source:
    """The file at `path`, unpacked where it is compressed. Raises FileProblems."""
    name = os.fspath(path)
    try:
        with open(path, "rb") as stream:
            raw = stream.read(MOST_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = (getattr(error, "strerror", None) or str(error)).lower()
        raise FileProblems([Problem(name, 0, "", reason, "a file that can be read")]) from None
    return from_bytes(name, raw)


def from_bytes(name: str, raw: bytes) -> Source:
    """As `opened`, for bytes at hand."""
    if raw.startswith(_GZIP):
        raw = _unpacked(name, raw)
    if len(raw) > MOST_BYTES:
        raise FileProblems([Problem(name, 0, "", "a very large file", f"at most {MOST_BYTES // 1_000_000} MB")])
    if not raw.strip():
        raise FileProblems([Problem(name, 1, "", "an empty file", "a netlist, a list of parts or of places")])
    return Source(name, raw)


def _unpacked(name: str, raw: bytes) -> bytes:
    try:
        with gzip.GzipFile(fileobj=io.BytesIO(raw)) as stream:
            return stream.read(MOST_BYTES + 1)
    except (OSError, EOFError, zlib.error) as error:
        raise FileProblems([Problem(name, 0, "", f"a broken archive: {error}", "a whole gzip file")]) from None


def _is_text(raw: bytes) -> bool:
    return raw[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\0" not in raw


def _decoded(raw: bytes) -> tuple[str, str]:
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return raw.decode("utf-16", errors="replace"), "utf-16"
    try:
        return raw.decode("utf-8-sig"), "utf-8"
    except UnicodeDecodeError as error:
        if error.start >= len(raw) - 3 and len(raw) == HEAD:  # a head that ends within a character
            return raw[: error.start].decode("utf-8-sig", errors="replace"), "utf-8"
        return raw.decode("cp1252", errors="replace"), "cp1252"
