"""The virtual bench's instruments driven straight, without their command languages: for hundreds of runs in a row.

What is measured and switched is the same hardware (instruments/virtual: output, meter, relays) with the same errors,
ranges and protections, and the same accuracy tables judge the readings; left out are the texts that a driver and an
instrument would exchange. Runner, guard and decisions above it are the ones of every run. That the outcomes are those
of a run through the texts is tested (tests/rehearse/test_same_as_run.py).

    bench = open_straight(board, virtual, Tables.of(board, virtual))
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final, cast

from wakeboard.harness.run.bench import OpenBench
from wakeboard.harness.run.guard.local import LocalGuard
from wakeboard.harness.run.guard.owner import Feed, Guard
from wakeboard.harness.run.opening import (
    _NoTraffic,
    _virtual_console,
    highest_volts,
    load_tolerance,
    open_drivers,
    relay_probing,
)
from wakeboard.instruments.dmm import Dmm, Measurement
from wakeboard.instruments.psu import Sample
from wakeboard.instruments.virtual.instant import Instant

if TYPE_CHECKING:
    from wakeboard.harness.describe.bench import Bench
    from wakeboard.harness.describe.board import Board
    from wakeboard.instruments.psu import Psu
    from wakeboard.instruments.virtual.bench import VirtualBench

QUANTITY: Final = {"dc volts": "VOLT", "ac volts": "VOLT:AC", "frequency": "FREQ", "ohms": "RES", "diode volts": "DIOD"}
UNIT: Final = {"dc volts": "V", "ac volts": "V", "frequency": "Hz", "ohms": "Ω", "diode volts": "V"}
OVERLOAD: Final = 9.8e37


@dataclass
class Tables:
    """What the drivers of a bench know of its instruments, asked once: identities, accuracy, ranges, routes."""

    described: Bench
    psus: dict[str, Psu]
    dmms: dict[str, Dmm]
    scanners: dict[str, Any]
    used: tuple[Any, ...]

    @classmethod
    def of(cls, virtual: VirtualBench) -> Tables:
        from wakeboard.harness.describe.bench import Bench

        described = Bench.model_validate(virtual.bench_description(console="virtual"))
        manager = virtual.visa()
        drivers = open_drivers(
            described, ("psu", "dmm", "scanner"), manager=manager, clock=virtual.clock, traffic=_NoTraffic()
        )
        found = cls(described, dict(drivers.psus), dict(drivers.dmms), dict(drivers.scanners), tuple(drivers.used))
        for psu in found.psus.values():
            for channel in psu.channels:
                psu.limits(channel)
                psu.most_ocp_delay(channel)
        return found


class StraightPsu:
    """The part of a supply's driver that a guard uses."""

    def __init__(self, driver: Psu, instrument: Any) -> None:
        self._driver = driver  # for what it knows by now, without a word to the instrument
        self.can = driver.can
        self.amps_accuracy = driver.amps_accuracy
        self.channels = driver.channels
        self._supply = instrument.supply
        self._stage = instrument.supply.outputs[0].stage
        self._outputs: dict[str | int, Any] = {}
        self._commanded: set[str] = set()
        self._seen: dict[str | int, tuple[Any, tuple[float, float, Any, bool, Any]]] = {}

    def _output(self, ch: str | int) -> Any:
        output = self._outputs.get(ch)
        if output is None:
            output = self._outputs[ch] = self._supply[int(ch)]
        return output

    def set(self, ch: str | int, volts: float, amps: float) -> None:
        output = self._output(ch)
        output.set_amps(amps)
        output.set_volts(volts)

    def most_ocp_delay(self, ch: str | int) -> float | None:
        return self._driver.most_ocp_delay(ch)

    def unprotect(self, ch: str | int) -> None:
        self._output(ch).settings.ocp_on = False

    def protect(
        self, ch: str | int, ovp: float | None = None, ocp: float | None = None, delay: float | None = None
    ) -> None:
        output = self._output(ch)
        if delay is not None:
            output.settings.ocp_delay = delay
        if ovp is not None:
            output.set_ovp(ovp)
            output.settings.ovp_on = True
        if ocp is not None:
            output.set_ocp(ocp)
            output.settings.ocp_on = True

    def on(self, ch: str | int) -> None:
        self._output(ch).switch(True)
        self._commanded.add(str(ch))

    def off(self, ch: str | int) -> bool:
        self._output(ch).switch(False)
        self._commanded.discard(str(ch))
        return True

    def is_on(self, ch: str | int) -> bool:
        return bool(self._output(ch).on)

    def check_settings(self, ch: str | int) -> None:
        """Nobody else can change them here."""

    def tripped(self, ch: str | int) -> str | None:
        trip: str | None = self._output(ch).tripped
        return trip or ("other" if str(ch) in self._commanded and not self._output(ch).on else None)

    def clear(self, ch: str | int) -> bool:
        output = self._output(ch)
        self.off(ch)
        output.set_volts(0.0)
        output.clear(False)
        return False

    def measure(self, ch: str | int) -> tuple[float, float]:
        output = self._output(ch)
        return output.read_volts(), output.read_amps()

    def sample(self, ch: str | int) -> Sample:
        """What the output shows: the same until something changes, since the circuit is settled at once."""
        output = self._output(ch)
        trip = self.tripped(ch)
        key = self._stage.version, output.on, trip
        known = self._seen.get(ch)
        if known is None or known[0] != key:
            mode: Any = output.mode if output.on and trip is None else "off"
            known = self._seen[ch] = key, (output.read_volts(), output.read_amps(), mode, output.on, cast(Any, trip))
        return Sample(*known[1], self._stage.now)


class StraightDmm:
    """A meter's driver as far as the runner uses it."""

    def __init__(self, driver: Dmm, instrument: Any) -> None:
        self._driver = driver
        self.dialect, self.link, self.speaker = driver.dialect, driver.link, driver.speaker
        self._meter = instrument.meter
        self._stage = instrument.meter.probe.stage
        self._nplc_default = driver.dialect.default_nplc
        self.high_z = driver.dialect.always_high_z
        self.drives_current = False

    def dc_volts(self, range: float | None = None, nplc: float | None = None, count: int = 1) -> Measurement:
        return self._take("dc volts", range, nplc)

    def ac_volts(self, range: float | None = None, count: int = 1) -> Measurement:
        return self._take("ac volts", range, None)

    def frequency(self, range: float | None = None, count: int = 1) -> Measurement:
        return self._take("frequency", range, None)

    def ohms(self, range: float | None, nplc: float | None = None, count: int = 1) -> Measurement:
        return self._take("ohms", range, nplc)

    def input_ohms(self, high: bool) -> float:
        self.high_z = high
        self._driver.high_z = high
        return self._driver.input_resistance(None)

    def input_resistance(self, range: float | None) -> float:
        return self._driver.input_resistance(range)

    def test_amps(self, quantity: str, range: float | None) -> float | None:
        return self._driver.test_amps(quantity, range)

    def says_high_z(self) -> bool | None:
        """As with `mains` and `calibrated`: what a meter tells of itself is for a person, and nobody reads it here."""
        return None

    def mains(self) -> float | None:
        return None

    def calibrated(self) -> str | None:
        return None

    def _take(self, quantity: str, wanted: float | None, nplc: float | None) -> Measurement:
        scale, integration = _setup(self._driver, quantity, wanted, nplc)
        meter = self._meter
        meter.quantity = QUANTITY[quantity]
        self.drives_current = quantity in ("ohms", "diode volts")
        meter.range = None if quantity == "frequency" else scale
        meter.high_z = self.high_z
        if integration is not None:
            meter.nplc = integration
        meter.apply()
        self._stage.advance(meter.aperture())
        value, unit, now = meter.read(), UNIT[quantity], self._stage.now
        if abs(value) >= OVERLOAD:
            sign = -1.0 if value < 0 else 1.0
            return Measurement(sign * float("inf"), unit, float("inf"), scale, True, now, quantity)
        half, step = _accuracy(self._driver, quantity, scale, integration)
        fixed, share = half
        u = ((fixed + share * abs(value)) ** 2 / 3 + (step * abs(scale or value)) ** 2 / 12) ** 0.5
        return Measurement(value, unit, u, scale, False, now, quantity)


@lru_cache(maxsize=256)
def _setup(driver: Dmm, quantity: str, wanted: float | None, nplc: float | None) -> tuple[float | None, float | None]:
    """(range, nplc) in force, as the driver chooses them."""
    spec = driver.quantity(quantity)
    return driver._range(spec, quantity, wanted), driver._nplc(spec, nplc)


@lru_cache(maxsize=256)
def _accuracy(driver: Dmm, quantity: str, scale: float | None, nplc: float | None) -> tuple[tuple[float, float], float]:
    """((fixed half-width, its share of the reading), resolution as a share of range): accuracy is a straight line."""
    spec = driver.quantity(quantity)
    at = scale or 1.0
    fixed = driver.accuracy(quantity, 0.0, scale, nplc)
    return (fixed, (driver.accuracy(quantity, at, scale, nplc) - fixed) / at), spec.resolution


class StraightScanner:
    """A scanner's driver as far as the probing uses it."""

    def __init__(self, driver: Any, instrument: Any) -> None:
        self.dialect, self.link, self.speaker = driver.dialect, driver.link, driver.speaker
        self.switched: frozenset[str] = frozenset()  # nobody keeps these relays' counts
        self._relays = instrument.relays

    def count(self, ch: str | int) -> int | None:
        return None

    def most_volts(self) -> float | None:
        return None

    def close(self, ch: str | int) -> None:
        self._relays.close((int(ch),))

    def open(self, ch: str | int) -> None:
        self._relays.open((int(ch),))

    def only(self, ch: str | int) -> None:
        self._relays.arrange([int(ch)])

    def open_all(self) -> None:
        self._relays.arrange([])


@dataclass
class _Drivers:
    psus: dict[str, StraightPsu]
    dmms: dict[str, StraightDmm]
    scanners: dict[str, StraightScanner]


def open_straight(board: Board, virtual: VirtualBench, tables: Tables) -> OpenBench:
    """Like harness/run/opening.open_virtual, on instruments driven straight; of a bench without transients."""
    if not isinstance(virtual.simulation, Instant):
        raise ValueError("instruments are driven straight only where every change is settled at once")
    instruments, traffic = virtual.instruments, _NoTraffic()
    drivers = _Drivers(
        {name: StraightPsu(driver, instruments[name]) for name, driver in tables.psus.items()},
        {name: StraightDmm(driver, instruments[name]) for name, driver in tables.dmms.items()},
        {name: StraightScanner(driver, instruments[name]) for name, driver in tables.scanners.items()},
    )
    feeds = {
        supply: Feed(cast(Any, drivers.psus[name]), channel, name, _nothing)
        for supply, (name, channel) in tables.described.supplies.items()
    }
    return OpenBench(
        clock=virtual.clock,
        guard=LocalGuard(Guard(feeds, virtual.clock, traffic), virtual.clock),
        meter=next(iter(drivers.dmms.values())),
        meter_name=next(iter(drivers.dmms)),
        probing=relay_probing(board, tables.described, cast(Any, drivers)),
        supplies=tuple(tables.described.supplies),
        load_tolerance=load_tolerance(tables.described),
        highest_volts=highest_volts(board),
        open_console=lambda _link: _virtual_console(virtual, traffic),
        instruments=tables.used,
        traffic=traffic,
        virtual=virtual,
    )


def _nothing(*_: object) -> None:
    """There is no link to open again."""


__all__: Sequence[str] = ("StraightDmm", "StraightPsu", "StraightScanner", "Tables", "open_straight")
