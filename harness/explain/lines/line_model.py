"""What the line analysis knows: readings under known loads, fitted resistors, rails, thresholds, drivers.

No circuit is needed for any of it. Volts are against ground; tolerances are relative half-widths; a meter's errors are
half-widths as its accuracy table states them, and are shared by all readings that name the same meter.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from wakeboard.harness.explain.evidence.uncertainty import Array, Input
from wakeboard.instruments.virtual.circuit.bench.figures import HIGH_OHMS, VOLTMETER_OHMS

GROUND = "GND"


@dataclass(frozen=True, slots=True)
class Resistor:
    """A known resistor from the line to a rail or to ground: a fitted pull, a test resistor or the meter's input."""

    name: str
    ohms: float
    tolerance: float = 0.0
    to: str = GROUND

    @property
    def input(self) -> Input:
        return Input(f"{self.name} ohms", self.ohms, self.ohms * self.tolerance)


METER_10M = Resistor("meter input", VOLTMETER_OHMS, 0.01)
METER_HIGH = Resistor("meter input, high impedance", HIGH_OHMS, 0.5)  # "> 10 GΩ": 10 to 30 GΩ, too much to matter


@dataclass(frozen=True, slots=True)
class MeterError:
    """How far a meter may be off: gain (relative) and offset (volts), both half-widths, shared by all its readings."""

    name: str = "meter"
    gain: float = 0.0
    offset: float = 0.0

    @property
    def inputs(self) -> list[Input]:
        return [Input(f"{self.name} gain", 0.0, self.gain), Input(f"{self.name} offset", 0.0, self.offset)]

    def true_volts(self, shown: float, drawn: dict[str, Array]) -> Array:
        """What stood there, given what the meter showed, for every draw of its errors."""
        volts: Array = shown * (1 - drawn[f"{self.name} gain"]) - drawn[f"{self.name} offset"]
        return volts


@dataclass(frozen=True, slots=True)
class LineReading:
    """One mean voltage of a line under its loads (meter input included), with AC RMS and frequency where taken."""

    volts: float
    loads: tuple[Resistor, ...] = (METER_10M,)
    meter: MeterError = field(default_factory=MeterError)
    scatter: float = 0.0  # standard deviation of the mean, V: noise and resolution, its own for each reading
    ac_volts: float | None = None
    hertz: float | None = None
    state: str = ""

    @property
    def u(self) -> float:
        """Standard uncertainty of the mean, V."""
        parts = (self.meter.gain * self.volts) ** 2 / 3 + self.meter.offset**2 / 3 + self.scatter**2
        return float(parts**0.5)

    @property
    def load_ohms(self) -> float:
        """All loads in parallel."""
        return 1 / sum(1 / r.ohms for r in self.loads)


@dataclass(frozen=True, slots=True)
class Rail:
    """A rail a pull may go to. With `meter`, that meter showed its volts (shared errors); else `half_width` holds."""

    name: str
    volts: float
    half_width: float = 0.0
    meter: MeterError | None = None
    scatter: float = 0.0

    @property
    def inputs(self) -> list[Input]:
        if self.meter is None:
            return [Input(f"{self.name} volts", self.volts, self.half_width)]
        return [*self.meter.inputs, Input(f"{self.name} scatter", 0.0, self.scatter, "normal")]

    def true_volts(self, drawn: dict[str, Array]) -> Array:
        if self.meter is None:
            return drawn[f"{self.name} volts"]
        return self.meter.true_volts(self.volts, drawn) - drawn[f"{self.name} scatter"]

    @property
    def span(self) -> tuple[float, float]:
        """Lowest and highest volts that it may have."""
        if self.meter is None:
            width = self.half_width
        else:
            width = abs(self.meter.gain * self.volts) + self.meter.offset + 2 * self.scatter
        return self.volts - width, self.volts + width


GROUND_RAIL = Rail(GROUND, 0.0)


@dataclass(frozen=True, slots=True)
class Thresholds:
    """At or below `low` volts the line is low, at or above `high` it is high, between it is neither."""

    low: float
    high: float

    def level(self, volts: float) -> str:
        if volts <= self.low:
            return "low"
        return "high" if volts >= self.high else "between"


@dataclass(frozen=True, slots=True)
class Driver:
    """What moves the line: rated current (A) either way, its output resistance (worst case, Ω), the volts it drives."""

    name: str
    rated_amps: float = 4e-3
    ohms: float = 100.0
    high_volts: float = 3.3
    low_volts: float = 0.0
