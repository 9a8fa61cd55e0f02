"""A meter's hardware: what its input does to the circuit, and what it reads.

DC volts through 10 MΩ or more than 10 GΩ; ohms and diode by a test current under a compliance voltage, so that a
semiconductor in the path shows as on a real meter, four wires without what the way to the point adds; AC-coupled true
RMS; frequency; current, where nothing is in the current jack. A reading carries this specimen's
gain and offset error inside the accuracy table, noise by integration time, resolution, and overload as 9.9E37.
The faces (dmm_faces*.py) speak a maker's commands to it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from random import Random
from typing import Literal

from wakeboard.instruments.virtual.circuit.bench.figures import (
    HIGH_OHMS,
    NO_INPUT_OHMS,
    OPEN_SHARE,
    OPEN_VOLTS,
    VOLTMETER_OHMS,
)
from wakeboard.instruments.virtual.hardware.specimen import drawn
from wakeboard.instruments.virtual.mistakes import NONE, Mistakes
from wakeboard.instruments.virtual.time.stage import Stage
from wakeboard.instruments.virtual.time.waves import Steady, Wave, Waves

OVERLOAD = 9.9e37  # what SCPI-1999 says for infinity (from memory), and meters for an overload
LINE_FREQUENCY = 50.0  # Hz: what NPLC counts on this meter
RANGE_CHANGE = 0.004  # seconds that a change of range takes (34401A data sheet: autorange within 30 ms)
BIAS_AMPS = 30e-12  # A into an open input (34401A data sheet: below 30 pA at 25 °C)
LEAD_FARADS = 100e-12  # F of an open test lead (common practice, no source)
BANDWIDTH = 300e3  # Hz: AC and frequency readings end here
Quantity = Literal["VOLT", "VOLT:AC", "RES", "FRES", "FREQ", "DIOD", "CONT", "CURR"]
WITH_CURRENT: tuple[Quantity, ...] = ("RES", "FRES", "CONT", "DIOD")  # a test current flows


@dataclass(frozen=True, slots=True)
class Range:
    """One range: full scale, accuracy as shares of reading and of range; for ohms the test current and compliance."""

    full: float
    reading: float
    range: float
    amps: float = 0.0
    compliance: float = 0.0
    over: float = 1.2  # readings reach this much of full scale


def ranges(*rows: tuple[float, float, float]) -> tuple[Range, ...]:
    """Rows of full scale, % of reading, % of range."""
    return tuple(
        Range(full, reading / 100, part / 100, over=1.0 if full >= 1000 else 1.2) for full, reading, part in rows
    )


# 34401A: DC current, from memory.
AMPS_34401A = ranges((0.01, 0.05, 0.02), (0.1, 0.05, 0.005), (1, 0.1, 0.01), (3, 0.12, 0.02))


@dataclass(frozen=True, slots=True)
class Table:
    """The ranges of a model by quantity, ascending."""

    volts: tuple[Range, ...]
    ac_volts: tuple[Range, ...]
    ohms: tuple[Range, ...]
    diode: Range
    high_z_to: float = 10.0  # ranges up to this one offer more than 10 GΩ
    amps: tuple[Range, ...] = AMPS_34401A

    def of(self, quantity: Quantity) -> tuple[Range, ...]:
        if quantity in ("VOLT:AC", "FREQ"):
            return self.ac_volts
        if quantity in ("RES", "FRES"):
            return self.ohms
        if quantity == "CURR":
            return self.amps
        if quantity == "DIOD":
            return (self.diode,)
        if quantity == "CONT":
            return (next(item for item in self.ohms if item.full >= 1e3),)
        return self.volts


# HP/Keysight 34401A, one year: DC volts table from its data sheet; ohms and test currents from memory.
OHMS_34401A = (
    Range(100, 1.0e-4, 4e-5, 1e-3, 9.0),
    Range(1e3, 1.0e-4, 1e-5, 1e-3, 9.0),
    Range(10e3, 1.0e-4, 1e-5, 100e-6, 9.0),
    Range(100e3, 1.0e-4, 1e-5, 10e-6, 9.0),
    Range(1e6, 1.0e-4, 1e-5, 5e-6, 9.0),
    Range(10e6, 4.0e-4, 1e-5, 500e-9, 9.0),
    Range(100e6, 8.0e-3, 1e-4, 500e-9, 9.0),
)
VOLTS_34401A = ranges(
    (0.1, 0.005, 0.0035), (1, 0.004, 0.0007), (10, 0.0035, 0.0005), (100, 0.0045, 0.0006), (1000, 0.0045, 0.001)
)
AC_34401A = ranges((0.1, 0.06, 0.04), (1, 0.06, 0.03), (10, 0.06, 0.03), (100, 0.06, 0.03), (750, 0.06, 0.03))
TABLE_34401A = Table(VOLTS_34401A, AC_34401A, OHMS_34401A, Range(1.0, 1e-4, 2e-4, 1e-3, 5.0))
# Truevolt: the ranges below 10 mA from memory, as in its dialect.
TABLE_34461A = Table(
    VOLTS_34401A,
    AC_34401A,
    OHMS_34401A,
    Range(5.0, 1e-4, 2e-4, 1e-3, 9.0, 1.0),
    amps=(*ranges((1e-4, 0.05, 0.025), (1e-3, 0.05, 0.006)), *AMPS_34401A[:3], *ranges((3, 0.2, 0.02))),
)
# DMM6500 data sheet p9: test currents and open-circuit volts.
TABLE_DMM6500 = Table(
    ranges(
        (0.1, 0.003, 0.0035), (1, 0.0025, 0.0006), (10, 0.0025, 0.0005), (100, 0.004, 0.0006), (1000, 0.004, 0.0006)
    ),
    ranges((0.1, 0.06, 0.03), (1, 0.06, 0.03), (10, 0.06, 0.03), (100, 0.06, 0.03), (750, 0.06, 0.03)),
    (
        Range(1, 8.5e-5, 2e-4, 10e-3, 12.5),
        Range(10, 8.5e-5, 2e-5, 10e-3, 12.5),
        Range(100, 8.5e-5, 2e-5, 1e-3, 9.2),
        Range(1e3, 7.5e-5, 6e-6, 1e-3, 9.2),
        Range(10e3, 7.5e-5, 6e-6, 100e-6, 12.7),
        Range(100e3, 7.5e-5, 1e-5, 10e-6, 12.5),
        Range(1e6, 1e-4, 6e-6, 10e-6, 12.5),
        Range(10e6, 4e-4, 1e-5, 0.7e-6, 7.1),
        Range(100e6, 1.5e-3, 3e-5, 0.7e-6, 7.1),
    ),
    Range(10.0, 1e-4, 2e-5, 1e-3, 12.5, 1.0),
    amps=ranges(  # from memory, but for 10 mA
        (1e-5, 0.05, 0.01),
        (1e-4, 0.05, 0.01),
        (1e-3, 0.05, 0.01),
        (0.01, 0.006, 0.0009),
        (0.1, 0.05, 0.005),
        (1, 0.1, 0.01),
        (3, 0.12, 0.02),
    ),
)


class Probe:
    """Where the meter's leads are, with the resistance of the way there in ohms (both leads, relays)."""

    def __init__(self, stage: Stage, part: str = "meter", idle: str = "bench_probe", ground: str = "GND") -> None:
        self.stage = stage
        self.part = part
        self.idle = idle
        self.ground = ground
        self.high, self.low = idle, ground
        self.path = 0.2
        self._lifted = 0.0  # since when the input is high-ohmic with the lead in the air
        self.mistakes: Mistakes = NONE
        self._front = (VOLTMETER_OHMS, 0.0, OPEN_VOLTS)

    def connect(self, high: str, low: str) -> None:
        """Put the leads on two nets."""
        high, low = self.mistakes.leads(high, low, self.idle)
        if (high, low) != (self.high, self.low):
            self.high, self.low = high, low
            self._lifted = self.stage.now
            self.stage.change(moves={f"{self.part}.HI": high, f"{self.part}.LO": low}, gently=True)

    def load(self, ohms: float, amps: float = 0.0, compliance: float = OPEN_VOLTS) -> None:
        """Present an input resistance, or a test current under a compliance voltage."""
        ohms, amps, compliance = self.mistakes.front(ohms, amps, compliance)
        if (ohms, amps, compliance) != self._front:
            self._front = ohms, amps, compliance
            self._lifted = self.stage.now
            self.stage.change(
                {
                    f"{self.part}.ohms": ohms,
                    f"{self.part}.test_amps": amps,
                    f"{self.part}.compliance_volts": compliance,
                },
                gently=True,
            )

    @property
    def drift(self) -> float:
        """V that the bias current lifts an open lead by while the input is high-ohmic; 0 otherwise."""
        if self.high != self.idle or self._front[0] != HIGH_OHMS:
            return 0.0
        since = self.stage.now - self._lifted
        return BIAS_AMPS * HIGH_OHMS * -math.expm1(-since / (HIGH_OHMS * LEAD_FARADS))


class Meter:
    """One meter. `range` None: it finds its range itself."""

    def __init__(self, probe: Probe, waves: Waves, serial: str, table: Table) -> None:
        self.probe = probe
        self.waves = waves
        self.serial = serial
        self.table = table
        self.quantity: Quantity = "VOLT"
        self.range: float | None = None
        self.nplc = 10.0
        self.high_z = False
        self.overloaded = False
        self._noise = Random(f"{serial}/noise")
        self._found: dict[Quantity, Range] = {}
        self._held: dict[Quantity, float] = {}  # where the display is stuck

    # --- ranges -----------------------------------------------------------------------------------------------------
    def range_for(self, value: float) -> Range | None:
        """The smallest range of the quantity that holds `value`; None where none does."""
        for item in self.table.of(self.quantity):
            if abs(value) <= item.full * (1 + 1e-9):
                return item
        return None

    @property
    def present(self) -> Range:
        """The range in force: the fixed one, or the one that the meter found last."""
        if self.range is not None:
            fixed = self.range_for(self.range)
            return fixed if fixed is not None else self.table.of(self.quantity)[-1]
        found = self._found.get(self.quantity)
        return found if found is not None else self._start()

    def _start(self) -> Range:
        ranges = self.table.of(self.quantity)
        return ranges[len(ranges) // 2]

    # --- one reading ------------------------------------------------------------------------------------------------
    def apply(self) -> None:
        """Put the input into the state that the quantity and range need; the circuit settles from now on."""
        item = self.present
        if self.quantity in WITH_CURRENT:
            self.probe.load(NO_INPUT_OHMS, item.amps, item.compliance)
        elif self.quantity == "CURR":
            self.probe.load(NO_INPUT_OHMS)
        elif self.quantity in ("VOLT:AC", "FREQ"):
            self.probe.load(1e6)
        else:
            high = self.high_z and item.full <= self.table.high_z_to * (1 + 1e-9)
            self.probe.load(HIGH_OHMS if high else VOLTMETER_OHMS)

    def read(self) -> float:
        """One reading in V, Ω or Hz; 9.9E37 for overload. The input has been applied and has had its time."""
        for _ in self.table.of(self.quantity):
            item = self.present
            value = self.probe.mistakes.shown(self.quantity, self._true(item))
            if self.range is not None or not self._rerange(item, value):
                break
            self.apply()
            self.probe.stage.advance(RANGE_CHANGE)
        return self._finish(item, value)

    def _finish(self, item: Range, value: float) -> float:
        if self.probe.mistakes.meter == "stuck":
            value = self._held.setdefault(self.quantity, value)
        self.overloaded = self.quantity != "FREQ" and abs(value) > item.full * item.over
        if self.overloaded:
            return math.copysign(OVERLOAD, value)
        if self.quantity == "FREQ":
            return value * (1 + 1e-4 * drawn(self.serial, "FREQ"))
        return self._with_errors(value, item)

    def _rerange(self, item: Range, value: float) -> bool:
        """Up above 120 %, down below 10 % of the range, as the makers' guides say."""
        if self.quantity == "FREQ":
            return False
        ranges = self.table.of(self.quantity)
        place = ranges.index(item)
        if abs(value) > item.full * item.over and place + 1 < len(ranges):
            self._found[self.quantity] = ranges[place + 1]
            return True
        if abs(value) < 0.1 * item.full and place > 0:
            self._found[self.quantity] = ranges[place - 1]
            return True
        return False

    def _wave(self) -> Wave | Steady:
        return self.waves.between(self.probe.high, self.probe.low)

    def _true(self, item: Range) -> float:
        if self.quantity in ("RES", "FRES", "CONT"):
            return self._ohms(item)
        if self.quantity == "CURR":
            return 0.0
        wave = self._wave()
        if self.quantity == "VOLT:AC":
            return wave.rms if wave.frequency <= BANDWIDTH else 0.0
        if self.quantity == "FREQ":
            return wave.frequency if wave.swing > 0.1 * self.table.ac_volts[0].full else 0.0
        if self.quantity == "DIOD":
            return math.inf if wave.mean >= item.compliance * OPEN_SHARE else wave.mean
        return wave.mean + self.probe.drift

    def _ohms(self, item: Range) -> float:
        volts = self._wave().mean
        if volts >= item.compliance * OPEN_SHARE:
            return math.inf
        return volts / item.amps + (0.0 if self.quantity == "FRES" else self.probe.path)

    def _with_errors(self, value: float, item: Range) -> float:
        gain = item.reading * drawn(self.serial, self.quantity, item.full, "gain")
        offset = item.range * item.full * drawn(self.serial, self.quantity, item.full, "offset")
        noise = self._noise.gauss(0.0, item.full * _noise_share(self.nplc))
        seen = value * (1 + gain) + offset + noise
        if self.quantity == "VOLT:AC":
            seen = abs(seen)
        step = item.full * _resolution_share(self.nplc)
        return round(seen / step) * step

    def aperture(self) -> float:
        """Seconds for one reading."""
        if self.quantity == "VOLT:AC":
            return 0.25
        if self.quantity == "FREQ":
            return 0.1
        delay = 0.0015 if self.quantity == "VOLT" else 0.003
        return delay + 2 * self.nplc / LINE_FREQUENCY


def _noise_share(nplc: float) -> float:
    """RMS noise as a share of range by integration time.

    34401A data sheet, as a peak figure: 0 at 10, 0.001 % at 1 and 0.2, 0.01 % at 0.02 PLC; a third of it as RMS.
    """
    if nplc >= 10:
        return 1e-7
    if nplc >= 1:
        return 1e-6
    return 3e-6 if nplc >= 0.1 else 3e-5


def _resolution_share(nplc: float) -> float:
    """Resolution as a share of range (34420A User's Guide p145: 0.02 -> 1e-4, 0.2 -> 1e-5, 1 -> 3e-6, 10 -> 1e-6)."""
    if nplc >= 100:
        return 3e-7
    if nplc >= 10:
        return 1e-6
    if nplc >= 1:
        return 3e-6
    return 1e-5 if nplc >= 0.1 else 1e-4
