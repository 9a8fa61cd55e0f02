"""What a meter is, however it is read: what it measures on which range, what it loads, how far a reading may be off.

All of it comes from the dialect's tables. Who derives from this says how a reading is taken: `measure`.

u combines, as the GUM says (JCGM 100, 4.3.7 and 5.1.2): the accuracy half-width a as a rectangular distribution, a/√3;
the resolution q as one of half-width q/2; the scatter of the mean when count > 1, and what so
few readings leave open of it (coverage.py).
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from typing import Final, cast

from .coverage import half_expanded
from .dialect import Accuracy, DmmDialect, Quantity, QuantityName
from .errors import DialectError, SettingError
from .ports import Measurement

UNITS: Final[dict[str, str]] = {
    "dc volts": "V",
    "ac volts": "V",
    "frequency": "Hz",
    "ohms": "Ω",
    "ohms 4w": "Ω",
    "diode volts": "V",
    "current": "A",
}
WITH_CURRENT: Final = ("ohms", "ohms 4w", "diode volts")
QUICK_NPLC: Final = 0.02  # mains periods: a reading that does not matter
# Ω of the two inputs of a bench meter; the high one is "> 10 GΩ" in data sheets: the least of it
LOW_OHMS, HIGH_OHMS = 10e6, 10e9


class TableMeter(ABC):
    """Raises SettingError beyond the ranges, DialectError for what the meter has not got."""

    def __init__(self, name: str, dialect: DmmDialect) -> None:
        self.name = name
        self.dialect = dialect
        self.high_z = dialect.always_high_z
        self._lines: dict[tuple[str, float, float | None], tuple[float, float]] = {}

    # --- how it is read ---------------------------------------------------------------------------------------------
    @abstractmethod
    def measure(
        self, quantity: QuantityName, range: float | None = None, nplc: float | None = None, count: int = 1
    ) -> Measurement:
        """Any quantity that the dialect has, see the methods below."""

    @property
    @abstractmethod
    def drives_current(self) -> bool:
        """Whether the function set last sends a test current through the leads."""

    @abstractmethod
    def told(self, what: str) -> object:
        """See ports.Instrument."""

    # --- what is measured -------------------------------------------------------------------------------------------
    def dc_volts(self, range: float | None = None, nplc: float | None = None, count: int = 1) -> Measurement:
        """range: V that must fit, None: automatic; nplc: integration in mains periods; count: readings averaged."""
        return self.measure("dc volts", range, nplc, count)

    def ac_volts(self, range: float | None = None, count: int = 1) -> Measurement:
        """True RMS, AC coupled."""
        return self.measure("ac volts", range, None, count)

    def frequency(self, range: float | None = None, count: int = 1) -> Measurement:
        """Hz; range: V of the signal. 0 Hz is what most meters say of no signal."""
        return self.measure("frequency", range, None, count)

    def ohms(self, range: float | None, nplc: float | None = None, count: int = 1) -> Measurement:
        """Two wires. Fix the range on a board: it decides the current that goes through it."""
        return self.measure("ohms", range, nplc, count)

    def stop_current(self, range: float) -> None:
        """Into dc volts on a range, where no test current flows: by a short reading, of which nobody wants the
        value."""
        self.dc_volts(range=range, nplc=QUICK_NPLC)

    def diode(self) -> Measurement:
        """Forward volts at the meter's test current."""
        return self.measure("diode volts", None, None, 1)

    # --- its input --------------------------------------------------------------------------------------------------
    def input_ohms(self, high: bool) -> float:
        """10 MΩ, or above 10 GΩ on the low ranges, from the next reading on; gives the ohms.

        DialectError where the meter has only one of them.
        """
        if self.dialect.always_high_z != high and not self.dialect.high_z:
            only = "above 10 GΩ on its low ranges" if self.dialect.always_high_z else "10 MΩ"
            raise DialectError(f"{self.name} has {only}, and nothing else", instrument=self.name)
        self.high_z = high
        return HIGH_OHMS if high else LOW_OHMS

    def can_be_high(self, range: float) -> bool:
        """Whether the input can be made high-ohmic, and back to 10 MΩ, on a range of dc volts."""
        return bool(self.dialect.high_z) and range in self.dialect.high_z_ranges

    def input_resistance(self, range: float | None) -> float:
        """What the meter loads a point with on a range of dc volts, ohms."""
        high = self.high_z and range is not None and range in self.dialect.high_z_ranges
        return HIGH_OHMS if high else LOW_OHMS

    # --- its tables -------------------------------------------------------------------------------------------------
    def quantity(self, name: str) -> Quantity:
        """A quantity's part of the dialect. DialectError where the meter has not got it."""
        found = self.dialect.quantities.get(cast(QuantityName, name))
        if found is None:
            raise DialectError(f"{self.name} ({self.dialect.title}) cannot measure {name}", instrument=self.name)
        return found

    def range_for(self, quantity: str, wanted: float | None) -> float | None:
        """The smallest range that fits; None: automatic."""
        spec = self.quantity(quantity)
        if wanted is None or not spec.ranges:
            return None if spec.auto or not spec.ranges else max(spec.ranges)
        fits = [each for each in spec.ranges if each * 1.0001 >= wanted]
        if not fits:
            raise SettingError(
                f"{self.name} measures {quantity} up to {max(spec.ranges):g} {UNITS[quantity]}, not {wanted:g}",
                instrument=self.name,
            )
        return min(fits)

    def nplc_for(self, quantity: str, wanted: float | None) -> float | None:
        """The next longer integration that the meter has; None where the quantity has none."""
        if not self.quantity(quantity).nplc:
            return None
        value = self.dialect.default_nplc if wanted is None else wanted
        known = self.dialect.nplc
        return min([each for each in known if each >= value * 0.999] or [max(known)]) if known else value

    def accuracy(self, quantity: str, value: float, range: float | None = None, nplc: float | None = None) -> float:
        """Half-width of the maker's one-year accuracy at `value` on `range`, in the quantity's unit."""
        spec = self.quantity(quantity)
        if not spec.accuracy:
            raise DialectError(f"dialect {self.dialect.name} has no accuracy for {quantity}", instrument=self.name)
        if range is None and spec.ranges:
            range = min([each for each in spec.ranges if each * spec.over >= abs(value)] or [max(spec.ranges)])
        row = _row(spec, range)
        half = row.half_width(value, range or 0.0)
        added = spec.added.get(f"{nplc:g}") if nplc is not None else None
        if added is not None:
            half += added.half_width(value, range or 0.0)
        return half + spec.leads

    def uncertainty(
        self, quantity: str, value: float, range: float | None, nplc: float | None, scatter: float = 0.0, count: int = 1
    ) -> float:
        """Standard uncertainty of a mean of `count` readings on the range in force."""
        half = self._half_width(quantity, value, range, nplc)
        step = self.quantity(quantity).resolution * abs(range if range is not None else value)
        known = math.sqrt(half**2 / 3 + step**2 / 12)
        if not scatter:  # nothing is known from few samples
            return known
        return half_expanded([(known, math.inf), (scatter / math.sqrt(count), max(count - 1, 1))])

    def _half_width(self, quantity: str, value: float, range: float | None, nplc: float | None) -> float:
        """As `accuracy`: on one range it is a straight line, which is kept, since thousands of readings ask for it."""
        if not range:
            return self.accuracy(quantity, value, range, nplc)
        line = self._lines.get((quantity, range, nplc))
        if line is None:
            fixed = self.accuracy(quantity, 0.0, range, nplc)
            line = fixed, (self.accuracy(quantity, range, range, nplc) - fixed) / range
            self._lines[quantity, range, nplc] = line
        return line[0] + line[1] * abs(value)

    def ohms_test(self, range: float) -> tuple[float | None, float | None]:
        """(test current in A, volts that an open circuit may see) of an ohms range; None for what is not known."""
        spec = self.quantity("ohms")
        scale = self.range_for("ohms", range)
        place = spec.ranges.index(scale) if scale in spec.ranges else 0
        return (spec.amps[min(place, len(spec.amps) - 1)] if spec.amps else None), spec.open_volts


def _row(spec: Quantity, range: float | None) -> Accuracy:
    """The accuracy row of a range: its own, the next wider one's, or the one for all."""
    named = [each for each in spec.accuracy if each.range is not None]
    if range is None or not named:
        return spec.accuracy[-1]
    wide = [each for each in named if each.range is not None and each.range >= range * 0.999]
    return min(wide, key=lambda each: each.range or 0.0) if wide else named[-1]
