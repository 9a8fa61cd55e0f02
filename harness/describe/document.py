"""One TOML file as read: its values, the line of each key, and what is wrong with it as TOML.

Whatever bytes the file holds, `read` returns a Document; it raises nothing. A file that cannot be read or parsed has
`data` empty and its problem in `problems`.
"""

from __future__ import annotations

import os
import re
import tomllib
from dataclasses import dataclass, field
from typing import Any

from wakeboard.harness.describe.positions import Path, line_of, positions
from wakeboard.harness.describe.problems import Problem, quoted

_LARGEST = 4_000_000  # bytes; a board file of a thousand parts has some 200 000
_AT = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)")
_BARE = re.compile(r"[A-Za-z0-9_-]+\Z")


@dataclass
class Document:
    """A file's text, data and positions; problems gather here while it is checked."""

    file: str
    text: str = ""
    data: dict[str, Any] = field(default_factory=dict)
    lines: dict[Path, int] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    readable: bool = True
    mended: tuple[Path, ...] = ()  # where placeholders stand for mistakes that are told already

    def add(self, path: Path, found: str, allowed: str, hint: str = "") -> None:
        """Note what is wrong at a path; not where a placeholder stands."""
        if any(path[: len(place)] == place for place in self.mended):
            return
        line = line_of(self.lines, path)
        self.problems.append(Problem(self.file, line, key_text(path), found, allowed, hint, self.source(line)))

    def source(self, line: int) -> str:
        rows = self.text.splitlines()
        return rows[line - 1].rstrip() if 0 < line <= len(rows) else ""

    def at(self, path: Path) -> Any:
        """The value at a path, None where there is none."""
        node: Any = self.data
        for key in path:
            try:
                node = node[key]
            except (KeyError, IndexError, TypeError):
                return None
        return node


def key_text(path: Path) -> str:
    """A path as a person writes it: step[2].limit (members counted from 1), lines."U1.GPIO7"."""
    text = ""
    for key in path:
        if isinstance(key, int):
            text += f"[{key + 1}]"
        else:
            text += ("." if text else "") + (key if _BARE.match(key) else quoted(key))
    return text


def read(file: str | os.PathLike[str]) -> Document:
    """Read a TOML file. Raises nothing: what is wrong is in the document's problems."""
    name = os.fspath(file)
    try:
        with open(file, "rb") as stream:
            raw = stream.read(_LARGEST + 1)
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        reason = getattr(error, "strerror", None) or str(error)
        return _unreadable(name, "", 0, reason.lower(), "a file that can be read")
    if len(raw) > _LARGEST:
        return _unreadable(name, "", 0, "a very large file", f"a TOML file of at most {_LARGEST // 1_000_000} MB")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        return _unreadable(name, "", line, f"the byte 0x{raw[error.start]:02x}", "text in UTF-8")
    return read_text(text, name)


def read_text(text: str, name: str) -> Document:
    """As `read`, for text that is at hand."""
    try:
        data = tomllib.loads(text)
        return Document(name, text, data, positions(text))
    except tomllib.TOMLDecodeError as error:
        return _syntax(name, text, error)
    except RecursionError:
        return _unreadable(name, text, 1, "tables or lists nested very deep", "TOML that a person would write")
    except ValueError as error:  # a number with thousands of digits
        return _unreadable(name, text, 1, str(error).lower(), "TOML that a person would write")


def _syntax(name: str, text: str, error: tomllib.TOMLDecodeError) -> Document:
    message = str(error)
    place = _AT.search(message)
    line = int(place[1]) if place and place[1] else text.count("\n") + (not text.endswith("\n"))
    document = _unreadable(name, text, max(line, 1), _lower(_AT.sub("", message)), "TOML", _syntax_hint(message))
    return document


def _syntax_hint(message: str) -> str:
    if "overwrite" in message or "twice" in message:
        return "each key and table is written once"
    if "Invalid value" in message or "newline" in message or "Illegal character" in message:
        return 'text stands in quotes: volts = "3.3 V"'
    return ""


def _lower(message: str) -> str:
    return message[:1].lower() + message[1:]


def _unreadable(name: str, text: str, line: int, found: str, allowed: str, hint: str = "") -> Document:
    document = Document(name, text, readable=False)
    document.problems.append(Problem(name, line, "", found, allowed, hint, document.source(line)))
    return document
