"""One question over the board's console: pending input is dropped, the answer ends at the pattern or at the prompt."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from wakeboard.instruments.errors import ConsoleError
from wakeboard.instruments.patterns import HEARD, PatternTooSlow, compiled, search

if TYPE_CHECKING:
    from wakeboard.harness.run.context import Context


SLICE = 0.02  # s of listening at a time


@dataclass(frozen=True)
class Reply:
    """match: of the pattern, None where the board answered otherwise or not at all; text: what it said instead."""

    match: Any  # as re.Match
    text: str = ""


def ask(context: Context, line: str | None, pattern: str, timeout: float, link: str | None = None) -> Reply:
    """Send a line (None: only listen) and wait for the pattern. Raises ConsoleError where the port fails.

    An answer that ends in the prompt without the pattern needs no waiting: the board has said what it has to say.
    """
    console = context.console(link)
    prompt = context.board.target.prompt.strip() if context.board.target else ""
    wanted = compiled(pattern)
    if line is not None:
        console.forget()
        console.send(line)
    heard, ends = "", context.time.now + timeout
    while True:
        context.time.pulse()
        heard = (heard + console.read(SLICE))[-HEARD:]
        match = _found(wanted, heard, console.name)
        if match is not None:
            return Reply(match, heard)
        if context.time.now >= ends or (line is not None and prompt and heard.rstrip().endswith(prompt)):
            return Reply(None, heard.rstrip().removesuffix(prompt).strip())


def _found(wanted: object, heard: str, link: str) -> Any:
    """The match. ConsoleError where it cannot be looked for in time: that says nothing of the board."""
    try:
        return search(wanted, heard)
    except PatternTooSlow as error:
        raise ConsoleError(f"{link}: {error}", instrument=link) from None
