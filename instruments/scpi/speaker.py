"""Says a dialect's commands and asks its questions over a link: in one line where the instrument takes compound lines.

Shared by the drivers. A reply that cannot be read marks the link as out of step (LinkGarbled).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from wakeboard.instruments.dialect import Asking, Base
from wakeboard.instruments.errors import InstrumentFault, LinkError, LinkGarbled, LinkTimeout
from wakeboard.instruments.link.identity import Identity, parse_identity
from wakeboard.instruments.link.link import Link
from wakeboard.instruments.link.replies import ReplyError, error_entry, searched

R = TypeVar("R")
PATIENCE = 1.0  # s for an answer that an instrument may not know
MOST_ERRORS = 30  # some firmware never says that its queue is empty


@dataclass(frozen=True, slots=True)
class Ready:
    """Questions with everything filled in, and the commands before them. line: all in one; None: one by one."""

    questions: tuple[Asking, ...]
    sent: tuple[str, ...]
    commands: tuple[str, ...]
    line: str | None


class Speaker:
    """One instrument's voice."""

    def __init__(self, link: Link, dialect: Base) -> None:
        self.link = link
        self.dialect = dialect
        link.adopt(dialect.link.manners())

    # --- saying -----------------------------------------------------------------------------------------------------
    def say(self, lines: Iterable[str]) -> None:
        """Commands without reply, in order; in one line where that is allowed."""
        with self.link.lock:
            for line in self._joined(list(lines)):
                self.link.write(line)

    def say_unheard(self, lines: Iterable[str]) -> None:
        """Commands over whatever still carries them, without listening: see `Link.shout`."""
        self.link.shout(self._joined(list(lines)))

    def ask(self, questions: Sequence[Asking], values: dict[str, object], before: Iterable[str] = ()) -> list[str]:
        """The replies, one a question; `before`: commands said first, in the same line where that is allowed."""
        return self.ask_ready(self.ready(questions, values, before))

    def ready(self, questions: Sequence[Asking], values: dict[str, object], before: Iterable[str] = ()) -> Ready:
        """What `ask_ready` takes: made once for questions that are asked again and again."""
        sent = tuple(each.send.format(**values) for each in questions)
        commands = tuple(before)
        plain = all(each.length is None and each.timeout is None for each in questions)
        line = self._line([*commands, *sent]) if self.link.manners.compound and plain else None
        return Ready(tuple(questions), sent, commands, line)

    def ask_ready(self, ready: Ready) -> list[str]:
        """The replies, one a question."""
        if ready.line is not None:
            return self.link.ask(ready.line, len(ready.sent))
        with self.link.lock:
            self.say(ready.commands)
            return [self._single(line, each) for line, each in zip(ready.sent, ready.questions, strict=True)]

    def _single(self, line: str, question: Asking) -> str:
        if question.length is not None or not self.link.manners.compound:
            return self.link.query(line, question.timeout, length=question.length)
        return self.link.ask(line, 1, question.timeout)[0]

    def _joined(self, lines: list[str]) -> list[str]:
        if not lines:
            return []
        return [self._line(lines)] if self.link.manners.compound else lines

    def _line(self, lines: Sequence[str]) -> str:
        """A compound line: each command from the root, but for common commands, which do not move the path."""
        joint = self.link.manners.joint
        text = lines[0]
        for line in lines[1:]:
            text += (";" if line.startswith(("*", ":")) else joint) + line
        return text

    # --- reading ----------------------------------------------------------------------------------------------------
    def read(self, question: Asking, reply: str, reader: Callable[[str], R]) -> R:
        """A reply through a reader of `replies`; LinkGarbled where it does not fit the question."""
        try:
            return reader(reply)
        except ReplyError as error:
            self.link.garbled(question.send, reply, error.why)

    # --- identity and errors ----------------------------------------------------------------------------------------
    def identify(self) -> Identity:
        """Ask who answers, and hold the link to it from now on: after a reopening the same must answer."""
        text = self.link.who()
        self.link.identity = text.strip()
        if self.link.manners.power_on:
            self.link.forget_power_cycle()
        return parse_identity(text)

    def errors(self) -> list[tuple[int, str]]:
        """Take all entries of the error queue, at most MOST_ERRORS."""
        question = self.dialect.error
        found: list[tuple[int, str]] = []
        if question is None:
            return found
        while len(found) < MOST_ERRORS:
            reply = self.ask([question], {})[0]
            entry = self.read_error(reply)
            if entry is None:
                break
            found.append(entry)
        return found

    def read_error(self, reply: str) -> tuple[int, str] | None:
        """An entry of the queue; None when the reply says that there is none."""
        question = self.dialect.error
        assert question is not None
        code, text = self.read(question, reply, error_entry)
        return (code, text) if code else None

    def if_known(self, key: str, ask: Callable[[], R]) -> R | None:
        """An answer; None from an instrument that does not know a question which its dialect has unverified (`key`)."""
        patience, self.link.timeout = self.link.timeout, min(self.link.timeout, PATIENCE)
        try:
            return ask()
        except (LinkTimeout, LinkGarbled):  # nothing, or only the replies to *OPC?
            if not self.dialect.doubted(key):
                raise
        finally:
            self.link.timeout = patience
        self.errors()
        return None

    def held_elsewhere(self) -> str:
        """Words for another program's own lock of this instrument; "" where none is told of. Raises LinkError."""
        question = self.dialect.held
        if question is None:
            return ""
        reply = self.if_known("held", lambda: self.link.query(question.send, question.timeout))
        found = None if reply is None else self.read(question, reply, lambda text: searched(text, question.reply or ""))
        if reply is None or found is None or "other" not in found:
            return ""
        return f"another program holds it: it answers {reply.strip()} to {question.send}"

    def group(self, lines: Iterable[str], questions: Sequence[Asking], values: dict[str, object]) -> list[str]:
        """Commands, questions, and the error queue after them. Raises InstrumentFault with what the queue says.

        A parser that stumbles in a compound line drops the rest of it, questions and all: the timeout that follows is
        explained by the queue, read over a fresh session.
        """
        error = self.dialect.error
        asked = [*questions, error] if error is not None and self.link.manners.compound else list(questions)
        try:
            replies = self.ask(asked, values, lines)
        except LinkTimeout as timeout:
            self._explain(timeout)
            raise
        if error is not None:
            entry = self.read_error(replies[-1] if len(asked) > len(questions) else self.ask([error], {})[0])
            if entry is not None:
                raise self.fault([entry, *self.errors()], "; ".join([*lines, *(each.send for each in questions)]))
        return replies[: len(questions)]

    def _explain(self, timeout: LinkTimeout) -> None:
        try:
            found = self.errors()
        except LinkError:
            return
        if found:
            raise self.fault(found, timeout.command) from timeout

    def fault(self, found: Sequence[tuple[int, str]], command: str = "") -> InstrumentFault:
        texts = ", ".join(f"{code} {text}".strip() for code, text in found)
        after = f" after {command!r}" if command else ""
        return InstrumentFault(f"{self.link.name} reports {texts}{after}", instrument=self.link.name)
