"""One question over the board's console: pending input is dropped, the answer ends at the pattern or at the prompt."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from instruments.errors import ConsoleError

if TYPE_CHECKING:
    from harness.run.context import Context


@dataclass(frozen=True)
class Answer:
    """match: of the pattern, None where the board answered otherwise or not at all; text: what it said instead."""

    match: re.Match[str] | None
    text: str = ""


def ask(context: Context, line: str | None, pattern: str, timeout: float, link: str | None = None) -> Answer:
    """Send a line (None: only listen) and wait for the pattern. Raises ConsoleError where the port fails."""
    console = context.console(link)
    prompt = context.board.target.prompt if context.board.target else ""
    if line is not None:
        console.flush()
        console.send(line)
    wanted = pattern if not prompt or line is None else f"(?:{pattern})|(?:{re.escape(prompt)})"
    match = _expect(context, console, wanted, timeout)
    if match is None:
        return Answer(None, console.pending)
    inner = re.search(pattern, match.string[match.start() :])
    if inner is None:
        return Answer(None, match.string[: match.start()])
    return Answer(inner)
