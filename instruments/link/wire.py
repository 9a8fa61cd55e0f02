"""Bytes to and from a PyVISA resource with a deadline that holds, whatever the other end does.

PyVISA-py 0.8.1 on a raw socket opens refused ports, spins and reports a timeout when the peer closes, never times out
a write, nor a read whose bytes dribble in (measured, see the hazards in the tests). `SocketWire` therefore uses the
socket that PyVISA-py opened. Other resources have only what PyVISA offers: `MessageWire`.
"""

from __future__ import annotations

import contextlib
import select
import socket
from typing import Any, Protocol

from wakeboard.instruments.clock import Clock

CHUNK = 4096  # bytes at a time; a longer reply comes in several
LIMIT = 1 << 20  # bytes; no reply to a question of ours is longer


class WireTimeout(Exception):
    """The deadline passed."""


class WireClosed(Exception):
    """The other end went away."""


class Wire(Protocol):
    """deadline: on the link's clock."""

    def write(self, data: bytes, deadline: float) -> None: ...

    def read(self, deadline: float) -> bytes:
        """What is there; waits for at least a byte. WireTimeout, WireClosed."""
        ...

    def waiting(self) -> bool:
        """Whether bytes wait unread; False where it cannot be known."""
        ...


def _read(resource: Any, count: int) -> bytes:
    """One VISA read of at most `count` bytes."""
    from pyvisa import constants

    with resource.ignore_warning(constants.StatusCode.success_max_count_read):
        data, _status = resource.visalib.read(resource.session, count)
    return bytes(data)


def wire_of(resource: object, clock: Clock, terminator: str) -> Wire:
    """The wire for an opened resource; sets TCP_NODELAY and terminators."""
    found = socket_of(resource)
    if found is not None:
        return SocketWire(found, clock)
    port = serial_of(resource)
    return SerialWire(resource, port, clock) if port is not None else MessageWire(resource, clock, terminator)


def _interface_of(resource: Any) -> object:
    """What PyVISA-py talks through: a socket, a serial port; None for other VISA libraries."""
    sessions = getattr(resource.visalib, "sessions", None)
    session = sessions.get(resource.session) if isinstance(sessions, dict) else None
    return getattr(session, "interface", None)


def socket_of(resource: object) -> socket.socket | None:
    """The socket under a resource of PyVISA-py's raw socket class."""
    interface = _interface_of(resource)
    return interface if isinstance(interface, socket.socket) else None


def serial_of(resource: object) -> object:
    """The pySerial port under a resource of PyVISA-py's serial class."""
    interface = _interface_of(resource)
    return interface if hasattr(interface, "in_waiting") else None


class SocketWire:
    """A raw TCP socket, opened and closed by PyVISA; bytes go straight through the socket.

    A guard polls as fast as this allows: a peek, a send, one wait and one receive an exchange.
    """

    def __init__(self, found: socket.socket, clock: Clock) -> None:
        self._socket = found
        self._clock = clock
        found.setblocking(False)
        found.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        found.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)

    def write(self, data: bytes, deadline: float) -> None:
        while data:
            try:
                data = data[self._socket.send(data) :]
            except BlockingIOError:
                if not select.select([], [self._socket], [], self._left(deadline))[1]:
                    raise WireTimeout from None

    def read(self, deadline: float) -> bytes:
        if not select.select([self._socket], [], [], self._left(deadline))[0]:
            raise WireTimeout
        try:
            data = self._socket.recv(CHUNK)
        except BlockingIOError:  # select may be wrong once: the caller looks at its deadline and asks again
            return b""
        if not data:
            raise WireClosed
        return data

    def waiting(self) -> bool:
        try:
            if not self._socket.recv(1, socket.MSG_PEEK):
                raise WireClosed
        except BlockingIOError:
            return False
        return True

    def _left(self, deadline: float) -> float:
        return max(0.0, deadline - self._clock.now())


class SerialWire:
    """A serial port of PyVISA-py: bytes are taken as they come, so that dribbling cannot outlast the deadline."""

    def __init__(self, resource: Any, port: Any, clock: Clock) -> None:
        from pyvisa import constants

        self._resource = resource
        self._port = port
        self._clock = clock
        resource.read_termination = None
        resource.end_input = constants.SerialTermination.none
        with contextlib.suppress(Exception):  # ports of some kinds (socket://) cannot change it
            port.write_timeout = 2.0

    def write(self, data: bytes, deadline: float) -> None:
        self._resource.write_raw(data)

    def read(self, deadline: float) -> bytes:
        left = deadline - self._clock.now()
        if left <= 0:
            raise WireTimeout
        self._resource.timeout = max(1, int(left * 1000))
        return _read(self._resource, max(1, self._port.in_waiting))

    def waiting(self) -> bool:
        return bool(self._port.in_waiting)


class MessageWire:
    """Any other resource: USBTMC, VXI-11, HiSLIP, GPIB, another VISA library, the virtual bench."""

    def __init__(self, resource: Any, clock: Clock, terminator: str) -> None:
        self._resource = resource
        self._clock = clock
        self._chunk = CHUNK if terminator else 1  # no terminator: byte by byte, or a short reply would wait for more
        resource.read_termination = terminator[-1:] or None

    def write(self, data: bytes, deadline: float) -> None:
        self._resource.timeout = self._left_ms(deadline)
        self._resource.write_raw(data)

    def read(self, deadline: float) -> bytes:
        if deadline <= self._clock.now():
            raise WireTimeout
        self._resource.timeout = self._left_ms(deadline)
        return _read(self._resource, self._chunk)

    def waiting(self) -> bool:
        return False

    def _left_ms(self, deadline: float) -> int:
        return max(1, round((deadline - self._clock.now()) * 1000))
