"""A SCPI instrument: runs lines, keeps the error queue and the status registers, answers the common commands.

An instrument class declares handlers with `command` and `query` (scpi_tree) and derives from `ScpiInstrument`. Its tree
is built once a class and each distinct line is parsed once a class, so that a run of thousands of exchanges costs
little more than its handlers. `Instrument` is what the links see: a stream of bytes in, a stream of bytes out.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import ClassVar, Protocol

from wakeboard.instruments.virtual.scpi.data import ERROR_TEXTS, Number, ScpiError
from wakeboard.instruments.virtual.scpi.status import (
    ERROR_AVAILABLE,
    EVENT_SUMMARY,
    MASTER_SUMMARY,
    MESSAGE_AVAILABLE,
    OPERATION,
    OPERATION_COMPLETE,
    POWER_ON,
    QUESTIONABLE,
    ErrorQueue,
    Register,
    event_bit,
)
from wakeboard.instruments.virtual.scpi.tree import Program, Tree, command, handlers_of, query

LINE_CACHE = 4096  # lines that were parsed once
INPUT_LIMIT = 65536  # bytes without an end of line: no message, but noise


class Time(Protocol):
    """What an instrument needs of the bench: the time, and a way to let it pass."""

    @property
    def now(self) -> float: ...

    def advance(self, seconds: float) -> None: ...


class Instrument:
    """Anything on the bench that takes messages and answers some. Not thread-safe: the link holds the lock."""

    terminator: ClassVar[str] = "\n"
    latency: float = 0.002  # seconds from a message to its reply, on the virtual clock
    gap: float = 0.0  # seconds that a message arriving earlier is lost (some makers drop back-to-back ones)

    def __init__(self, time: Time) -> None:
        self.time = time

    def run(self, message: str) -> Iterator[float]:
        """Run one message; yields seconds to wait before going on. The reply lies in `reply` at the end."""
        raise NotImplementedError

    reply: str | None = None
    asker: object = None  # the client whose message runs: what a lock of the instrument's own is held by

    @property
    def unfinished(self) -> float:
        """Seconds until what it was told is done. On the wire it answers then."""
        return 0.0

    def execute(self, message: str) -> str | None:
        """Run one message on a virtual clock: waiting advances it."""
        for seconds in self.run(message):
            self.time.advance(seconds)
        return self.reply

    def cut(self, buffer: bytearray) -> list[str]:
        """Take the whole messages from the front of the input buffer."""
        if b"\n" not in buffer:
            if len(buffer) > INPUT_LIMIT:
                buffer.clear()
            return []
        *lines, rest = bytes(buffer).split(b"\n")
        buffer[:] = rest
        return [line.decode("latin-1").rstrip("\r") for line in lines]

    def wrap(self, reply: str) -> bytes:
        """The bytes of a reply on the line."""
        return (reply + self.terminator).encode("latin-1")

    def interrupted(self) -> None:
        """A message came before the reply to the last one was read."""

    def unterminated(self) -> None:
        """A reply was asked for though no query came."""


class ScpiInstrument(Instrument):
    """IEEE 488.2 common commands and the required SCPI-1999 subsystems."""

    glued_query: ClassVar[int] = -111
    identity: ClassVar[tuple[str, str]] = ("Wakeboard", "virtual")
    firmware: ClassVar[str] = "1.00"
    scpi_version: ClassVar[str] = "1999.0"
    tree: ClassVar[Tree]
    programs: ClassVar[dict[str, Program]]

    def __init_subclass__(cls) -> None:
        super().__init_subclass__()
        cls.tree = Tree(handlers_of(cls), glued_query=cls.glued_query)
        cls.programs = {}

    def __init__(self, time: Time, serial: str = "000000") -> None:
        super().__init__(time)
        self.serial = serial
        self.errors = ErrorQueue()
        self.event_status = POWER_ON
        self.event_enable = self.service_enable = 0
        self.questionable = Register()
        self.operation = Register()
        self.message_waiting = False

    # --- running lines -------------------------------------------------------------------------------------------
    def program(self, line: str) -> Program:
        """The parsed line, from the cache where it was seen before."""
        found = self.programs.get(line)
        if found is None:
            found = self.tree.parse(line)
            if len(self.programs) >= LINE_CACHE:
                self.programs.clear()
            self.programs[line] = found
        return found

    def run(self, message: str) -> Iterator[float]:
        replies: list[str] = []
        program = self.program(message)
        for call in program.calls:
            try:
                if call.cost is not None:
                    cost = getattr(type(self), call.cost) if isinstance(call.cost, str) else call.cost
                    yield cost(self, *call.values)
                reply = call.function(self, *call.values)
            except ScpiError as error:
                self.push_error(error.number, error.detail)
                continue
            if reply is not None:
                replies.append(reply)
        if program.error is not None:
            self.push_error(*program.error)
        self.reply = ";".join(replies) if replies else None

    def push_error(self, number: int, detail: str = "") -> None:
        """Queue an error and set its bit in the standard event register."""
        text = ERROR_TEXTS.get(number, "Device-specific error")
        self.errors.push(number, f"{text};{detail}" if detail else text)
        self.event_status |= event_bit(number)

    def interrupted(self) -> None:
        self.push_error(-410)

    def unterminated(self) -> None:
        self.push_error(-420)

    # --- hooks of the derived instrument ----------------------------------------------------------------------------
    def reset(self) -> None:
        """Bring the instrument to its reset state."""

    def refresh_status(self) -> None:
        """Bring the condition registers up to date."""

    def self_test(self) -> int:
        """0 where all is well."""
        return 0

    def status_byte(self) -> int:
        self.refresh_status()
        byte = ERROR_AVAILABLE if self.errors.entries else 0
        byte |= QUESTIONABLE if self.questionable.summary else 0
        byte |= MESSAGE_AVAILABLE if self.message_waiting else 0
        byte |= EVENT_SUMMARY if self.event_status & self.event_enable else 0
        byte |= OPERATION if self.operation.summary else 0
        return byte | MASTER_SUMMARY if byte & self.service_enable else byte

    # --- IEEE 488.2 -------------------------------------------------------------------------------------------------
    @query("*IDN")
    def idn(self) -> str:
        return ",".join((*self.identity, self.serial, self.firmware))

    @command("*RST")
    def rst(self) -> None:
        self.reset()

    @command("*CLS")
    def cls(self) -> None:
        self.errors.entries.clear()
        self.event_status = 0
        self.refresh_status()
        for register in self.registers():
            register.event = 0

    def registers(self) -> list[Register]:
        """All status registers, for *CLS and STATus:PRESet."""
        return [self.questionable, self.operation]

    @query("*ESR")
    def esr(self) -> str:
        event, self.event_status = self.event_status, 0
        return str(event)

    @command("*ESE", Number(words=()))
    def ese(self, mask: float) -> None:
        self.event_enable = _byte(mask)

    @query("*ESE")
    def ese_query(self) -> str:
        return str(self.event_enable)

    @query("*STB")
    def stb(self) -> str:
        return str(self.status_byte())

    @command("*SRE", Number(words=()))
    def sre(self, mask: float) -> None:
        self.service_enable = _byte(mask) & ~MASTER_SUMMARY

    @query("*SRE")
    def sre_query(self) -> str:
        return str(self.service_enable)

    @command("*OPC")
    def opc(self) -> None:
        self.event_status |= OPERATION_COMPLETE

    @query("*OPC")
    def opc_query(self) -> str:
        return "1"

    @command("*WAI")
    def wai(self) -> None:
        """Commands run one after another: there is nothing to wait for."""

    @query("*TST")
    def tst(self) -> str:
        return str(self.self_test())

    # --- SCPI-1999, required ------------------------------------------------------------------------------------------
    @query("SYSTem:ERRor[:NEXT]")
    def system_error(self) -> str:
        number, text = self.errors.pop()
        return f'{number:+d},"{text}"' if number else f'0,"{text}"'

    @query("SYSTem:VERSion")
    def system_version(self) -> str:
        return self.scpi_version

    @command("STATus:PRESet")
    def status_preset(self) -> None:
        for register in self.registers():
            register.preset()

    @query("STATus:QUEStionable[:EVENt]")
    def questionable_event(self) -> str:
        self.refresh_status()
        return str(self.questionable.take_event())

    @query("STATus:QUEStionable:CONDition")
    def questionable_condition(self) -> str:
        self.refresh_status()
        return str(self.questionable.condition)

    @command("STATus:QUEStionable:ENABle", Number(words=()))
    def questionable_enable(self, mask: float) -> None:
        self.questionable.enable = _word(mask)

    @query("STATus:QUEStionable:ENABle")
    def questionable_enable_query(self) -> str:
        return str(self.questionable.enable)

    @query("STATus:OPERation[:EVENt]")
    def operation_event(self) -> str:
        self.refresh_status()
        return str(self.operation.take_event())

    @query("STATus:OPERation:CONDition")
    def operation_condition(self) -> str:
        self.refresh_status()
        return str(self.operation.condition)

    @command("STATus:OPERation:ENABle", Number(words=()))
    def operation_enable(self, mask: float) -> None:
        self.operation.enable = _word(mask)

    @query("STATus:OPERation:ENABle")
    def operation_enable_query(self) -> str:
        return str(self.operation.enable)


def _byte(mask: float) -> int:
    if not 0 <= mask <= 255:
        raise ScpiError(-222)
    return round(mask)


def _word(mask: float) -> int:
    if not 0 <= mask <= 65535:
        raise ScpiError(-222)
    return round(mask) & 0x7FFF
