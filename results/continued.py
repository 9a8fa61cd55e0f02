"""A command line that is to be copied, over as many lines as it needs."""

from __future__ import annotations

import re
from typing import Final

COLUMNS: Final = 79
"""Width of what is told where no terminal says another."""

_WORDS: Final = re.compile(r"""(?:[^\s"']|"[^"]*"|'[^']*')+""")


def continued(command: str, width: int = COLUMNS) -> list[str]:
    """The command within `width` columns where its words allow that: a backslash ends each line but the last, as a
    shell reads it; a line breaks before an option sooner than between an option and its value."""
    if len(command) <= width:
        return [command]
    lines: list[str] = []
    for chunk in _chunks(_WORDS.findall(command)):
        if lines and len(lines[-1]) + 1 + len(chunk) <= width - 2:
            lines[-1] += f" {chunk}"
        else:
            lines.append(f"  {chunk}" if lines else chunk)
    return [*(f"{line} \\" for line in lines[:-1]), lines[-1]]


def _chunks(words: list[str]) -> list[str]:
    """The words, an option with its value as one."""
    chunks: list[str] = []
    for word in words:
        if chunks and chunks[-1].startswith("-") and " " not in chunks[-1] and not word.startswith("-"):
            chunks[-1] += f" {word}"
        else:
            chunks.append(word)
    return chunks
