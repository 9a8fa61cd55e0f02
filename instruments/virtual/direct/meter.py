"""A virtual meter as a meter port: it takes the reading, the dialect's tables say how far it may be off."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from wakeboard.instruments.meter import QUICK_NPLC, UNITS, WITH_CURRENT, TableMeter
from wakeboard.instruments.ports import Measurement

if TYPE_CHECKING:
    from wakeboard.instruments.dialect import DmmDialect, QuantityName
    from wakeboard.instruments.virtual.hardware.dmm import Meter, Quantity

QUANTITY: Final[dict[str, Quantity]] = {
    "dc volts": "VOLT",
    "ac volts": "VOLT:AC",
    "frequency": "FREQ",
    "ohms": "RES",
    "ohms 4w": "FRES",
    "diode volts": "DIOD",
    "current": "CURR",
}
OVERLOAD: Final = 9.8e37
"""What a virtual meter shows at least where it overloads (it shows 9.9E37)."""


class DirectMeter(TableMeter):
    """One meter."""

    def __init__(self, name: str, dialect: DmmDialect, meter: Meter) -> None:
        super().__init__(name, dialect)
        self._meter = meter
        self._stage = meter.probe.stage
        self._drives_current = False
        self._setups: dict[tuple[str, float | None, float | None], tuple[float | None, float | None]] = {}

    @property
    def drives_current(self) -> bool:
        return self._drives_current

    def told(self, what: str) -> object:
        """What a meter tells of itself is for a person, and nobody reads it here."""
        return None

    def measure(
        self, quantity: QuantityName, range: float | None = None, nplc: float | None = None, count: int = 1
    ) -> Measurement:
        """One reading, however many are asked for: on a settled circuit they would be alike."""
        scale, integration = self._setup(quantity, range, nplc)
        meter = self._meter
        self._put(quantity, scale, integration)
        self._stage.advance(meter.aperture())
        value, unit, now = meter.read(), UNITS[quantity], self._stage.now
        if abs(value) >= OVERLOAD:
            return Measurement(math.copysign(math.inf, value), unit, math.inf, scale, True, now, quantity)
        u = self.uncertainty(quantity, value, scale, integration)
        return Measurement(value, unit, u, scale, False, now, quantity)

    def stop_current(self, range: float) -> None:
        """Without the reading: what nobody looks at is not solved."""
        scale, integration = self._setup("dc volts", range, QUICK_NPLC)
        self._put("dc volts", scale, integration)
        self._stage.advance(self._meter.aperture())

    def _put(self, quantity: QuantityName, scale: float | None, integration: float | None) -> None:
        """The input as a quantity and range need it."""
        meter = self._meter
        meter.quantity = QUANTITY[quantity]
        self._drives_current = quantity in WITH_CURRENT
        meter.range = None if quantity == "frequency" else scale
        meter.high_z = self.high_z
        if integration is not None:
            meter.nplc = integration
        meter.apply()

    def _setup(self, quantity: str, range: float | None, nplc: float | None) -> tuple[float | None, float | None]:
        """(range, nplc) in force (kept)."""
        found = self._setups.get((quantity, range, nplc))
        if found is None:
            found = self.range_for(quantity, range), self.nplc_for(quantity, nplc)
            self._setups[quantity, range, nplc] = found
        return found
