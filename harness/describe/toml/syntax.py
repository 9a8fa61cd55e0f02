"""What is wrong with a text that is no TOML, as a person would say it: a missing }, a name written twice.

    complaint("[parts]\\nR1 = { value = 1", error)       line 2, "missing }", "of the { in this line"

tomllib says where it stopped and in its own words; here stands what was forgotten, and where.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from typing import Final

from wakeboard.harness.describe.toml.positions import Path, positions

QUOTES: Final = 'text stands in quotes: volts = "3.3 V"'
_AT: Final = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)")
_PIECE: Final = re.compile(  # strings and comments as wholes, so that the brackets in them do not count
    r'''"""(?:[^"\\]|\\.|"{1,2}(?!"))*+"{3,5}|\'{3}(?:[^']|'{1,2}(?!'))*+'{3,5}'''
    r"""|"(?:[^"\\\n]|\\.)*+"|'[^'\n]*+'|\#[^\n]*+|[\[\]{}\n]|[^"'\#\[\]{}\n]++|["']""",
    re.DOTALL,
)
_CLOSES: Final = {"[": "]", "{": "}"}
_KEY: Final = re.compile(
    r"""\s*((?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"\n]*"))*)\s*="""
)
_HEADER: Final = re.compile(r"^[ \t]*\[+([^\[\]\n]+)\]+[ \t]*(?:#.*)?$", re.MULTILINE)
_INLINE: Final = re.compile(r"Duplicate inline table key '(.*?)'")
_DECIMALS: Final = re.compile(r"=\s*[+-]?\d+,\d")


@dataclass(frozen=True)
class Complaint:
    """line counts from 1; says is a whole clause; hint: what to do."""

    line: int
    says: str
    hint: str = ""


def complaint(text: str, error: tomllib.TOMLDecodeError) -> Complaint:
    """What tomllib refused, where it is known better than by its own words; else these."""
    message, place = str(error), _AT.search(str(error))
    line = int(place[1]) if place and place[1] else max(text.count("\n") + (not text.endswith("\n")), 1)
    end = _offset(text, line, int(place[2])) if place and place[1] else len(text)
    row = _row(text, line)
    if "Unclosed" in message or "in '{'" in message:
        return _unclosed(text[:end], line)
    if "Invalid initial character for a key part" in message:
        return _bad_key(text, end, line)
    if "overwrite" in message or "twice" in message or "Duplicate" in message:
        return _twice(text, line, message)
    if "Unterminated string" in message or "'\\n'" in message or 'Expected "\'"' in message:
        return _open_quote(text, line)
    if "at the end of a table declaration" in message or "at the end of an array declaration" in message:
        return Complaint(line, f"missing ] of the heading {row.strip()}")
    if "Expected newline" in message:
        return _rest(text[end:].split("\n", 1)[0].strip(), row, line)
    if "Expected '='" in message:
        return Complaint(line, f"missing = after {row.split('#')[0].strip()}")
    says = message[:1].lower() + _AT.sub("", message)[1:]
    quotes = "Invalid value" in message or "Illegal character" in message
    return Complaint(line, says, QUOTES if quotes else "")


def _offset(text: str, line: int, column: int) -> int:
    at = 0
    for _ in range(line - 1):
        at = text.index("\n", at) + 1
    return at + column - 1


def _row(text: str, line: int) -> str:
    rows = text.split("\n")
    return rows[line - 1] if 0 < line <= len(rows) else ""


def _unclosed(before: str, line: int) -> Complaint:
    """The innermost bracket that is open where tomllib gave up."""
    open_, at = [], 1
    for found in _PIECE.finditer(before):
        piece = found[0]
        if piece in _CLOSES:
            open_.append((piece, at))
        elif piece in _CLOSES.values() and open_ and _CLOSES[open_[-1][0]] == piece:
            open_.pop()
        at += piece.count("\n")
    if not open_:
        return Complaint(line, "a bracket that is not closed")
    mark, began = open_[-1]
    key = _KEY.match(_row(before, began))
    of = f" of {key[1]}, which begins in this line" if key else f" of the {mark} in this line"
    return Complaint(began, f"missing {_CLOSES[mark]}{of}")


def _bad_key(text: str, end: int, line: int) -> Complaint:
    """Inside { } a line's end or a comma before } stands where a key should (TOML 1.0: such a table is one line)."""
    char = text[end : end + 1]
    if char in ("\n", "\r", "", "#") and "{" in _row(text, line)[: end - text.rfind("\n", 0, end)]:
        return Complaint(line, "missing }", "a table in { } stands in one line; a long one as [parts.R1]")
    if char == "}":
        return Complaint(line, "a comma before }", "the last entry in { } has none")
    return Complaint(line, f"{char!r} where a key should stand" if char else "a key that is not finished", QUOTES)


def _twice(text: str, line: int, message: str) -> Complaint:
    inline = _INLINE.search(message)
    if inline:
        return Complaint(line, f"{inline[1]} is written twice in one {{ }}")
    rows = text.split("\n")
    while line > 1 and not (_KEY.match(rows[line - 1]) or _HEADER.match(rows[line - 1])):
        line -= 1  # a value of several lines: tomllib stops at its end
    row, before = rows[line - 1], "\n".join(rows[: line - 1])
    heading = _HEADER.match(row)
    key = _KEY.match(row)
    written = heading[1].strip() if heading else key[1] if key else row.strip()
    path = _parts(written) if heading else (*_table(before), *_parts(written))
    first = _first(before, path)
    return Complaint(line, f"{written} is written twice", f"first in line {first}" if first else "")


def _parts(key: str) -> Path:
    """ "a . 'b c'" -> ("a", "b c")."""
    try:
        node, path = tomllib.loads(f"{key} = 0"), []
    except tomllib.TOMLDecodeError:
        return (key,)
    while isinstance(node, dict):
        path.append(next(iter(node)))
        node = node[path[-1]]
    return tuple(path)


def _table(before: str) -> Path:
    headings = _HEADER.findall(before)
    return _parts(headings[-1]) if headings else ()


def _first(before: str, path: Path) -> int | None:
    """The line on which a path was written first, of the members of a [[list]] in the last."""
    try:
        lines = positions(before)
    except (ValueError, IndexError):
        return None
    named = [(there, line) for there, line in lines.items() if isinstance(there[-1], str)]
    found = [line for there, line in named if tuple(part for part in there if isinstance(part, str)) == path]
    return found[-1] if found else None


def _open_quote(text: str, line: int) -> Complaint:
    row = _row(text, line)
    for mark in ('"""', "'''"):
        if text.count(mark) % 2:
            began = text[: text.rindex(mark)].count("\n") + 1
            return Complaint(began, f"missing {mark} of the text that begins in this line")
    mark = "'" if row.count("'") % 2 and not row.count('"') % 2 else '"'
    return Complaint(line, f"missing {mark}", QUOTES)


def _rest(rest: str, row: str, line: int) -> Complaint:
    """After a whole value something more stands in the line."""
    if _DECIMALS.search(row):
        return Complaint(line, f"{rest!r} after a value", f"for decimals use a point; {QUOTES}")
    if rest[:1] in ("}", "]"):
        return Complaint(line, f"a {rest[0]} too many")
    return Complaint(line, f"{rest!r} after a value", QUOTES)
