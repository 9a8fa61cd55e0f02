"""How an instrument wants to be spoken to."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Manners:
    """How an instrument wants to be spoken to; from its dialect.

    terminator ends what is sent, reply_terminator what comes back (None: the same; "": none, replies end by length or
    silence). gap: s from one message to the next; reply_delay: s from a question to reading. compound: several commands
    in one line, joined by `joint`; checked: `ask` may add *OPC?. power_on: bit 7 of *ESR? tells a power cycle.
    serial_opening: lines sent after opening a serial port (SYST:REM). The rest is for serial ports.
    """

    terminator: str = "\n"
    reply_terminator: str | None = None
    gap: float = 0.0
    reply_delay: float = 0.0
    compound: bool = True
    joint: str = ";:"
    checked: bool = False
    power_on: bool = False
    identify: str = "*IDN?"
    serial_opening: tuple[str, ...] = ()
    baud: int | None = None
    stop_bits: float | None = None
    flow: str = "none"

    @property
    def ends(self) -> str:
        return self.terminator if self.reply_terminator is None else self.reply_terminator
