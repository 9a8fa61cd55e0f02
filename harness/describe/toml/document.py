"""One TOML file as read: its values, the line of each key, and what is wrong with it as TOML.

Whatever bytes the file holds, `read` returns a Document; it raises nothing. A file that cannot be read or parsed has
`data` empty and its problem in `problems`.
"""

from __future__ import annotations

import errno
import os
import re
import stat
import tomllib
from dataclasses import dataclass, field, replace
from typing import Any, NoReturn

from wakeboard.harness.describe.problems import Problem, nearest, quoted
from wakeboard.harness.describe.toml.positions import Path, line_of, positions
from wakeboard.harness.describe.toml.syntax import complaint
from wakeboard.results.visible import visible

_LARGEST = 4_000_000  # bytes; a board file of a thousand parts has some 200 000
DEEPEST = 64  # parts of a dotted key; our files need five
_PIECE = re.compile(  # strings and comments as wholes, so that the dots in them do not count
    r'''"""(?:[^"\\]|\\.|"{1,2}(?!"))*+"{3,5}|\'{3}(?:[^']|'{1,2}(?!'))*+'{3,5}'''
    r"""|"(?:[^"\\\n]|\\.)*+"|'[^'\n]*+'|\#[^\n]*+|[.=\[\]{},\n]|[^"'\#.=\[\]{},\n]++|["']""",
    re.DOTALL,
)
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
        raw = _bytes_of(name)
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        reason = getattr(error, "strerror", None) or str(error)
        hint = _beside(name) if isinstance(error, FileNotFoundError) else ""
        return _unreadable(name, "", 0, reason.lower(), "a file that can be read", hint)
    if len(raw) > _LARGEST:
        return _unreadable(name, "", 0, "a very large file", f"a TOML file of at most {_LARGEST // 1_000_000} MB")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        return _unreadable(name, "", line, f"the byte 0x{raw[error.start]:02x}", "text in UTF-8")
    return read_text(text, name)


def read_named(file: str | os.PathLike[str]) -> Document:
    """As `read`, for a file that another file names: it may be anybody's, and name any file of this computer. Nothing
    of one that is no TOML is shown."""
    name = os.fspath(file)
    if not name.endswith(".toml"):
        return _unreadable(name, "", 0, "a file that is not named .toml", "a file named .toml; it was not opened")
    document = read(file)
    if not document.readable:
        document.problems = [_unshown(each) for each in document.problems]
    return document


def _beside(name: str) -> str:
    """A hint that names a TOML file of the same folder whose name is near."""
    folder, file = os.path.split(name)
    try:
        return nearest(file, [each for each in os.listdir(folder or ".") if each.endswith(".toml")])
    except OSError:
        return ""


def _unshown(problem: Problem) -> Problem:
    """Without a word of the file: what is missing, not of what."""
    if problem.allowed:
        return replace(problem, source="")
    missing = re.match(r"missing \S+", problem.found)
    twice = "a key that is written twice" if problem.found.endswith("is written twice") else "no TOML"
    return replace(problem, found=missing[0] if missing else twice, hint="", source="")


def _bytes_of(name: str) -> bytes:
    """At most a byte more than allowed. OSError for what is no plain file: a pipe would be waited for, for ever."""
    number = os.open(name, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    with os.fdopen(number, "rb") if not _is_folder(number) else _refused(number, errno.EISDIR) as stream:
        if not stat.S_ISREG(os.fstat(number).st_mode):
            raise OSError(errno.EINVAL, "no plain file (a pipe or a device)")
        return stream.read(_LARGEST + 1)


def _is_folder(number: int) -> bool:
    return stat.S_ISDIR(os.fstat(number).st_mode)


def _refused(number: int, code: int) -> NoReturn:
    os.close(number)
    raise OSError(code, os.strerror(code))


def read_text(text: str, name: str) -> Document:
    """As `read`, for text that is at hand."""
    deep = _deep_key(text)
    if deep:
        found = f"a key of more than {DEEPEST} parts"
        return _unreadable(name, text, deep, found, f"at most {DEEPEST} parts with dots between")
    try:
        data = tomllib.loads(text)
        document = Document(name, text, data, positions(text))
        _check_names(document)
        return document
    except tomllib.TOMLDecodeError as error:
        return _syntax(name, text, error)
    except RecursionError:
        return _unreadable(name, text, 1, "tables or lists nested very deep", "TOML that a person would write")
    except ValueError as error:  # a number with thousands of digits
        return _unreadable(name, text, 1, str(error).lower(), "TOML that a person would write")


def _deep_key(text: str) -> int:
    """The line of the first dotted key that is too deep, 0 where there is none; before tomllib sees it, whose time and
    memory grow with the square of the parts (50,000 of them: 2 minutes and 6 GB)."""
    line, dots = 1, 0
    for found in _PIECE.finditer(text):
        piece = found[0]
        if piece == ".":
            dots += 1
            if dots >= DEEPEST:
                return line
        elif piece[0] in "\n=[]{},#":
            dots = 0
        line += piece.count("\n")
    return 0


def _check_names(document: Document) -> None:
    """What is written at the head of each line that we show must not write lines of its own."""
    for path in document.lines:
        if isinstance(path[-1], str) and visible(path[-1]) != path[-1]:
            document.add(path, f"the key {quoted(path[-1])}", "a key of characters that can be seen")
    for path in (("title",), ("name",), ("board", "name"), ("board", "revision")):
        text = document.at(path)
        if isinstance(text, str) and visible(text) != text:
            document.add(path, quoted(text), "one line of characters that can be seen")


def _syntax(name: str, text: str, error: tomllib.TOMLDecodeError) -> Document:
    told = complaint(text, error)
    return _unreadable(name, text, told.line, told.says, "", told.hint)


def _unreadable(name: str, text: str, line: int, found: str, allowed: str, hint: str = "") -> Document:
    document = Document(name, text, readable=False)
    document.problems.append(Problem(name, line, "", found, allowed, hint, document.source(line)))
    return document
