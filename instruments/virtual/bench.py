"""A whole virtual bench: one unit of a board, with supplies, meter, scanner and console on it.

    prepared = prepare(circuit, supplies={"USB": "VUSB"}, points={"TP1": "VIN"})     # once a board: compiles it
    bench = VirtualBench(prepared, unit="SK-A-001", faults=[parse_fault("D3:reversed")], target=spec)
    manager = pyvisa.ResourceManager(bench.visa())
    bench.clock, bench.console(), bench.overstress, bench.bench_description()

A unit's parts are drawn within their tolerances by its serial number, an instrument's errors by the instrument's, so
the same unit on the same bench reads the same tomorrow. Many benches may share what `prepare` returns.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from wakeboard.instruments.virtual.faces import face
from wakeboard.instruments.virtual.hardware.dmm import Probe
from wakeboard.instruments.virtual.hardware.psu import Rating, ScpiPsu, Wired
from wakeboard.instruments.virtual.hardware.scanner import Relays, Routes
from wakeboard.instruments.virtual.scpi.instrument import Instrument
from wakeboard.instruments.virtual.time.clock import VirtualClock
from wakeboard.instruments.virtual.time.instant import Instant, States
from wakeboard.instruments.virtual.time.stage import Stage
from wakeboard.instruments.virtual.time.waves import Waves
from wakeboard.instruments.virtual.wire.console import VirtualSerial

from .circuit import Circuit, Fault, Model, Overstress, Part, Simulation, Variant
from .circuit.bench.figures import KNOWN_OHMS, VOLTMETER_OHMS
from .circuit.bench.parts import METER, meter, supply_name
from .circuit.bench.parts import supplies as bench_supplies
from .mistakes import parse_mistakes
from .target import Target, TargetSpec

IDLE, LEAK = "bench_probe", "bench_leak"
TIES = ("bench_tie1", "bench_tie2")
TIE_OHMS = 0.9  # Ω of two relays and their wires (34980A data sheet: a path is below 1.5 Ω)
LEAK_OHMS = 1e9  # Ω of a probe that touches nothing: its net would have no voltage else
# the numbering of the 34970A with 20-channel cards; it has 3 slots, large boards need more
SLOT, SLOT_CHANNELS, SLOTS = 100, 20, 99
RESOLUTION = 5e-5  # s: what is shorter is not followed; a meter's shortest look takes longer
TOLERANCE = 2e-4  # of the largest capacitor's voltage: how far a step of a transient may be off
DEFAULT_LOADS = (KNOWN_OHMS,)
MAINS = "50 Hz"


@dataclass(frozen=True, slots=True)
class Prepared:
    """A board's circuit with the bench's parts, compiled. supplies, points: name -> net; loads: ohms of resistors;
    volts: the most that each supply is set to, where it is known."""

    circuit: Circuit
    model: Model
    supplies: Mapping[str, str]
    points: Mapping[str, str]
    loads: tuple[float, ...] = DEFAULT_LOADS
    ground: str = "GND"
    volts: Mapping[str, float] = field(default_factory=dict)


HIGH_VOLTS: Final = (Rating(60.0, 2.0),) * 3
"""A plain supply for boards of 24 V and more. Beyond 60 V a board is no longer one of extra-low voltage, direct."""


class NoOscilloscope(ValueError):
    """What is asked of the virtual oscilloscope cannot be, direct."""


class TooManyVolts(ValueError):
    """No output of the virtual supplies gives what a supply of the board asks for."""


def load_part(number: int) -> str:
    """The name of the circuit's part that stands for a test resistor of the bench."""
    return f"bench_load{number}"


def bench_parts(supplies: Mapping[str, str], loads: Sequence[float], ground: str) -> list[Part]:
    """The bench's own parts: supplies, the meter's input, relays that tie nets, test resistors."""
    probe = {"1": IDLE, "2": ground}
    parts = [*bench_supplies(supplies, ground), meter(ground, IDLE, VOLTMETER_OHMS)]
    parts.append(Part(LEAK, "resistor", probe, {"value": LEAK_OHMS}))
    parts += [Part(tie, "bleed", probe, {"value": TIE_OHMS, "on": False}) for tie in TIES]
    parts += [Part(load_part(n), "bleed", probe, {"value": ohms, "on": False}) for n, ohms in enumerate(loads, start=1)]
    return parts


def prepare(
    circuit: Circuit,
    supplies: Mapping[str, str],
    points: Mapping[str, str],
    loads: Sequence[float] = DEFAULT_LOADS,
    volts: Mapping[str, float] | None = None,
) -> Prepared:
    """Add the bench to a board's circuit and compile it; CircuitError as the circuit's."""
    whole = circuit.plus(*bench_parts(supplies, loads, circuit.ground))
    return Prepared(whole, whole.compile(), dict(supplies), dict(points), tuple(loads), circuit.ground, volts or {})


def unit_seed(unit: str) -> int:
    """The seed of a unit's parts: its serial number."""
    return zlib.crc32(unit.encode())


@dataclass(frozen=True, slots=True)
class Placed:
    """An instrument of the bench: its name and kind in a bench file, and its address in process."""

    name: str
    kind: str
    address: str
    instrument: Instrument
    feeds: Mapping[int, str] = field(default_factory=dict)
    sees: Mapping[int, str] = field(default_factory=dict)


class VirtualBench:
    """One unit on the bench. serials: instrument name -> serial number, where they matter."""

    def __init__(
        self,
        prepared: Prepared,
        *,
        unit: str = "0001",
        faults: Iterable[Fault] = (),
        target: TargetSpec | None = None,
        psu: str = "e36312a",
        dmm: str = "34461a",
        scanner: str = "34970a",
        scope: str = "",
        sees: Mapping[int, str] | None = None,
        serials: Mapping[str, str] | None = None,
        drawn: bool = True,
        transients: bool = True,
        mistakes: Iterable[str] = (),
        begins: States | None = None,
    ) -> None:
        """drawn False: every part has its nominal value. transients False: every change is settled at once, which is
        far quicker (instant.py). scope: whose language an oscilloscope speaks, "": none is there; sees: its channels ->
        points or nets. mistakes: of the bench itself (mistakes.py); ValueError for one that there is not. begins: see
        Instant."""
        self.prepared = prepared
        self.unit = unit
        variant = Variant(faults=tuple(faults), seed=unit_seed(unit) if drawn else None)
        self.simulation: Simulation | Instant
        if transients:
            self.simulation = Simulation(prepared.model, variant, resolution=RESOLUTION, tolerance=TOLERANCE)
        else:
            self.simulation = Instant(prepared.model, variant, begins)
        self.stage = Stage(self.simulation)
        self.clock = VirtualClock(self.stage)
        self.waves = Waves(self.stage)
        self.probe = Probe(self.stage, METER, IDLE, prepared.ground)
        self.mistakes = self.probe.mistakes = parse_mistakes(mistakes, prepared.supplies)
        self.serials = dict(serials or {})
        self.routes = self._routes()
        self.placed: list[Placed] = [*self._supplies(psu), self._meter(dmm), self._scanner(scanner)]
        if scope:
            self.placed.append(self._scope(scope, sees or {}))
        self.target = self._target(target)
        self._serial = VirtualSerial(self.stage, self.target, baudrate=target.baud if target else 115200)

    # --- building ---------------------------------------------------------------------------------------------------
    def _serial_of(self, name: str) -> str:
        return self.serials.get(name, f"WB{zlib.crc32(name.encode()) % 1_000_000:06d}")

    def _supplies(self, name: str) -> Iterable[Placed]:
        volts = {supply: self.prepared.volts.get(supply, 0.0) for supply in self.prepared.supplies}
        kind, ratings = _strong_enough(name, max(volts.values(), default=0.0))
        for count, feeds in enumerate(_spread_over([rating.volts for rating in ratings], volts), start=1):
            called = "supply" if count == 1 else f"supply{count}"
            wired = {n: self.mistakes.fed(s) for n, s in feeds.items()}
            wiring = {n: Wired(supply_name(s), self.prepared.supplies[s]) for n, s in wired.items()}
            instrument = kind(self.stage, self._serial_of(called), wiring, ratings)
            yield Placed(called, "psu", f"TCPIP::virtual-{called}::5025::SOCKET", instrument, feeds)

    def _meter(self, name: str) -> Placed:
        instrument = face("dmm", name)(self.stage, self._serial_of("meter"), self.probe, self.waves)
        return Placed("meter", "dmm", "TCPIP::virtual-meter::5025::SOCKET", instrument)

    def _scanner(self, name: str) -> Placed:
        loads = {channel: load_part(n) for n, channel in enumerate(self.routes.loads, start=1)}
        serial = self._serial_of("scanner")
        relays = Relays(self.stage, self.probe, self.routes, serial, TIES, loads)
        instrument = face("scanner", name)(self.stage, serial, relays)
        return Placed("scanner", "scanner", "TCPIP::virtual-scanner::5025::SOCKET", instrument)

    def _scope(self, name: str, sees: Mapping[int, str]) -> Placed:
        if not isinstance(self.simulation, Simulation):
            raise NoOscilloscope("an oscilloscope shows transients, and this bench settles each change at once")
        nets = {number: self.prepared.points.get(point, point) for number, point in sees.items()}
        if unknown := [net for net in nets.values() if net not in self.prepared.circuit.nets]:
            raise NoOscilloscope(f"no point or net {unknown[0]!r} for the oscilloscope")
        instrument = face("scope", name)(self.stage, self._serial_of("scope"), nets)
        if beyond := [number for number in nets if number not in instrument.scope.channels]:
            raise NoOscilloscope(f"the oscilloscope {name} has no channel {beyond[0]}")
        return Placed("scope", "scope", "TCPIP::virtual-scope::5025::SOCKET", instrument, sees=dict(sees))

    def _routes(self) -> Routes:
        numbers = _channel_numbers()
        nets = {next(numbers): net for net in self.prepared.points.values()}
        swap = next(numbers)
        loads = {next(numbers): ohms for ohms in self.prepared.loads}
        return Routes(nets, swap, loads, short=next(numbers))

    def _target(self, spec: TargetSpec | None) -> Target | None:
        if spec is None:
            return None
        part = self.prepared.circuit.part(spec.part)
        pins = frozenset(pin for pin in part.pins if pin in _io(part))
        return Target(spec, self.stage, self.waves, pins)

    # --- using ------------------------------------------------------------------------------------------------------
    @property
    def instruments(self) -> dict[str, Instrument]:
        """Instruments by the names that a bench file gives them."""
        return {item.name: item.instrument for item in self.placed}

    @property
    def psus(self) -> list[ScpiPsu]:
        """The supplies, for looking behind their faces."""
        return [item.instrument for item in self.placed if item.kind == "psu"]  # type: ignore[misc]

    def visa(self) -> object:
        """A VISA library for pyvisa.ResourceManager that reaches the instruments in process."""
        from wakeboard.instruments.virtual.wire.visa import VirtualVisa

        return VirtualVisa.of({item.address: item.instrument for item in self.placed}, self.stage)

    def console(self, *, timeout: float | None = None) -> VirtualSerial:
        """The board's console as an object with pySerial's interface; what was printed before waits in it."""
        self._serial.timeout = timeout
        return self._serial

    @property
    def overstress(self) -> list[Overstress]:
        """Parts that went past an absolute maximum, in order of time."""
        self.stage.catch_up()
        return list(self.simulation.overstress)

    @property
    def outputs_on(self) -> list[str]:
        """Supplies of the board whose bench output is on, whatever the instruments say."""
        return [
            supply
            for item in self.placed
            for number, supply in item.feeds.items()
            if item.instrument.supply.outputs[number - 1].on  # type: ignore[attr-defined]
        ]

    def bench_description(
        self, addresses: Mapping[str, str] | None = None, console: str | None = None
    ) -> dict[str, object]:
        """What a bench file says of this bench. addresses: instrument name -> address, where it is served elsewhere;
        console: the port that leads to the board's console."""
        addresses = addresses or {}
        instruments: dict[str, object] = {}
        for item in self.placed:
            entry: dict[str, object] = {"kind": item.kind, "address": addresses.get(item.name, item.address)}
            if item.feeds:
                entry["feeds"] = {str(number): supply for number, supply in item.feeds.items()}
            if item.sees:
                entry["sees"] = {str(number): point for number, point in item.sees.items()}
            instruments[item.name] = entry
        described: dict[str, object] = {"mains": MAINS, "instruments": instruments, "probing": self._probing()}
        if self.target is not None and console is not None:
            described["links"] = {"console": {"port": console, "baud": self.target.spec.baud}}
        return described

    def _probing(self) -> dict[str, object]:
        numbers = iter(self.routes.points)
        probing: dict[str, object] = {
            "by": "scanner",
            "routes": {point: next(numbers) for point in self.prepared.points},
        }
        if self.routes.swap is not None:
            probing["reverse"] = self.routes.swap
        if self.routes.short is not None:
            probing["short"] = self.routes.short
        for channel, ohms in self.routes.loads.items():
            probing.setdefault("bleed", {"ohms": f"{ohms:g} Ω", "route": channel})
        return probing


def _strong_enough(name: str, needed: float) -> tuple[type[ScpiPsu], tuple[Rating, ...]]:
    """The face that was asked for with its own ratings, or where these are too low a plain supply for more volts."""
    kind: type[ScpiPsu] = face("psu", name)
    if needed <= max(rating.volts for rating in kind.ratings):
        return kind, kind.ratings
    return face("psu", "plain"), HIGH_VOLTS


def _spread_over(ratings: Sequence[float], volts: Mapping[str, float]) -> list[dict[int, str]]:
    """Supplies on the channels of as many instruments as it takes: each on the first free one that gives its volts."""
    found: list[dict[int, str]] = [{}]
    for supply, needed in volts.items():
        if needed > max(ratings):
            raise TooManyVolts(
                f"{supply} is up to {needed:g} V; an output of the virtual bench gives {max(ratings):g} V"
            )
        if not any(n not in found[-1] and rating >= needed for n, rating in enumerate(ratings, start=1)):
            found.append({})
        channel = next(n for n, rating in enumerate(ratings, start=1) if n not in found[-1] and rating >= needed)
        found[-1][channel] = supply
    return found


def _channel_numbers() -> Iterator[int]:
    """101 … 120, 201 … 220, …: slots of 20 channels."""
    return (SLOT * slot + channel for slot in range(1, SLOTS + 1) for channel in range(1, SLOT_CHANNELS + 1))


def _io(part: Part) -> Mapping[str, object]:
    io = part.values.get("io", {})
    return io if isinstance(io, Mapping) else {}
