"""Meters of the 34401A's line: the 34401A itself, the Truevolt meters, and a plain one without a maker's habits.

Sources: 34401A User's Guide p118, E1412A manual p100 (INP:IMP:AUTO), Truevolt guide p102, p197, p221-225.
"""

from __future__ import annotations

from typing import ClassVar

from wakeboard.instruments.virtual.faces.dmm_scpi import ScpiDmm
from wakeboard.instruments.virtual.hardware.dmm import TABLE_34461A, Quantity, Table
from wakeboard.instruments.virtual.scpi.data import Boolean, BooleanOr, Number, Plain
from wakeboard.instruments.virtual.scpi.tree import command, query


class PlainDmm(ScpiDmm):
    """No maker's habits; INP:IMP:AUTO chooses the input as SCPI-1999's INPut subsystem has it."""

    @command("INPut:IMPedance:AUTO", Boolean())
    def input_auto(self, on: bool) -> None:
        self.meter.high_z = on
        self._use()

    @query("INPut:IMPedance:AUTO")
    def input_auto_query(self) -> str:
        return str(int(self.meter.high_z))


class Meter34401A(PlainDmm):
    """HP/Keysight 34401A: INP:IMP:AUTO, ZERO:AUTO, DET:BAND; 10 MΩ after reset."""

    identity: ClassVar[tuple[str, str]] = ("HEWLETT-PACKARD", "34401A")
    firmware: ClassVar[str] = "10-5-2"

    @query("*IDN")
    def idn(self) -> str:
        return ",".join((*self.identity, "0", self.firmware))

    @command("[SENSe:]ZERO:AUTO", BooleanOr(("ONCE",)))
    def zero_auto(self, auto: bool | str) -> None:
        self.auto_zero = auto is True

    @query("[SENSe:]ZERO:AUTO")
    def zero_auto_query(self) -> str:
        return str(int(self.auto_zero))

    @command("[SENSe:]DETector:BANDwidth", Number("HZ"))
    def bandwidth(self, _: float | str) -> None:
        """The time of an AC reading is fixed here."""


class Truevolt(ScpiDmm):
    """Keysight 34461A and its LAN sisters: VOLT:DC:IMP:AUTO, VOLT:DC:ZERO:AUTO, CURR:DC:TERM."""

    identity: ClassVar[tuple[str, str]] = ("Keysight Technologies", "34461A")
    firmware: ClassVar[str] = "A.03.03-03.15-03.03-00.52-04-03"
    table: ClassVar[Table] = TABLE_34461A
    jack: str = "3"

    @command("[SENSe:]VOLTage[:DC]:IMPedance:AUTO", Boolean())
    def input_auto(self, on: bool) -> None:
        self.meter.high_z = on
        self._use()

    @query("[SENSe:]VOLTage[:DC]:IMPedance:AUTO")
    def input_auto_query(self) -> str:
        return str(int(self.meter.high_z))

    @command("[SENSe:]VOLTage[:DC]:ZERO:AUTO", BooleanOr(("ONCE",)))
    @command("[SENSe:]RESistance:ZERO:AUTO", BooleanOr(("ONCE",)))
    @command("[SENSe:]CURRent[:DC]:ZERO:AUTO", BooleanOr(("ONCE",)))
    def zero_auto(self, auto: bool | str) -> None:
        self.auto_zero = auto is True

    @query("[SENSe:]VOLTage[:DC]:ZERO:AUTO")
    @query("[SENSe:]RESistance:ZERO:AUTO")
    @query("[SENSe:]CURRent[:DC]:ZERO:AUTO")
    def zero_auto_query(self) -> str:
        return str(int(self.auto_zero))

    @command("[SENSe:]VOLTage:AC:BANDwidth", Number("HZ"))
    def bandwidth(self, _: float | str) -> None:
        """The time of an AC reading is fixed here."""

    def configure(self, quantity: Quantity, span: float | str | None, resolution: float | str | None) -> None:
        """A resolution that implies less than 1 PLC turns autozero off by itself (guide p223)."""
        super().configure(quantity, span, resolution)
        if self.nplc[quantity] < 1:
            self.auto_zero = False

    @command("[SENSe:]CURRent[:DC]:TERMinals", Plain(("3", "10")))
    @command("[SENSe:]CURRent:AC:TERMinals", Plain(("3", "10")))
    def current_terminals(self, amps: str) -> None:
        """Which of the two current jacks; neither is wired to anything here (guide p197)."""
        self.jack = amps

    @query("[SENSe:]CURRent[:DC]:TERMinals")
    @query("[SENSe:]CURRent:AC:TERMinals")
    def current_terminals_query(self) -> str:
        return self.jack

    @query("SYSTem:LFRequency")
    def line_frequency(self) -> str:
        return f"{self.meter.probe.mistakes.mains:+.0f}"

    @query("CALibration:DATE")
    def calibration_date(self) -> str:
        return "+2026,+3,+14"
