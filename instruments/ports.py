"""What a runner and a guard need of an instrument, however it is reached.

Two things fit these: the drivers (psu.py, dmm.py, scanner.py, scope.py) over a link, and instruments/virtual/hardware,
the virtual instruments without their languages, which a rehearsal drives hundreds of times in a row.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, Protocol

if TYPE_CHECKING:
    from .dialect_tables import Accuracy, Can
    from .waveform import Waveform

Ch = str | int
Mode = Literal["cv", "cc", "off", "unregulated", "unknown"]
Trip = Literal["ovp", "ocp", "other"] | None


@dataclass(frozen=True, slots=True)
class Measurement:
    """value in `unit`; u: standard uncertainty in the same unit; range in force; time on the bench's clock.

    An overload has value ±inf and u inf: the quantity lies beyond the range, or nothing could be measured.
    """

    value: float
    unit: str
    u: float
    range: float | None = None
    overload: bool = False
    time: float = 0.0
    quantity: str = ""
    count: int = 1
    scatter: float = 0.0


@dataclass(frozen=True, slots=True)
class OutputSample:
    """One look at a supply's output. trip: what the polled bits say, "other" when it was commanded on and is off."""

    volts: float
    amps: float
    mode: Mode
    on: bool
    trip: Trip = None
    time: float = 0.0


@dataclass(frozen=True, slots=True)
class View:
    """A channel that is shown: the volts at the probe's tip that must lie on the screen; its ratio, 10 for 10:1."""

    channel: str
    low: float
    high: float
    probe: float = 10.0


@dataclass(frozen=True, slots=True)
class Shot:
    """s before and after the trigger that are kept; the channel and V at which it triggers, rising."""

    before: float
    after: float
    channel: str
    level: float


class InstrumentPort(Protocol):
    """name: what the bench calls it."""

    @property
    def name(self) -> str: ...

    def told(self, what: str) -> Any:
        """What it tells of itself: of a meter "mains" (Hz), "input" (high-ohmic or not), "calibrated", "terminals"; of
        relays "most_volts". None where it does not tell."""
        ...


class MeterPort(InstrumentPort, Protocol):
    """drives_current: whether the function set last sends a test current through the leads."""

    @property
    def drives_current(self) -> bool: ...

    def dc_volts(self, range: float | None = None, nplc: float | None = None, count: int = 1) -> Measurement: ...
    def ac_volts(self, range: float | None = None, count: int = 1) -> Measurement: ...
    def frequency(self, range: float | None = None, count: int = 1) -> Measurement: ...
    def stop_current(self, range: float) -> None:
        """Into dc volts on a range, where no test current flows, as quickly as it can."""
        ...

    def ohms(self, range: float | None, nplc: float | None = None, count: int = 1) -> Measurement: ...
    def input_ohms(self, high: bool) -> float: ...
    def can_be_high(self, range: float) -> bool: ...
    def input_resistance(self, range: float | None) -> float: ...
    def ohms_test(self, range: float) -> tuple[float | None, float | None]:
        """(A, V): its test current on an ohms range and the most that an open circuit may see; None: not known."""
        ...


class SupplyPort(InstrumentPort, Protocol):
    """Channels are named "1", "2", …; numbers are taken too. What safety rests on is confirmed by whoever fits this."""

    @property
    def can(self) -> Can: ...
    @property
    def amps_accuracy(self) -> Accuracy: ...
    @property
    def channels(self) -> Sequence[str]: ...
    @property
    def settle_s(self) -> float | None:
        """s from a command to the output having moved, at most; None: not known."""
        ...

    def set(self, ch: Ch, volts: float, amps: float) -> None: ...
    def most_ocp_delay(self, ch: Ch) -> float | None: ...
    def protect(
        self, ch: Ch, ovp: float | None = None, ocp: float | None = None, delay: float | None = None
    ) -> None: ...
    def unprotect(self, ch: Ch) -> None: ...
    def on(self, ch: Ch) -> None: ...
    def off(self, ch: Ch) -> bool: ...
    def is_on(self, ch: Ch) -> bool | None: ...
    def check_settings(self, ch: Ch) -> None:
        """Raises SettingError where the voltage or limit in force is not what was set here."""
        ...

    def tripped(self, ch: Ch) -> str | None: ...
    def untripped(self, ch: Ch) -> bool:
        """Whether it says of each protection that is armed that it has not tripped; False where it cannot tell."""
        ...

    def clear(self, ch: Ch) -> bool: ...
    def measure(self, ch: Ch) -> tuple[float, float]: ...
    def sample(self, ch: Ch) -> OutputSample: ...


class ScopePort(InstrumentPort, Protocol):
    """An oscilloscope that takes one shot when a voltage rises. Channels are numbers from 1 on, written as text."""

    def prepare(self, views: Sequence[View], shot: Shot) -> None:
        """Channels, time base and trigger, read back. Raises SettingError for what it cannot show."""
        ...

    def arm(self) -> None:
        """Wait for one trigger; returns once the instrument says that it waits."""
        ...

    def done(self) -> bool:
        """Whether the shot is whole."""
        ...

    def stop(self) -> None: ...
    def read(self, channel: str) -> Waveform:
        """A channel of the last shot."""
        ...


class RelaysPort(InstrumentPort, Protocol):
    """rated_volts: what they may carry, V; hot_amps: what they may break, A; life: operations at rated load; switched:
    the channels moved so far. None: not known."""

    @property
    def rated_volts(self) -> float | None: ...
    @property
    def hot_amps(self) -> float | None: ...
    @property
    def life(self) -> float: ...
    @property
    def counts(self) -> bool:
        """Whether the card counts its relays' operations."""
        ...

    @property
    def switched(self) -> Collection[str]: ...

    def count(self, ch: Ch) -> int | None: ...
    def is_closed(self, ch: Ch) -> bool: ...
    def close(self, ch: Ch) -> None: ...
    def open(self, ch: Ch) -> None: ...
    def only(self, ch: Ch) -> None: ...
    def open_all(self) -> None: ...
