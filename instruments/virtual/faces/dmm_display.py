"""Meters that hand out what their display shows: Rigol DM3058 in its own command set, OWON XDM1041.

Such a meter measures by itself, once each period; a query answers the last value shown, which may be from before the
circuit changed. Sources: DM3058 Programming Guide p3-46 (rates 123, 20, 2.5 a second), its other words, ranges and
figures from memory; XDM1041 from public code and memory.
"""

from __future__ import annotations

import math
from typing import ClassVar

from wakeboard.instruments.virtual.hardware.dmm import Meter, Probe, Quantity, Range, Table, ranges
from wakeboard.instruments.virtual.scpi.data import Boolean, Number, Parameter, Plain, ScpiError, Word
from wakeboard.instruments.virtual.scpi.instrument import ScpiInstrument
from wakeboard.instruments.virtual.scpi.tree import Declared, Handler, command, query
from wakeboard.instruments.virtual.time.stage import Stage
from wakeboard.instruments.virtual.time.waves import Waves

TABLE_DM3058 = Table(
    ranges((0.2, 0.015, 0.004), (2, 0.015, 0.003), (20, 0.015, 0.004), (200, 0.015, 0.003), (1000, 0.015, 0.003)),
    ranges((0.2, 0.2, 0.1), (2, 0.2, 0.05), (20, 0.2, 0.05), (200, 0.2, 0.05), (750, 0.2, 0.05)),
    (
        Range(200, 3e-4, 5e-5, 1e-3, 6.5),
        Range(2e3, 2e-4, 3e-5, 1e-3, 6.5),
        Range(20e3, 2e-4, 3e-5, 100e-6, 6.5),
        Range(200e3, 2e-4, 3e-5, 10e-6, 6.5),
        Range(2e6, 4e-4, 4e-5, 1e-6, 6.5),
        Range(10e6, 2.5e-3, 3e-5, 0.2e-6, 6.5),
        Range(100e6, 1.75e-2, 4e-5, 0.2e-6, 6.5),
    ),
    Range(2.4, 5e-4, 1e-4, 1e-3, 6.5, 1.0),
    high_z_to=2.0,
    amps=ranges(*((full, 0.1, 0.02) for full in (2e-4, 2e-3, 0.02, 0.2, 2, 10))),  # from memory
)
TABLE_XDM1041 = Table(
    ranges(
        (0.05, 0.05, 0.02), (0.5, 0.05, 0.01), (5, 0.05, 0.01), (50, 0.05, 0.01), (500, 0.1, 0.01), (1000, 0.1, 0.02)
    ),
    ranges((0.5, 0.5, 0.2), (5, 0.5, 0.2), (50, 0.5, 0.2), (500, 0.5, 0.2), (750, 0.5, 0.2)),
    (
        Range(500, 1.5e-3, 1e-4, 0.5e-3, 3.0),
        Range(5e3, 1.5e-3, 1e-4, 0.25e-3, 3.0),
        Range(50e3, 1.5e-3, 1e-4, 25e-6, 3.0),
        Range(500e3, 1.5e-3, 1e-4, 2.5e-6, 3.0),
        Range(5e6, 3e-3, 1e-4, 0.25e-6, 3.0),
        Range(50e6, 1e-2, 1e-4, 25e-9, 3.0),
    ),
    Range(2.5, 3e-3, 1e-3, 1e-3, 3.2, 1.0),
    high_z_to=0.0,
    amps=ranges(*((full, 0.5, 0.2) for full in (5e-4, 5e-3, 0.05, 0.5, 5, 10))),  # from memory
)
NAMES: dict[str, Quantity] = {
    "VOLTage[:DC]": "VOLT",
    "VOLTage:AC": "VOLT:AC",
    "RESistance": "RES",
    "FREQuency": "FREQ",
    "DIODe": "DIOD",
    "CONTinuity": "CONT",
    "CURRent[:DC]": "CURR",
}


class DisplayDmm(ScpiInstrument):
    """The display: a value a period, whatever anybody asks."""

    table: ClassVar[Table]
    rates: ClassVar[dict[str, float]]  # word -> readings a second

    def __init__(self, stage: Stage, serial: str, probe: Probe, waves: Waves, table: Table | None = None) -> None:
        super().__init__(stage, serial)
        self._stage = stage
        self.meter = Meter(probe, waves, serial, table or self.table)
        self.meter.nplc = 1.0
        self.rate = "S"
        self._shown: float | None = None
        self._shown_at = -1.0

    def reset(self) -> None:
        self.choose("VOLT", None)
        self.rate = "S"

    def choose(self, quantity: Quantity, span: float | None) -> None:
        """Show another quantity, on a range or on automatic."""
        if span is not None and span > self.meter.table.of(quantity)[-1].full * (1 + 1e-9):
            raise ScpiError(-222)
        self.meter.quantity = quantity
        self.meter.range = span
        self.meter.apply()

    def shown(self) -> float:
        """What the display shows: the value at the end of the last period."""
        period = 1 / self.rates[self.rate]
        end = math.floor(self.time.now / period) * period
        stale = self._stage.changed_at > end and self._shown is not None
        if end > self._shown_at and not stale:
            self._shown = self.meter.read()
        self._shown_at = max(end, self._shown_at)
        if self._shown is None:
            self._shown = self.meter.read()
        return self._shown


class Dm3058(DisplayDmm):
    """Rigol's own set: :MEAS:VOLT:DC? shows and answers, ranges are numbered from 0, :RATE:VOLT:DC F|M|S."""

    identity: ClassVar[tuple[str, str]] = ("Rigol Technologies", "DM3058")
    firmware: ClassVar[str] = "01.01.00.02.02.00"
    table: ClassVar[Table] = TABLE_DM3058
    rates: ClassVar[dict[str, float]] = {"F": 123.0, "M": 20.0, "S": 2.5}
    generated: ClassVar[list[tuple[Declared, Handler]]]
    functions: ClassVar[dict[Quantity, str]] = {
        "VOLT": "DCV",
        "VOLT:AC": "ACV",
        "RES": "RESISTANCE",
        "FREQ": "FREQUENCY",
        "DIOD": "DIODE",
        "CONT": "CONTINUITY",
        "CURR": "DCI",
    }

    def value_of(self, quantity: Quantity) -> str:
        """Show a quantity and answer what is shown; the first value of another function is a fresh one."""
        if self.meter.quantity != quantity:
            self.choose(quantity, None)
            self._shown = None
        return f"{self.shown():.6E}"

    @query("FUNCtion")
    def function_query(self) -> str:
        return self.functions[self.meter.quantity]

    @command("MEASure", Plain(("AUTO", "MANU")))
    def automatic(self, how: str) -> None:
        self.meter.range = None if how == "AUTO" else self.meter.present.full

    @query("MEASure")
    def measured(self) -> str:
        return "TRUE"

    @command("MEASure:VOLTage:DC:IMPedance", Plain(("10M", "10G")))
    def input_choice(self, choice: str) -> None:
        self.meter.high_z = choice == "10G"
        self.meter.apply()

    @query("MEASure:VOLTage:DC:IMPedance")
    def input_choice_query(self) -> str:
        return "10G" if self.meter.high_z else "10M"

    @command("RATE:VOLTage:DC", Plain(("F", "M", "S")))
    @command("RATE:RESistance", Plain(("F", "M", "S")))
    @command("RATE:VOLTage:AC", Plain(("F", "M", "S")))
    def set_rate(self, rate: str) -> None:
        self.rate = rate

    @query("RATE:VOLTage:DC")
    @query("RATE:RESistance")
    @query("RATE:VOLTage:AC")
    def rate_query(self) -> str:
        return self.rate

    @command("CMDSet", Word(("RIGOL", "AGILENT", "FLUKE")))
    def command_set(self, which: str) -> None:
        if which != "RIGOL":
            raise ScpiError(-241)

    @query("CMDSet")
    def command_set_query(self) -> str:
        return "RIGOL"


def _rigol_functions() -> list[tuple[Declared, Handler]]:
    made: list[tuple[Declared, Handler]] = []

    def add(pattern: str, asks: bool, function: Handler, *parameters: Parameter) -> None:
        made.append((Declared(pattern, asks, parameters), function))

    for name, quantity in NAMES.items():
        add(f"MEASure:{name}", True, _show(quantity))
        add(f"FUNCtion:{name}", False, _choose(quantity))
        add(f"MEASure:{name}", False, _range_by_number(quantity), Number(words=("MINimum", "MAXimum", "DEFault")))
        add(f"MEASure:{name}:RANGe", True, _range_number(quantity))
    return made


def _show(quantity: Quantity) -> Handler:
    return lambda self: self.value_of(quantity)


def _choose(quantity: Quantity) -> Handler:
    return lambda self: self.choose(quantity, None)


def _range_by_number(quantity: Quantity) -> Handler:
    def handler(self: Dm3058, number: float | str) -> None:
        items = self.meter.table.of(quantity)
        index = {"MIN": 0, "MAX": len(items) - 1, "DEF": 0}[number] if isinstance(number, str) else round(number)
        if not 0 <= index < len(items):
            raise ScpiError(-222)
        self.choose(quantity, items[index].full)

    return handler


def _range_number(quantity: Quantity) -> Handler:
    def handler(self: Dm3058) -> str:
        return str(self.meter.table.of(quantity).index(self.meter.present))

    return handler


Dm3058.generated = _rigol_functions()


class RigolDm3058(Dm3058):
    """The face as it is used: its tree holds the generated handlers."""


class Xdm1041(DisplayDmm):
    """OWON XDM1041: CONF:VOLT:DC 5, RATE S|M|F, MEAS1? for what is shown; 10 MΩ always; overload as 1E9."""

    identity: ClassVar[tuple[str, str]] = ("OWON", "XDM1041")
    firmware: ClassVar[str] = "V3.7.2,2"
    table: ClassVar[Table] = TABLE_XDM1041
    rates: ClassVar[dict[str, float]] = {"F": 65.0, "M": 20.0, "S": 5.0}
    generated: ClassVar[list[tuple[Declared, Handler]]]

    @query("MEASure")
    @query("MEAS1")
    @query("MEAS1:SHOW")
    def measured(self) -> str:
        value = self.shown()
        return f"{math.copysign(1e9, value) if abs(value) > 1e30 else value:.6E}"

    @query("FUNCtion")
    @query("FUNC1")
    def function_query(self) -> str:
        return f'"{self.meter.quantity}"'

    @command("AUTO", Boolean(optional=True))
    def automatic(self, on: bool | None) -> None:
        self.meter.range = None if on is not False else self.meter.present.full
        self.meter.apply()

    @query("AUTO")
    def automatic_query(self) -> str:
        return str(int(self.meter.range is None))

    @query("RANGE")
    def range_query(self) -> str:
        return f"{self.meter.present.full:g}"

    @command("RATE", Plain(("F", "M", "S")))
    def set_rate(self, rate: str) -> None:
        self.rate = rate

    @query("RATE")
    def rate_query(self) -> str:
        return self.rate


def _owon_functions() -> list[tuple[Declared, Handler]]:
    span = Number(words=("AUTO", "MINimum", "MAXimum"), optional=True)
    return [
        (Declared(f"CONFigure[:SCALar]:{name}", False, (span,)), _configure(quantity))
        for name, quantity in NAMES.items()
    ]


def _configure(quantity: Quantity) -> Handler:
    def handler(self: Xdm1041, span: float | str | None) -> None:
        if span is None or span == "AUTO":
            self.choose(quantity, None)
            return
        items = self.meter.table.of(quantity)
        self.choose(quantity, {"MIN": items[0].full, "MAX": items[-1].full}[span] if isinstance(span, str) else span)

    return handler


Xdm1041.generated = _owon_functions()


class OwonXdm1041(Xdm1041):
    """The face as it is used: its tree holds the generated handlers."""
