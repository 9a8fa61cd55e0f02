r"""The board's serial console: send, expect with regular expressions, everything logged with its time.

    console = Console("/dev/ttyUSB0", 115200)
    console.send("version")
    console.expect(r"firmware (?P<version>[\d.]+)", timeout=2)["version"]

DTR and RTS are left as they are unless `dtr` or `rts` is given: on many boards an edge of these resets the processor,
and pySerial raises both when it opens a port unless told otherwise before. Opening a port on a board without power can
feed the board through its receive pin.
"""

from __future__ import annotations

import codecs
import contextlib
import re
from typing import Any, Literal, NoReturn

from wakeboard.instruments.link.lock import AddressLock
from wakeboard.instruments.link.traffic import TrafficLog

from .clock import Clock, RealClock
from .errors import ConsoleError
from .patterns import HEARD, PatternTooSlow, compiled, search

SLICE = 0.05  # s that one read waits at most
KEPT = HEARD  # characters of what is still unread that `expect` looks at
Entry = tuple[float, Literal[">", "<"], str]


class Console:
    """port: a port name, a pySerial URL, or an object with pySerial's interface (the virtual console).

    Text is UTF-8 with replacement: a board that wakes up sends noise. Raises ConsoleError only.
    """

    def __init__(
        self,
        port: Any,
        baud: int = 115200,
        *,
        name: str = "console",
        newline: str = "\n",
        dtr: bool | None = None,
        rts: bool | None = None,
        clock: Clock | None = None,
        traffic: TrafficLog | None = None,
    ) -> None:
        self.name = name
        self.newline = newline
        self.clock: Clock = clock or RealClock()
        self.log: list[Entry] = []
        self._traffic = traffic
        self._unread = ""
        self._decoder = codecs.getincrementaldecoder("utf-8")("replace")  # a sign may come in two pieces
        self._held: AddressLock | None = None
        self.port = port if isinstance(port, str) else str(getattr(port, "name", port))
        self._serial = self._opened(port, baud, dtr, rts) if isinstance(port, str) else port
        with contextlib.suppress(AttributeError):
            self._serial.timeout = SLICE

    def _opened(self, port: str, baud: int, dtr: bool | None, rts: bool | None) -> Any:
        import serial

        self._held = AddressLock(port, instrument=self.name)
        try:
            opened = serial.serial_for_url(port, do_not_open=True, baudrate=baud, timeout=SLICE, write_timeout=2.0)
            if dtr is not None:
                opened.dtr = dtr
            if rts is not None:
                opened.rts = rts
            opened.open()
        except (serial.SerialException, OSError, ValueError) as error:
            self.close()
            self._fail(f"cannot be opened: {error}", error)
        return opened

    def send(self, text: str, *, end: str | None = None) -> None:
        """Send text and a line end."""
        line = text + (self.newline if end is None else end)
        try:
            self._serial.write(line.encode("utf-8"))
        except Exception as error:  # noqa: BLE001 - pySerial raises its own, OSError, TypeError by platform
            self._fail(f"went away while sending {text!r}: {error}", error)
        self._note(">", line)

    def expect(self, pattern: str | re.Pattern[str], timeout: float = 5.0) -> object:
        """Wait until `pattern` is found in what came and was not matched yet; ConsoleError after `timeout` s.

        What stands before and in the match counts as read.
        """
        wanted = compiled(pattern if isinstance(pattern, str) else pattern.pattern)
        deadline = self.clock.now() + timeout
        while True:
            found = self._search(wanted)
            if found is not None:
                return found
            if self.clock.now() >= deadline:
                self._fail(f"did not answer {wanted.pattern!r} in {timeout:g} s; it said {self._unread[-200:]!r}")
            self._receive()

    def _search(self, wanted: object) -> object:
        try:
            found = search(wanted, self._unread)
        except PatternTooSlow as error:
            self._fail(str(error), error)
        if found is not None:
            self._unread = self._unread[found.end() :]
        return found

    def read(self, seconds: float) -> str:
        """What comes within a time, with what was not matched yet."""
        deadline = self.clock.now() + seconds
        while self.clock.now() < deadline:
            self._receive()
        text, self._unread = self._unread, ""
        return text

    def forget(self) -> None:
        """Drop what came and was not matched: before a question whose answer may look like an old one."""
        for _ in range(1000):
            if not self._waiting():
                break
            self._receive()
        self._unread = ""

    @property
    def text(self) -> str:
        """All that was received."""
        return "".join(text for _, direction, text in self.log if direction == "<")

    def close(self) -> None:
        """Close the port. DTR may drop when it closes: the system does that."""
        with contextlib.suppress(Exception):
            self._serial.close()
        if self._held is not None:
            self._held.release()
            self._held = None

    def __enter__(self) -> Console:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _waiting(self) -> int:
        try:
            return int(self._serial.in_waiting)
        except Exception as error:  # noqa: BLE001
            self._fail(f"went away: {error}", error)

    def _receive(self) -> None:
        waiting = self._waiting()
        try:
            data = bytes(self._serial.read(max(1, min(waiting, 1 << 16))))
            if data and not waiting and (more := self._waiting()):
                data += bytes(self._serial.read(min(more, 1 << 16)))
        except Exception as error:  # noqa: BLE001 - see send
            self._fail(f"went away: {error}", error)
        if data:
            text = self._decoder.decode(data)
            self._note("<", text)
            self._unread = (self._unread + text)[-KEPT:]

    def _note(self, direction: Literal[">", "<"], text: str) -> None:
        self.log.append((self.clock.now(), direction, text))
        if self._traffic is not None:
            self._traffic.add(self.clock.now(), self.name, direction, text)

    def _fail(self, message: str, cause: Exception | None = None) -> NoReturn:
        raise ConsoleError(f"{self.name} at {self.port} {message}", instrument=self.name) from cause
