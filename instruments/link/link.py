"""The one way to talk to an instrument: a PyVISA message resource that never hands a reply to the wrong question.

    with Link.open("TCPIP::192.0.2.10::5025::SOCKET", name="supply") as link:
        link.query("*IDN?")
        link.ask("VOLT? (@1);:CURR? (@1)")         ["+5.0E+00", "+1.0E-01"]

What is measured about PyVISA and PyVISA-py (and tested in tests/drivers) decides the shape of this class:

- The library is always named ("@py" unless the bench file or PyVISA's variable names another), so that a maker's VISA
  that happens to be installed changes nothing.
- On a raw socket PyVISA opens and closes; bytes go through the socket itself (wire.py), with TCP_NODELAY (a
  write before a query costs 44 ms otherwise) and a deadline that holds. A compound line is one write.
- A refused port opens "successfully": the socket's own error is asked for.
- A reply that is late, cut, doubled or of another shape leaves the link out of step: it is marked `dirty`, and the
  next message closes it, opens it afresh and asks *IDN? before anything else. Nothing is ever sent twice.
- Bytes that wait before a question was asked belong to no question: the link is opened afresh, the question then asked.
- Where the instrument takes compound lines, `ask` adds one, two or three `*OPC?`, so many that the reply has another
  number of parts than those of the two questions before: a reply shifted by one or two places (doubled, say, while the
  computer was busy) cannot be taken for the right one, though an output that is on says "1", too, and a
  question whose end was lost on the way ("OUTP?" for "OUTP? (@2)") is seen to have lost it. *OPC? is IEEE 488.2,
  mandatory, and only read: it wears no memory, unlike a tag written to a register.
- clear() is never called: it spins for ever on a closed peer.
- One lock for the threads, one of the operating system for other programs (wakeboard.instruments.link.lock).
"""

from __future__ import annotations

import contextlib
import re
import threading
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from types import TracebackType
from typing import Any, NoReturn

from wakeboard.instruments.clock import Clock, RealClock
from wakeboard.instruments.errors import IdentityError, LinkClosed, LinkError, LinkGarbled, LinkRefused, VisaMissing
from wakeboard.instruments.link.failures import is_timeout, judged, text_of
from wakeboard.instruments.link.identity import like_identity
from wakeboard.instruments.link.lock import AddressLock
from wakeboard.instruments.link.manners import Manners
from wakeboard.instruments.link.missing import advice
from wakeboard.instruments.link.replies import like_reply, split_units
from wakeboard.instruments.link.resource import check_connected, configure, is_serial, manager_of
from wakeboard.instruments.link.traffic import Direction, TrafficLog
from wakeboard.instruments.link.wire import LIMIT, Wire, WireTimeout, wire_of

OPEN_MS = 3000  # ms for a connection: a lost packet is sent again after 1 s (RFC 6298, 2.1)
SHOUT = 0.5  # s for a command that nobody waits for
NOISE = "it is noise: no instrument answers so (the line's speed, its cable, or something else on it)"
MOST_HEADER = 64  # characters before a block
_BLOCK = re.compile(rb"[A-Za-z0-9:,_ ]*?#([1-9])")
QUIET = 0.05  # s of silence that ends a reply without terminator or length


@dataclass(slots=True)
class _Question:
    """What is under way, for the texts of errors."""

    line: str
    started: float
    timeout: float
    partial: bytes = field(default=b"")


class Link:
    """A session with one instrument. Raises only LinkError and its kinds, and IdentityError when another answers."""

    def __init__(
        self,
        address: str,
        *,
        name: str,
        resource_manager: Any = None,
        visa: str | None = None,
        manners: Manners | None = None,
        timeout: float = 3.0,
        traffic: TrafficLog | None = None,
        clock: Clock | None = None,
        exclusive: bool | None = None,
    ) -> None:
        self.address = address
        self.name = name
        self.timeout = timeout
        self.traffic = TrafficLog() if traffic is None else traffic
        self.clock: Clock = clock or RealClock()
        self.manners = manners or Manners()
        self.step = ""
        self.dirty = False
        self.stranger = False  # another instrument was seen to answer at the address
        self.reopened = 0
        self.power_cycled = False
        self.identity: str | None = None
        self.on_reopen: list[Callable[[], None]] = []
        self.lock = threading.RLock()
        self._manager = resource_manager
        self._visa = visa
        self._resource: Any = None
        self._wire: Wire | None = None
        self._rest = bytearray()
        self._parts: deque[int] = deque(maxlen=2)  # of the replies to the questions before
        self._last = -1e9
        self._now = _Question("", 0.0, timeout)
        wanted = resource_manager is None if exclusive is None else exclusive
        self.holds = wanted  # other programs of this computer are kept out
        self._held = AddressLock(address, instrument=name) if wanted else None

    @classmethod
    def open(
        cls,
        address: str,
        *,
        name: str,
        resource_manager: object = None,
        visa: str | None = None,
        terminator: str | None = None,
        timeout: float = 3.0,
        traffic: TrafficLog | None = None,
        clock: Clock | None = None,
        manners: Manners | None = None,
        exclusive: bool | None = None,
    ) -> Link:
        """Open the resource. LinkRefused when nobody answers, LinkBusy when another program holds it.

        resource_manager: a pyvisa.ResourceManager, or a VISA library instance such as the virtual bench's; None: the
        library that `visa` names (see resource.py).
        exclusive: hold the lock of the address; by default for a real bench (no resource_manager). A guard's
        successor opens with False: its predecessor may be frozen and hold the lock still.
        """
        if terminator is not None:
            from dataclasses import replace

            manners = replace(manners or Manners(), terminator=terminator)
        link = cls(
            address,
            name=name,
            resource_manager=resource_manager,
            visa=visa,
            manners=manners,
            timeout=timeout,
            traffic=traffic,
            clock=clock,
            exclusive=exclusive,
        )
        try:
            link._connect()
        except BaseException:
            link.close()
            raise
        return link

    # --- opening and closing ----------------------------------------------------------------------------------------
    def _connect(self) -> None:
        self._now = _Question("", self.clock.now(), OPEN_MS / 1000)
        try:
            self._manager = manager_of(self._manager, self._visa)
            self._resource = self._manager.open_resource(
                self.address, open_timeout=OPEN_MS, write_termination="", encoding="latin-1"
            )
            check_connected(self._resource)
            configure(self._resource, self.address, self.manners)
            self._wire = wire_of(self._resource, self.clock, self.manners.ends)
        except VisaMissing as error:
            self._fail(VisaMissing, str(error), error)
        except LinkError:
            self._drop()
            raise
        except Exception as error:  # noqa: BLE001 - PyVISA-py raises bare Exception, OSError, its own and VISA's errors
            self._drop()
            self._fail(LinkRefused, f"cannot be opened: {advice(self.address, error) or text_of(error)}", error)
        self._note("!", "opened")
        self._rest.clear()
        self.dirty = False
        self._greet()

    def _greet(self) -> None:
        if is_serial(self.address):
            for line in self.manners.serial_opening:
                self.write(line)

    def adopt(self, manners: Manners) -> None:
        """Change manners once the dialect is known; opening lines are sent now."""
        with self.lock:
            if manners == self.manners:
                return
            self.manners = manners
            if self._resource is not None:
                configure(self._resource, self.address, manners)
                self._wire = wire_of(self._resource, self.clock, manners.ends)
                self._greet()

    def _drop(self) -> None:
        resource, self._resource, self._wire = self._resource, None, None
        if resource is not None:
            with contextlib.suppress(Exception):
                resource.close()

    def close(self) -> None:
        """End the session and let others in. Outputs stay as they are."""
        with self.lock:
            self._drop()
            if self._held is not None:
                self._held.release()
                self._held = None

    @property
    def not_excluded(self) -> str:
        """Who may use the instrument at the same time, of this computer; "" where nobody may."""
        return self._held.not_excluded if self._held is not None else ""

    def hold(self, name: str) -> None:
        """Hold another name of the instrument, too, such as its serial number. Raises LinkBusy."""
        if self._held is not None:
            self._held.add(name)

    def reopen(self) -> None:
        """Close, open afresh, and make sure that the same instrument answers. Raises LinkError, IdentityError."""
        with self.lock:
            self._drop()
            self.dirty = True
            self._note("!", "opening afresh")
            self._connect()
            self.dirty = True  # until the identity is confirmed
            self._quieten()
            self._confirm_identity()
            self.dirty = False
            self.reopened += 1
            self._check_power()
            for hook in self.on_reopen:
                hook()

    def _quieten(self) -> None:
        """A serial line keeps what an instrument still sends: take it until it is quiet (bounded)."""
        end = self.clock.now() + 1.0
        while self._wire is not None and self._wire.waiting() and self.clock.now() < end:
            with contextlib.suppress(Exception):
                self._wire.read(self.clock.now() + QUIET)

    def who(self) -> str:
        """The reply to the question for the identity. Raises LinkGarbled where it names nobody."""
        text = self.query(self.manners.identify)
        if not like_identity(text):
            self.garbled(self.manners.identify, text, "it does not say who answers")
        return text

    def _confirm_identity(self) -> None:
        if self.identity is None:
            return
        found = self._exchange(self.manners.identify, self.timeout, None).strip()
        self.stranger = False
        if found == self.identity:
            return
        if not like_identity(found):
            self.garbled(self.manners.identify, found, "it does not say who answers")
        self.dirty = self.stranger = True
        self._note("!", "another instrument answers")
        raise IdentityError(
            f"{self.name} at {self.address} was {self.identity!r} and now answers {found!r}", instrument=self.name
        )

    def _check_power(self) -> None:
        """Bit 7 of the event status register (IEEE 488.2, 11.5.1) is set by a power cycle."""
        if self.manners.power_on and self._event_status("*ESR?", self._exchange("*ESR?", self.timeout, None)) & 0x80:
            self.power_cycled = True
            self._note("!", "was switched off and on: its settings are lost")

    def forget_power_cycle(self) -> None:
        """Read the power-on bit of long ago away."""
        self._event_status("*ESR?", self.query("*ESR?"))

    def _event_status(self, line: str, reply: str) -> int:
        text = reply.strip().lstrip("+")
        if not (text.isascii() and text.isdigit()):
            self.garbled(line, reply, "it is no register value")
        return int(text)

    def __enter__(self) -> Link:
        return self

    def __exit__(
        self, _type: type[BaseException] | None, _error: BaseException | None, _tb: TracebackType | None
    ) -> None:
        self.close()

    # --- messages ---------------------------------------------------------------------------------------------------
    def write(self, line: str) -> None:
        """Send a line that has no reply."""
        with self.lock:
            self._prepare(line, self.timeout)
            try:
                self._send(line, self._now.started + self.timeout)
            except BaseException as error:  # noqa: BLE001  told as one of ours
                self._broke(error)

    def shout(self, lines: Iterable[str]) -> None:
        """Send commands over the session as it is, out of step or not, and listen to nothing. Raises nothing.

        For switching off: a link that brings no reply, a late one or a wrong one may well carry a command. It is out of
        step afterwards. Not sent where another instrument was seen to answer.
        """
        with self.lock:
            if self.stranger:
                return
            with contextlib.suppress(Exception):
                if self._wire is None:
                    self._connect()
                for line in lines:
                    self._now = _Question(line, self.clock.now(), SHOUT)
                    self._send(line, self.clock.now() + SHOUT)
            self.dirty = True

    def query(self, line: str, timeout: float | None = None, *, length: int | None = None) -> str:
        """Send a line and return its reply without terminator.

        length: characters of a reply that has no terminator; without it such a reply ends by silence.
        """
        with self.lock:
            limit = self.timeout if timeout is None else timeout
            self._prepare(line, limit)
            return self._exchange(line, limit, length)

    def ask(self, line: str, units: int = 1, timeout: float | None = None) -> list[str]:
        """The replies of a compound line with `units` questions, checked to be the replies of this very line."""
        with self.lock:
            if not self.manners.checked:
                reply = self.query(line, timeout)
                found = split_units(reply) if units > 1 else [reply.strip()]
                if len(found) != units:
                    self.garbled(line, reply, f"{units} answers are due")
                return found
            more = next(more for more in (1, 2, 3) if units + more not in self._parts)
            self._parts.append(units + more)
            reply = self.query(line + ";*OPC?" * more, timeout)
            found = split_units(reply)
            if len(found) != units + more or any(each not in ("1", "+1") for each in found[units:]):
                self.garbled(line, reply, "it is the reply to another question" if like_reply(reply) else NOISE)
            return found[:units]

    def query_block(self, line: str, timeout: float, tail: str = "\n") -> bytes:
        """The bytes of a block (IEEE 488.2, 8.7.9: `#`, a digit n, n digits that count the bytes), which may hold any
        byte; header words before it and exactly `tail` after it. Nothing of it goes into the traffic but its size."""
        with self.lock:
            self._prepare(line, timeout)
            self._now = _Question(line, self.clock.now(), timeout)
            try:
                deadline = self._now.started + timeout
                self._send(line, deadline)
                data = self._receive_block(deadline, tail.encode("latin-1"))
            except BaseException as error:  # noqa: BLE001  told as one of ours
                self._broke(error)
            self._note("<", f"#: {len(data)} bytes")
            return data

    def _receive_block(self, deadline: float, tail: bytes) -> bytes:
        while (found := _BLOCK.match(self._rest)) is None:
            if len(self._rest) > MOST_HEADER or b"\n" in self._rest:
                raise _NoBlock
            self._take(deadline)
        digits = int(found[1])
        starts = found.end() + digits
        while len(self._rest) < starts:
            self._take(deadline)
        count = bytes(self._rest[found.end() : starts])
        if not count.isdigit() or int(count) > LIMIT - starts - len(tail):
            raise _NoBlock
        ends = starts + int(count)
        while len(self._rest) < ends + len(tail):
            self._take(deadline)
        data, rest = bytes(self._rest[starts:ends]), bytes(self._rest[ends:])
        self._rest.clear()
        self._last = self.clock.now()
        if rest != tail:
            raise _Surplus
        return data

    def garbled(self, line: str, reply: str, why: str) -> NoReturn:
        """Mark the link as out of step and raise LinkGarbled. Drivers call it for a reply that they cannot read."""
        self.dirty = True
        self._note("!", f"reply to {line!r} not understood: {reply[:80]!r}")
        self._now.line = line
        self._fail(LinkGarbled, f"the reply {reply[:80]!r} does not fit: {why}")

    def _prepare(self, line: str, timeout: float) -> None:
        if self._resource is None and not self.dirty:
            self._now = _Question(line, self.clock.now(), timeout)
            self._fail(LinkClosed, "the link is closed")
        if self.dirty:
            self.reopen()
        self._now = _Question(line, self.clock.now(), timeout)
        try:
            stray = bool(self._rest) or (self._wire is not None and self._wire.waiting())
        except BaseException as error:  # noqa: BLE001  told as one of ours
            self._broke(error)
        if stray:
            self._note("!", "bytes that no question asked for")
            self.reopen()
            self._now = _Question(line, self.clock.now(), timeout)

    def _exchange(self, line: str, timeout: float, length: int | None) -> str:
        self._now = _Question(line, self.clock.now(), timeout)
        try:
            deadline = self._now.started + timeout
            self._send(line, deadline)
            if self.manners.reply_delay:
                self.clock.sleep(self.manners.reply_delay)
            reply = self._receive(deadline, length).decode("latin-1")
        except BaseException as error:  # noqa: BLE001  told as one of ours
            self._broke(error)
        self._note("<", reply)
        return reply

    def _send(self, line: str, deadline: float) -> None:
        if self.manners.gap and (wait := self._last + self.manners.gap - self.clock.now()) > 0:
            self.clock.sleep(wait)
            deadline += wait
        self._note(">", line)
        assert self._wire is not None
        self._wire.write((line + self.manners.terminator).encode("latin-1", "replace"), deadline)
        self._last = self.clock.now()

    def _receive(self, deadline: float, length: int | None) -> bytes:
        ends = self.manners.ends.encode("ascii")
        if not ends:
            return self._receive_bare(deadline, length)
        while (place := self._rest.find(ends[-1:])) < 0:
            self._take(deadline)
        reply = bytes(self._rest[:place])
        del self._rest[: place + 1]
        self._last = self.clock.now()
        if self._rest.strip(b"\r\n\0 "):
            self._now.partial = reply
            raise _Surplus
        self._rest.clear()
        return reply.rstrip(b"\r\n").lstrip(b"\0\r\n")

    def _receive_bare(self, deadline: float, length: int | None) -> bytes:
        """A reply without terminator: `length` bytes, or what comes until it is silent."""
        while length is None or len(self._rest) < length:
            quiet = self.clock.now() + QUIET
            try:
                self._take(min(deadline, quiet) if self._rest and length is None else deadline)
            except Exception as error:
                if not self._rest or length is not None or not is_timeout(error):
                    raise
                break
        reply = bytes(self._rest)
        self._rest.clear()
        self._last = self.clock.now()
        return reply

    def _take(self, deadline: float) -> None:
        assert self._wire is not None
        if self.clock.now() > deadline:
            raise WireTimeout
        self._rest += self._wire.read(deadline)
        self._now.partial = bytes(self._rest[:80])
        if len(self._rest) > LIMIT:
            raise _Surplus

    # --- failing ----------------------------------------------------------------------------------------------------
    def _broke(self, error: BaseException) -> NoReturn:
        """What came up in the middle of a message, as a LinkError; the link is out of step.

        Whatever PyVISA, PyVISA-py or the system raises; a Ctrl-C goes on as it is, and the reply is still to come.
        """
        if isinstance(error, LinkError) or type(error).__module__.startswith("wakeboard.instruments.virtual"):
            raise error  # the virtual bench has a fault of its own: not the link's
        self.dirty = True
        if isinstance(error, _Surplus):
            got = self._now.partial.decode("latin-1")
            self._fail(LinkGarbled, f"more came back than one reply, after {got[:80]!r}")
        if isinstance(error, _NoBlock):
            got = bytes(self._rest[:40]).decode("latin-1")
            self._fail(LinkGarbled, f"what came back is no block of data: {got!r}")
        if not isinstance(error, Exception):
            raise error
        self._fail(*judged(error, self._now.partial), error)

    def _fail(self, kind: type[LinkError], message: str, cause: Exception | None = None) -> NoReturn:
        elapsed = self.clock.now() - self._now.started
        self._note("!", message)
        raise kind(
            message,
            instrument=self.name,
            address=self.address,
            command=self._now.line,
            deadline=self._now.timeout,
            elapsed=elapsed,
            step=self.step,
        ) from cause

    def _note(self, direction: Direction, text: str) -> None:
        self.traffic.add(self.clock.now(), self.name, direction, text)


class _Surplus(Exception):
    """More bytes than a reply."""


class _NoBlock(Exception):
    """Bytes that are no block."""
