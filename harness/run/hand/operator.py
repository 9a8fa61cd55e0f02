"""Questions to the person at the bench: where to put the probe, what they see. One key answers.

    operator = Operator(beat=context.time.pulse)
    operator.tell("Probe TP7", "bottom edge, third pad from the left   net RADIO_RST")     Enter, s skips, q stops
    operator.ask("Does the LED blink?", text=False)                                         y or n

Each prompt begins with what has power (`power`): hands are about to go where the voltage is.
Waiting for a key goes on beating the guard's heart: a person who thinks is no runner that hangs.

The same questions may stand somewhere else, too (`face`: a page beside the bench); whoever answers first has answered.
"""

from __future__ import annotations

import contextlib
import sys
import textwrap
import time
from collections.abc import Callable, Iterator
from typing import Any, Protocol

from wakeboard.harness.run.errors import OperatorStop, SkipPoint
from wakeboard.results.visible import VisibleStream

KEYS = "Enter: it is so   r: say it again   s: skip   q: stop"
STANDING_KEYS = "Enter: it is so   s: skip   q: stop"  # where the question stands until it is answered
YES_NO = "y: yes   n: no   q: stop"
GO_ON = "Enter: go on   q: stop"
STOP_KEYS = ("q", "Q", "\x03", "\x04", "")  # "" is the end of input
ENTER = ("\r", "\n", " ")
POLL = 0.05  # s
TOO_SOON = 0.3  # s: a key so soon after a question has come was meant for the one before (nobody reads so fast)
WIDTH = 79  # columns of a prompt


class Face(Protocol):
    """Another place where the questions stand and are answered."""

    def asks(self, power: str, title: str, detail: str, keys: str, text: bool = False) -> None:
        """A question, in place of the one before. keys: as in KEYS; text: a line of text answers it."""
        ...

    def answered(self) -> None:
        """No question is open."""
        ...

    def shows(self, text: str) -> None:
        """What the meter shows while a probe is placed."""
        ...

    def took(self, name: str, value: str) -> None:
        """A point is measured: the bell."""
        ...

    def key(self) -> str | None:
        """A key that was pressed there to the open question; for a text, the text and a line end."""
        ...


def laid(title: str, detail: str) -> str:
    """A prompt as it stands on a terminal of 80 columns."""
    return "".join(
        textwrap.fill(text, WIDTH, initial_indent=indent, subsequent_indent=indent) + "\n"
        for text, indent in ((title, "  "), (detail, "    "))
        if text
    )


class Operator:
    """Asks on the terminal. `beat` is called while waiting; `pause` and `resume` stop a live view meanwhile."""

    def __init__(
        self,
        beat: Callable[[], None] | None = None,
        write: Callable[[str], None] | None = None,
        read_key: Callable[[float], str | None] | None = None,
        read_line: Callable[[], str] | None = None,
        face: Face | None = None,
        terminal: bool = True,
    ) -> None:
        """terminal: whether a person may answer there, too."""
        self.beat = beat or (lambda: None)
        self._write = write or _to_stderr
        self._read_key = read_key
        self._read_line = read_line
        self.face = face
        self._terminal = terminal
        self.around: tuple[Callable[[], None], Callable[[], None]] | None = None
        self.power: Callable[[], str] = _unknown
        self._asked_at = 0.0
        self.hands: Any = None  # wakeboard.harness.run.hand.byhand.SteadyHands, where a bench is probed by hand

    def tell(self, title: str, detail: str) -> None:
        """Say where the probe goes and wait. Raises SkipPoint, OperatorStop."""
        self._say_prompt(title, detail, KEYS)
        self.also_asks(title, detail, STANDING_KEYS)
        with self._open():
            while True:
                key = self._key()
                if key in ENTER:
                    return
                if key in ("s", "S"):
                    raise SkipPoint(title)
                if key in STOP_KEYS:
                    raise OperatorStop(f"stopped at: {title}")
                if key in ("r", "R"):
                    self._write(laid(title, detail))

    def prompt(self, title: str, detail: str, keys: str) -> None:
        """A bell, what has power, what to do, and the keys that answer."""
        self._say_prompt(title, detail, keys)
        self.also_asks(title, detail, keys)

    def _say_prompt(self, title: str, detail: str, keys: str) -> None:
        self._write(f"\a\n{self._powered()}{laid(title, detail)}    {keys}\n")
        self._asked_at = time.monotonic()

    def also_asks(self, title: str, detail: str, keys: str, text: bool = False) -> None:
        """What was just asked on the terminal, wherever else it stands."""
        if self.face is not None:
            self.face.asks(self.power(), title, detail, keys, text)

    @contextlib.contextmanager
    def _open(self) -> Iterator[None]:
        """A question is open while the block runs."""
        try:
            yield
        finally:
            if self.face is not None:
                self.face.answered()

    def shows(self, text: str) -> None:
        """What the meter shows while a probe is placed: one line that is written over."""
        self._write(f"\r\x1b[K    {text}")
        if self.face is not None:
            self.face.shows(text)

    def took(self, name: str, value: str, large: str) -> None:
        """The bell, and what was measured: the probe may leave. large: the value in large letters."""
        self._write(f"\r\x1b[K\a\n    {large}\n\n    taken: {value} at {name}\n")
        if self.face is not None:
            self.face.took(name, value)

    def _powered(self) -> str:
        told = self.power()
        return f"  {told}\n" if told else ""

    def ask(self, question: str, text: bool = False) -> str:
        """ "yes" or "no", or a line of text. Raises OperatorStop."""
        if text:
            self._write(f"\a\n{self._powered()}  {question}\n  > ")
            return self._line(question).strip()
        self._write(f"\a\n{self._powered()}  {question}   {YES_NO}\n")
        self.also_asks(question, "", YES_NO)
        with self._open():
            while True:
                key = self._key()
                if key in ("y", "Y"):
                    return "yes"
                if key in ("n", "N"):
                    return "no"
                if key in STOP_KEYS:
                    raise OperatorStop(f"stopped at the question: {question}")

    def confirm(self, question: str) -> None:
        """Go on, or not. Raises OperatorStop."""
        self.prompt(question, "", GO_ON)
        self.go("stopped before anything was energised")

    def move_leads(self, supply: str, place: str) -> None:
        """One output serves several supplies: its leads go to this one, with everything off. Raises OperatorStop."""
        self.prompt(f"Move the supply's leads to {supply}", place, "Enter: they are on it   q: stop")
        self.go(f"stopped: the leads were to be moved to {supply}")

    def go(self, stopped: str) -> None:
        """Until Enter answers the question. Raises OperatorStop, with what to say of it."""
        with self._open():
            while True:
                key = self._key()
                if key in ("\r", "\n", "y", "Y"):
                    return
                if key in STOP_KEYS:
                    raise OperatorStop(stopped)

    def _line(self, question: str) -> str:
        """A line of text, typed at the terminal or elsewhere; the guard's heart is beaten meanwhile."""
        if self._read_line is not None:
            return self._read_line()
        self.also_asks(question, "", "q: stop", text=True)
        typed = ""
        with self._open(), self.watching() as read:
            while True:
                self.beat()
                key = read(POLL)
                if key in ("\x03", "\x04", ""):
                    raise OperatorStop(f"stopped at the question: {question}")
                if key in ("\x7f", "\b"):
                    typed = typed[:-1]
                    self._write(f"\r\x1b[K  > {typed}")
                elif key is not None:
                    typed += key
                    self._write(key.rstrip("\r\n"))
                if typed[-1:] in ("\r", "\n"):
                    self._write("\n")
                    return typed

    def write(self, text: str) -> None:
        """Text for the person."""
        self._write(text)

    @property
    def waits(self) -> bool:
        """Whether looking for a key takes real time; a fake's keys come at once, and a virtual clock must be moved."""
        return self._read_key is None

    @contextlib.contextmanager
    def watching(self) -> Iterator[Callable[[float], str | None]]:
        """Gives a function that waits for a key for so many seconds at most; a live view is taken away meanwhile."""
        pause, resume = self.around or (_nothing, _nothing)
        pause()
        try:
            with self._open(), self._reading() as read:
                yield read
        finally:
            resume()

    @contextlib.contextmanager
    def _reading(self) -> Iterator[Callable[[float], str | None]]:
        """Keys from wherever they come: a function that waits for one for so many seconds."""
        if self._read_key is not None:
            yield self._either(self._read_key)
        elif self._terminal:
            with _keys() as read:
                yield self._either(lambda seconds: self._in_time(read(seconds)))
        else:
            yield self._either(_no_key)

    def _in_time(self, key: str | None) -> str | None:
        """The key, unless it came too soon for the question that is open; a stop never does."""
        late = key in STOP_KEYS or time.monotonic() - self._asked_at >= TOO_SOON
        return key if late else None

    def _either(self, read: Callable[[float], str | None]) -> Callable[[float], str | None]:
        face = self.face
        if face is None:
            return read

        def key(seconds: float) -> str | None:
            there = face.key()
            return there if there is not None else read(seconds)

        return key

    def _key(self) -> str:
        """One key; a live view is taken away while it is waited for."""
        if self.around is None:
            return self._wait_key()
        pause, resume = self.around
        pause()
        try:
            return self._wait_key()
        finally:
            resume()

    def _wait_key(self) -> str:
        with self._reading() as read:
            while True:
                self.beat()
                key = read(POLL)
                if key is not None:
                    return key


def _nothing() -> None:
    """No live view to take away."""


def _no_key(seconds: float) -> str | None:
    """Where there is no terminal."""
    time.sleep(seconds)
    return None


def _unknown() -> str:
    """Before a run has said what has power."""
    return ""


def _to_stderr(text: str) -> None:
    VisibleStream(sys.stderr).write(text)
    sys.stderr.flush()


@contextlib.contextmanager
def _keys() -> Iterator[Callable[[float], str | None]]:
    """Single keys from the terminal; gives a function that waits for one for so many seconds. "" is end of input."""
    if sys.platform == "win32":
        yield _windows_key
        return
    import termios
    import tty

    descriptor = sys.stdin.fileno()
    before = termios.tcgetattr(descriptor)
    try:
        tty.setcbreak(descriptor)
        yield lambda seconds: _posix_key(descriptor, seconds)
    finally:
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)


def _posix_key(descriptor: int, seconds: float) -> str | None:
    import os
    import select

    ready, _, _ = select.select([descriptor], [], [], seconds)
    return os.read(descriptor, 1).decode("latin-1") if ready else None


def _windows_key(seconds: float) -> str | None:
    import importlib

    console: Any = importlib.import_module("msvcrt")
    ends = time.monotonic() + seconds
    while time.monotonic() < ends:
        if console.kbhit():
            return str(console.getwch())
        time.sleep(0.01)
    return None
