"""Where each key of a TOML text stands: tomllib gives the values, this second pass gives the lines.

`positions(text)` expects text that tomllib has accepted. It walks keys and skips values, so it knows no types; what it
must know is how TOML strings, arrays, inline tables, dotted keys, tables and arrays of tables nest (TOML 1.0.0, the
specification's sections of these names).

A path is a tuple of keys and, for the members of arrays, counts from zero:
("supplies", "USB", "volts"), ("step", 3, "limit"), ("parts", "R31", "pins", 0).
"""

from __future__ import annotations

import re
from bisect import bisect_right

Path = tuple[str | int, ...]

_BLANK = re.compile(r"[ \t]*")
_FILLER = re.compile(r"(?:[ \t\n]|#[^\n]*)*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR = re.compile(r"[^,\]}\n#]*")
_STRINGS = [
    re.compile(r'"""(?:[^"\\]|\\.|"{1,2}(?!"))*"{3,5}', re.DOTALL),
    re.compile(r"'''(?:[^']|'{1,2}(?!'))*'{3,5}", re.DOTALL),
    re.compile(r'"(?:[^"\\\n]|\\.)*"'),
    re.compile(r"'[^'\n]*'"),
]
_ESCAPES = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\"}
_ESCAPE = re.compile(r"\\(?:u([0-9A-Fa-f]{4})|U([0-9A-Fa-f]{8})|(.))")


def positions(text: str) -> dict[Path, int]:
    """The line (from 1) on which each path of valid TOML text is first written."""
    return _Walk(text.replace("\r\n", "\n")).walk()


def line_of(lines: dict[Path, int], path: Path) -> int:
    """The line of a path, or of the nearest table around it; 1 for the file itself."""
    for length in range(len(path), 0, -1):
        line = lines.get(path[:length])
        if line is not None:
            return line
    return 1


class _Walk:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[Path, int] = {}
        self._starts = [0, *(match.end() for match in re.finditer("\n", text))]
        self._counts: dict[Path, int] = {}

    def walk(self) -> dict[Path, int]:
        table: Path = ()
        self._skip(_FILLER)
        while self.at < len(self.text):
            if self.text[self.at] == "[":
                table = self._header()
            else:
                self._pair(table)
            self._skip(_FILLER)
        return self.lines

    def _header(self) -> Path:
        start = self.at
        array = self.text.startswith("[[", self.at)
        self.at += 2 if array else 1
        keys = self._dotted()
        self.at += 2 if array else 1
        path = self._within_arrays(keys[:-1], start) + keys[-1:]
        if not array:
            path = self._within_arrays(keys, start)
            self._note(path, start)
            return path
        self._note(path, start)
        count = self._counts.get(path, 0)
        self._counts[path] = count + 1
        self._note((*path, count), start)
        return (*path, count)

    def _within_arrays(self, keys: Path, start: int) -> Path:
        """[a.b] after [[a]] stands in the last member of a. It may be the first place where `a` is written."""
        path: Path = ()
        for key in keys:
            path = (*path, key)
            self._note(path, start)
            if path in self._counts:
                path = (*path, self._counts[path] - 1)
        return path

    def _pair(self, table: Path) -> None:
        start = self.at
        path = table
        for key in self._dotted():
            path = (*path, key)
            self._note(path, start)
        self.at += 1  # the equals sign
        self._skip(_BLANK)
        self._value(path)

    def _dotted(self) -> tuple[str, ...]:
        keys = []
        while True:
            self._skip(_BLANK)
            keys.append(self._key())
            self._skip(_BLANK)
            if not self.text.startswith(".", self.at):
                return tuple(keys)
            self.at += 1

    def _key(self) -> str:
        if self.text[self.at : self.at + 1] == "'":
            return self._take(_STRINGS[3])[1:-1]
        if self.text[self.at : self.at + 1] == '"':
            return _ESCAPE.sub(_unescape, self._take(_STRINGS[2])[1:-1])
        return self._take(_BARE_KEY)

    def _value(self, path: Path) -> None:
        mark = self.text[self.at : self.at + 1]
        if mark == "[":
            self._array(path)
        elif mark == "{":
            self._inline_table(path)
        elif mark in ('"', "'"):
            self._string()
        else:
            self._skip(_SCALAR)

    def _array(self, path: Path) -> None:
        self.at += 1
        count = 0
        while True:
            self._skip(_FILLER)
            if self.text[self.at] == "]":
                break
            self._note((*path, count), self.at)
            self._value((*path, count))
            count += 1
            self._skip(_FILLER)
            if self.text[self.at] == ",":
                self.at += 1
        self.at += 1

    def _inline_table(self, path: Path) -> None:
        self.at += 1
        while True:
            self._skip(_FILLER)
            if self.text[self.at] == "}":
                break
            self._pair(path)
            self._skip(_FILLER)
            if self.text[self.at] == ",":
                self.at += 1
        self.at += 1

    def _string(self) -> None:
        for pattern in _STRINGS:
            match = pattern.match(self.text, self.at)
            if match:
                self.at = match.end()
                return
        raise ValueError("a string without an end")

    def _take(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self.text, self.at)
        if match is None:
            raise ValueError(f"no key at offset {self.at}")
        self.at = match.end()
        return match[0]

    def _skip(self, pattern: re.Pattern[str]) -> None:
        match = pattern.match(self.text, self.at)
        if match is not None:
            self.at = match.end()

    def _note(self, path: Path, offset: int) -> None:
        self.lines.setdefault(path, bisect_right(self._starts, offset))


def _unescape(match: re.Match[str]) -> str:
    code = match[1] or match[2]
    return chr(int(code, 16)) if code else _ESCAPES.get(match[3], match[3])
