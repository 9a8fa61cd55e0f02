"""The board's console in process: an object with pySerial's interface, on the virtual clock.

Reading waits on the virtual clock: time passes until the bytes are there or the timeout is over.
"""

from __future__ import annotations

from collections.abc import Callable

from wakeboard.instruments.virtual.target import Target
from wakeboard.instruments.virtual.time.stage import Stage

FOREVER = 3600.0  # virtual seconds that a read without timeout waits at most: nothing would ever come


class VirtualSerial:
    """Takes the place of serial.Serial; DTR and RTS are kept and lead nowhere."""

    def __init__(
        self, stage: Stage, target: Target | None, *, baudrate: int = 115200, timeout: float | None = None
    ) -> None:
        self._stage = stage
        self._target = target
        self._received = bytearray()
        self.baudrate = baudrate
        self.timeout = timeout
        self.write_timeout: float | None = None
        self.is_open = True
        self.dtr = self.rts = True
        self.port = self.name = "virtual console"
        if target is not None:
            target.send = self._received.extend

    @property
    def in_waiting(self) -> int:
        """Bytes that wait to be read."""
        return len(self._received)

    def write(self, data: bytes) -> int:
        """Send bytes to the board; takes the time that the line takes."""
        self._check()
        self._stage.advance(10 * len(data) / self.baudrate)
        if self._target is not None:
            self._target.receive(bytes(data))
        return len(data)

    def read(self, size: int = 1) -> bytes:
        """Up to `size` bytes; fewer when the timeout is over first."""
        self._check()
        self._wait(lambda: len(self._received) >= size)
        taken = bytes(self._received[:size])
        del self._received[:size]
        return taken

    def read_until(self, expected: bytes = b"\n", size: int | None = None) -> bytes:
        """Bytes up to and with `expected`, or what came until the timeout."""
        self._check()
        self._wait(lambda: expected in self._received or (size is not None and len(self._received) >= size))
        found = self._received.find(expected)
        end = found + len(expected) if found >= 0 else len(self._received)
        end = end if size is None else min(end, size)
        taken = bytes(self._received[:end])
        del self._received[:end]
        return taken

    def readline(self, size: int = -1) -> bytes:
        return self.read_until(b"\n", None if size < 0 else size)

    def _wait(self, enough: Callable[[], bool]) -> None:
        deadline = self._stage.now + (FOREVER if self.timeout is None else self.timeout)
        while not enough() and self._stage.now < deadline:
            due = self._stage.next_event()
            self._stage.advance(max(0.0, min(deadline if due is None else due, deadline) - self._stage.now))

    def reset_input_buffer(self) -> None:
        self._received.clear()

    def reset_output_buffer(self) -> None:
        """Nothing is held back."""

    def flush(self) -> None:
        """Nothing is held back."""

    def open(self) -> None:
        self.is_open = True

    def close(self) -> None:
        self.is_open = False

    def _check(self) -> None:
        if not self.is_open:
            import serial

            raise serial.PortNotOpenError

    def __enter__(self) -> VirtualSerial:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
