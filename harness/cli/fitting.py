"""Long lines on a terminal: broken between words, with what follows hanging under the text."""

from __future__ import annotations

import re
import shutil
import textwrap
from typing import IO

NARROWEST = 40  # columns, below which nothing is broken: the terminal does that no worse
_KEPT = "\N{NO-BREAK SPACE}"
_QUANTITY = re.compile(r"(?<=\d) (?=[pnµmkMG]?(?:V|A|Ω|F|H|Hz|s|W|S|B|B/s|%)(?!\w))")  # the blank of "4.7 µF"
_COLOURED = re.compile(r"(?:\x1b\[[\d;]*m)+([^\x1b\s]+)\x1b\[0m(?= )")  # a first word in colour
_COLUMN = re.compile(r"\s*\S.*\s{2,}(?=\S)")  # what stands left of a second column


def fitted(text: str, stream: IO[str]) -> str:
    """The text as it is where the stream is no terminal: a program that reads it wants whole lines."""
    if not stream.isatty():
        return text
    width = shutil.get_terminal_size().columns
    return "\n".join(broken(line, width) for line in text.split("\n"))


def broken(line: str, width: int) -> str:
    """One line within `width` columns. Left alone: a line with colours in it but for its first word, and a command,
    which is to be copied."""
    if (word := _COLOURED.match(line)) and "\x1b" not in line[word.end() :]:
        return word.group() + broken("_" * len(word[1]) + line[word.end() :], width)[len(word[1]) :]
    if len(line) <= width or width < NARROWEST or "\x1b" in line or line.lstrip().startswith("wakeboard "):
        return line
    column = _COLUMN.match(line, 0, width // 3)
    hang = column.end() if column else len(line) - len(line.lstrip()) + 2
    return wrapped(line, width, " " * hang)


def wrapped(text: str, width: int, hang: str) -> str:
    """Lines of at most `width` columns where words allow it; a number and its unit stay on one line."""
    lines = textwrap.wrap(
        _QUANTITY.sub(_KEPT, text), width, subsequent_indent=hang, break_long_words=False, break_on_hyphens=False,
        replace_whitespace=False,
    )  # fmt: skip
    return "\n".join(lines).replace(_KEPT, " ")
