"""Meters in the trade's common SCPI form: CONFigure, MEASure?, READ?, INITiate, FETCh?, SENSe settings by function.

The makers' faces derive from `ScpiDmm` and change what they do differently. Sources: 34401A User's Guide p118 (diode
and continuity have a fixed range), E1412A manual p109 (defaults), 34420A User's Guide p145 (resolution to NPLC).
"""

from __future__ import annotations

from typing import ClassVar

from wakeboard.instruments.virtual.hardware.dmm import OVERLOAD, TABLE_34401A, Meter, Probe, Quantity, Range, Table
from wakeboard.instruments.virtual.hardware.psu import pick
from wakeboard.instruments.virtual.scpi.data import Boolean, BooleanOr, Number, Parameter, Quoted, ScpiError, Word
from wakeboard.instruments.virtual.scpi.instrument import ScpiInstrument
from wakeboard.instruments.virtual.scpi.tree import Declared, Handler, command, query, takes
from wakeboard.instruments.virtual.time.stage import Stage
from wakeboard.instruments.virtual.time.waves import Waves

FUNCTIONS: dict[str, Quantity] = {
    "VOLTage[:DC]": "VOLT",
    "VOLTage:AC": "VOLT:AC",
    "CURRent[:DC]": "CURR",
    "RESistance": "RES",
    "FRESistance": "FRES",
    "FREQuency": "FREQ",
    "DIODe": "DIOD",
    "CONTinuity": "CONT",
}
UNITS: dict[Quantity, str] = {
    "VOLT": "V",
    "VOLT:AC": "V",
    "CURR": "A",
    "RES": "OHM",
    "FRES": "OHM",
    "FREQ": "HZ",
    "DIOD": "V",
    "CONT": "OHM",
}
FIXED: tuple[Quantity, ...] = ("DIOD", "CONT")
# of the range -> periods of the mains: the 34401A's table of resolution and integration time (from memory)
RESOLUTION_TO_NPLC = ((3e-7, 100.0), (1e-6, 10.0), (3e-6, 1.0), (1e-5, 0.2), (1e-4, 0.02))
MEMORY = 512  # readings: the 34401A's own memory (from memory)
LIMIT_WORDS = ("MINimum", "MAXimum", "DEFault", "AUTO")


class ScpiDmm(ScpiInstrument):
    """The common form. A quantity keeps its own range and integration time."""

    table: ClassVar[Table] = TABLE_34401A
    default_nplc: ClassVar[float] = 10.0
    nplc_steps: ClassVar[tuple[float, ...]] = (0.02, 0.2, 1.0, 10.0, 100.0)
    resets_input: ClassVar[bool] = True  # CONF and MEAS put the input back to 10 MΩ
    overload_text: ClassVar[str] = "+9.90000000E+37"
    generated: ClassVar[list[tuple[Declared, Handler]]]

    def __init__(self, stage: Stage, serial: str, probe: Probe, waves: Waves, table: Table | None = None) -> None:
        super().__init__(stage, serial)
        self.meter = Meter(probe, waves, serial, table or self.table)
        self.ranges: dict[Quantity, float | None] = {}
        self.nplc: dict[Quantity, float] = {}
        self.samples = 1
        self.triggers = 1
        self.auto_zero = True
        self.source = "IMM"
        self.memory: list[float] = []

    # --- state ------------------------------------------------------------------------------------------------------
    def reset(self) -> None:
        self.meter.high_z = False
        self.meter.quantity = "VOLT"
        self.ranges.clear()
        self.nplc.clear()
        self._defaults()
        self.memory.clear()
        self._use()

    def _defaults(self) -> None:
        self.samples = self.triggers = 1
        self.source = "IMM"
        self.auto_zero = True

    def _use(self) -> None:
        """Hand the settings of the present quantity to the meter and apply its input."""
        meter = self.meter
        meter.range = self.ranges.get(meter.quantity)
        meter.nplc = self.nplc.get(meter.quantity, self.default_nplc)
        meter.apply()

    def nplc_near(self, wanted: float) -> float:
        """The integration time that the meter takes: the next step up."""
        return next(step for step in self.nplc_steps if wanted <= step * 1.01)

    def configure(self, quantity: Quantity, span: float | str | None, resolution: float | str | None) -> None:
        """CONFigure: choose the quantity, its range and resolution, the rest to defaults; -222 beyond the ranges."""
        self._defaults()
        if self.resets_input:
            self.meter.high_z = False
        self.meter.quantity = quantity
        self.ranges[quantity] = None if quantity in FIXED else self._range_of(quantity, span)
        self.nplc[quantity] = self._nplc_for(quantity, resolution)
        self.memory.clear()
        self._use()

    def _range_of(self, quantity: Quantity, span: float | str | None) -> float | None:
        """The range that holds `span`; None to find it automatically."""
        if span is None or span in ("AUTO", "DEF"):
            return None
        ranges = self.meter.table.of(quantity)
        if quantity == "FREQ":
            return None
        wanted = pick(span, ranges[0].full, ranges[-1].full, ranges[-1].full)
        held = next((item.full for item in ranges if abs(wanted) <= item.full * (1 + 1e-9)), None)
        if held is None:
            raise ScpiError(-222)
        return held

    def _nplc_for(self, quantity: Quantity, resolution: float | str | None) -> float:
        if resolution is None or resolution == "DEF":
            return self.default_nplc
        if isinstance(resolution, str):
            return self.nplc_steps[-1] if resolution == "MIN" else self.nplc_steps[0]
        full = self.ranges[quantity]
        if full is None:
            raise ScpiError(-221, "a resolution needs a fixed range")
        share = resolution / full * (1 + 1e-9)
        for step, nplc in reversed(RESOLUTION_TO_NPLC):
            if share >= step:
                return nplc
        raise ScpiError(-222)

    # --- readings ---------------------------------------------------------------------------------------------------
    def seconds(self, *_: object) -> float:
        """What the readings to come take; the input is applied first, so that the circuit settles meanwhile."""
        self._use()
        each = self.meter.aperture()
        return self.samples * self.triggers * (each if self.auto_zero else 0.5 * each)

    def take(self) -> list[float]:
        """Take the readings that the trigger settings ask for."""
        values = [self.meter.read() for _ in range(self.samples * self.triggers)]
        if self.meter.overloaded:
            bit = 9 if self.meter.quantity in ("RES", "FRES", "CONT") else 0
            self.questionable.event |= 1 << bit
        return values

    def written(self, values: list[float]) -> str:
        """Readings as this maker writes them."""
        return ",".join(self.number(value) for value in values)

    def number(self, value: float) -> str:
        if abs(value) >= OVERLOAD:
            return self.overload_text if value > 0 else "-" + self.overload_text[1:]
        return f"{value:+.8E}"

    @query("READ")
    @takes("seconds")
    def read(self) -> str:
        if self.source == "BUS":
            raise ScpiError(-214)
        return self.written(self.take())

    @command("INITiate[:IMMediate]")
    @takes("seconds")
    def initiate(self) -> None:
        if self.samples * self.triggers > MEMORY:
            raise ScpiError(-225)
        self.memory = self.take()

    @query("FETCh")
    def fetch(self) -> str:
        if not self.memory:
            raise ScpiError(-230)
        return self.written(self.memory)

    @command("ABORt")
    def abort(self) -> None:
        """Nothing runs in the background here."""

    # --- function ---------------------------------------------------------------------------------------------------
    @command("[SENSe:]FUNCtion[:ON]", Quoted())
    def function(self, name: str) -> None:
        self.meter.quantity = function_named(name)
        self.memory.clear()
        self._use()

    @query("[SENSe:]FUNCtion[:ON]")
    def function_query(self) -> str:
        return f'"{self.meter.quantity}"'

    @query("CONFigure")
    def configure_query(self) -> str:
        item = self.meter.present
        return f'"{self.meter.quantity} {item.full:+.6E},{item.full * 1e-6:+.6E}"'

    # --- trigger ----------------------------------------------------------------------------------------------------
    @command("SAMPle:COUNt", Number())
    def sample_count(self, count: float | str) -> None:
        self.samples = count_within(count)

    @query("SAMPle:COUNt")
    def sample_count_query(self) -> str:
        return f"+{self.samples}"

    @command("TRIGger:COUNt", Number(words=("MINimum", "MAXimum", "DEFault", "INFinity")))
    def trigger_count(self, count: float | str) -> None:
        self.triggers = count_within(count)

    @query("TRIGger:COUNt")
    def trigger_count_query(self) -> str:
        return f"+{self.triggers}"

    @command("TRIGger:SOURce", Word(("IMMediate", "BUS", "EXTernal", "INTernal")))
    def trigger_source(self, source: str) -> None:
        self.source = source

    @query("TRIGger:SOURce")
    def trigger_source_query(self) -> str:
        return self.source

    @command("TRIGger:DELay", Number("S"))
    @command("TRIGger:DELay:AUTO", Boolean())
    def trigger_delay(self, _: object) -> None:
        """The automatic delay stays in force: it is inside the time a reading takes."""

    # --- the rest ---------------------------------------------------------------------------------------------------
    @query("ROUTe:TERMinals")
    def terminals(self) -> str:
        return "FRON"

    @command("DISPlay[:WINDow][:STATe]", Boolean())
    def display(self, _: bool) -> None:
        """No screen to switch."""

    @command("SYSTem:REMote")
    @command("SYSTem:RWLock")
    @command("SYSTem:LOCal")
    @command("SYSTem:BEEPer[:IMMediate]")
    def panel(self) -> None:
        """Nothing changes in what is measured."""


def function_named(name: str) -> Quantity:
    """The quantity of a function name such as VOLT:DC, VOLTage or FREQ:VOLT; -224 for another."""
    words = name.upper().removesuffix(":DC")
    words = words.removesuffix(":VOLTAGE").removesuffix(":VOLT") if words.startswith("FREQ") else words
    for pattern, quantity in FUNCTIONS.items():
        long_form = pattern.replace("[:DC]", "")
        short = ":".join("".join(letter for letter in word if not letter.islower()) for word in long_form.split(":"))
        if words in (long_form.upper(), short):
            return quantity
    raise ScpiError(-224)


def count_within(count: float | str) -> int:
    value = pick(count, 1, 50000, 1)
    if not 1 <= value <= 50000:
        raise ScpiError(-222)
    return round(value)


def _by_function() -> list[tuple[Declared, Handler]]:
    """The handlers that each function has of its own: CONF, MEAS?, range, automatic range, integration time."""
    made: list[tuple[Declared, Handler]] = []

    def add(pattern: str, asks: bool, function: Handler, *parameters: Parameter) -> None:
        made.append((Declared(pattern, asks, parameters), function))

    for name, quantity in FUNCTIONS.items():
        span = Number(UNITS[quantity], LIMIT_WORDS, optional=True)
        digits = Number(UNITS[quantity], ("MINimum", "MAXimum", "DEFault"), optional=True)
        add(f"CONFigure[:SCALar]:{name}", False, _configure(quantity), span, digits)
        add(f"MEASure[:SCALar]:{name}", True, _measure(quantity), span, digits)
        if quantity in ("VOLT", "VOLT:AC", "RES", "FRES", "CURR"):
            add(f"[SENSe:]{name}:RANGe[:UPPer]", False, _set_range(quantity), Number(UNITS[quantity]))
            add(f"[SENSe:]{name}:RANGe[:UPPer]", True, _get_range(quantity), Number(optional=True))
            add(f"[SENSe:]{name}:RANGe:AUTO", False, _set_auto(quantity), BooleanOr(("ONCE",)))
            add(f"[SENSe:]{name}:RANGe:AUTO", True, _get_auto(quantity))
        if quantity in ("VOLT", "RES", "FRES", "CURR"):
            add(f"[SENSe:]{name}:NPLCycles", False, _set_nplc(quantity), Number())
            add(f"[SENSe:]{name}:NPLCycles", True, _get_nplc(quantity), Number(optional=True))
    return made


def _configure(quantity: Quantity) -> Handler:
    def handler(self: ScpiDmm, span: float | str | None, resolution: float | str | None) -> None:
        self.configure(quantity, span, resolution)

    return handler


def _measure(quantity: Quantity) -> Handler:
    def prepare(self: ScpiDmm, span: float | str | None, resolution: float | str | None) -> float:
        self.configure(quantity, span, resolution)
        return self.seconds()

    @takes(prepare)
    def handler(self: ScpiDmm, span: float | str | None, resolution: float | str | None) -> str:
        return self.written(self.take())

    return handler


def _set_range(quantity: Quantity) -> Handler:
    def handler(self: ScpiDmm, span: float | str) -> None:
        self.ranges[quantity] = self._range_of(quantity, span)
        self._use()

    return handler


def _get_range(quantity: Quantity) -> Handler:
    def handler(self: ScpiDmm, which: str | None) -> str:
        ranges = self.meter.table.of(quantity)
        fixed = self.ranges.get(quantity)
        if which is None:
            present = self.meter.present.full if self.meter.quantity == quantity else ranges[0].full
            return f"{present if fixed is None else fixed:+.8E}"
        return f"{pick(which, ranges[0].full, ranges[-1].full, ranges[-1].full):+.8E}"

    return handler


def _set_auto(quantity: Quantity) -> Handler:
    def handler(self: ScpiDmm, auto: bool | str) -> None:
        self.ranges[quantity] = None if auto else _present(self, quantity).full
        self._use()

    return handler


def _get_auto(quantity: Quantity) -> Handler:
    def handler(self: ScpiDmm) -> str:
        return str(int(self.ranges.get(quantity) is None))

    return handler


def _present(self: ScpiDmm, quantity: Quantity) -> Range:
    return self.meter.present if self.meter.quantity == quantity else self.meter.table.of(quantity)[-1]


def _set_nplc(quantity: Quantity) -> Handler:
    def handler(self: ScpiDmm, cycles: float | str) -> None:
        steps = self.nplc_steps
        wanted = pick(cycles, steps[0], steps[-1], self.default_nplc)
        if not steps[0] * 0.99 <= wanted <= steps[-1] * 1.01:
            raise ScpiError(-222)
        self.nplc[quantity] = self.nplc_near(wanted)
        self._use()

    return handler


def _get_nplc(quantity: Quantity) -> Handler:
    def handler(self: ScpiDmm, which: str | None) -> str:
        if which is None:
            return f"{self.nplc.get(quantity, self.default_nplc):+.8E}"
        return f"{pick(which, self.nplc_steps[0], self.nplc_steps[-1], self.default_nplc):+.8E}"

    return handler


ScpiDmm.generated = _by_function()
