"""What is wrong with the files: every problem of every file, told at once.

A problem names the file, the line, the key, what was found, what is allowed, and the nearest known name. Nothing here
knows TOML or pydantic.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, order=True)
class Problem:
    """One thing that is wrong. `line` counts from 1, 0 where a file could not be read; `source` is that line's text.
    Without `allowed` what was found is a whole clause ("missing }")."""

    file: str
    line: int
    key: str
    found: str
    allowed: str
    hint: str = ""
    source: str = ""

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else self.file
        key = f"{self.key}: " if self.key else ""
        says = f"found {self.found}; allowed: {self.allowed}" if self.allowed else self.found
        hint = f"; {self.hint}" if self.hint else ""
        return f"{place}: {key}{says}{hint}"

    def as_json(self) -> dict[str, object]:
        return {name: getattr(self, name) for name in ("file", "line", "key", "found", "allowed", "hint")}


class FileProblems(Exception):
    """Files that cannot be used; `problems` has all that is wrong with them. Exit code 2."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = sorted(set(problems))
        super().__init__(self.problems)

    def __str__(self) -> str:
        return "\n".join(map(str, self.problems))

    def as_json(self) -> dict[str, object]:
        return {"problems": [problem.as_json() for problem in self.problems]}


def nearest(name: object, known: Iterable[str]) -> str:
    """A hint that names the nearest known name; "" where none is near."""
    names = list(known)
    wanted = str(name)
    near = difflib.get_close_matches(wanted, names, n=1, cutoff=0.6)
    if not near:
        folded = {each.casefold(): each for each in names}
        near = [folded[key] for key in difflib.get_close_matches(wanted.casefold(), folded, n=1, cutoff=0.6)]
    return f"did you mean {quoted(near[0])}?" if near else ""


def one_of(names: Iterable[str], limit: int = 12) -> str:
    """The names as a list for a person, cut where it would fill the screen."""
    sorted_names = sorted(set(names))
    shown = ", ".join(sorted_names[:limit])
    more = len(sorted_names) - limit
    return (f"{shown} and {more} more" if more > 0 else shown) or "none: the file names none"


def quoted(value: object) -> str:
    """A value as it stands in the file, cut to a readable length."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, bool):
        return "true" if value else "false"
    text = f'"{value}"' if isinstance(value, str) else str(value)
    text = text.encode("unicode_escape").decode() if not text.isprintable() else text
    return text if len(text) <= 60 else text[:56] + "…" + ('"' if isinstance(value, str) else "")
