"""An opened bench: guard, meter, probing and consoles under one roof, whatever they are made of.

    with open_virtual(board, unit="SK-A-001", plants=["D3:reversed"]) as bench:   # in opening.py
        Runner(sequence, bench, start).run()

The meter's ranges are fixed by what the board can have: an automatic range would put other currents and burdens on it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Self

from wakeboard.harness.run.hand.clearance import Clear, nobody, nobody_moves
from wakeboard.harness.run.hand.leads import Leads
from wakeboard.instruments.errors import BenchError, DialectError
from wakeboard.instruments.virtual.circuit.bench.figures import OPEN_VOLTS, VOLTMETER_OHMS

if TYPE_CHECKING:
    from wakeboard.harness.run.ports import Clock, GuardShell, Probing
    from wakeboard.instruments.console import Console
    from wakeboard.instruments.link.traffic import Exchange, TrafficLog
    from wakeboard.instruments.ports import Measurement, MeterPort, ScopePort
    from wakeboard.instruments.virtual.bench import VirtualBench
    from wakeboard.results.records import InstrumentUsed

VOLT_RANGES = (10.0, 100.0, 1000.0)  # V; fixed, so that no change of range comes between the looks at a net that moves
NPLC = 1.0  # one mains period: hum averages out


class MeterOverload(BenchError):
    """The meter overloads on its largest range that the board may need."""


@dataclass(frozen=True)
class WiredScope:
    """An oscilloscope and what its probes sit on. nets: channel -> net; probe: their ratio, 10 for 10:1."""

    port: ScopePort
    nets: Mapping[str, str]
    probe: float = 10.0

    def channel_on(self, net: str) -> str | None:
        """The channel that sees a net."""
        return next((channel for channel, seen in self.nets.items() if seen == net), None)


@dataclass
class OpenBench:
    """highest_volts: the most that any supply of the board has; open_console: link name -> Console."""

    clock: Clock
    guard: GuardShell
    meter: MeterPort
    probing: Probing
    supplies: Sequence[str]
    highest_volts: float
    meter_name: str = "meter"
    open_console: Callable[[str], Console] | None = None
    volumes: Mapping[str, str] = field(default_factory=dict)
    ports: Mapping[str, tuple[str, int]] = field(default_factory=dict)  # link name -> serial port, baud
    runs_programs: bool = True  # False where a run is one of hundreds that are only computed
    instruments: Sequence[InstrumentUsed] = ()
    traffic: TrafficLog | None = None
    virtual: VirtualBench | None = None  # for those who look behind the instruments
    text: str = ""  # of the bench file
    cautions: Mapping[str, Sequence[str]] = field(default_factory=dict)  # what each supply cannot do
    input_ohms: float = VOLTMETER_OHMS
    load_tolerance: float = 0.001  # of the bench's test resistors, relative
    mains: float | None = None  # Hz, as the bench file has it or as it is usual where the computer says that it is
    scope: WiredScope | None = None
    relay_volts: float | None = None  # what the bench file lets relays, cables and fixture carry
    self_check: bool = True  # whether supply and meter are compared before a supply's first full voltage (wiring.py)
    at_once: bool = False  # whether each change is settled at once (a rehearsal's): there is nothing to wait for
    clear_hands: Clear = nobody  # asked before an output goes on
    leads: Leads = field(default_factory=lambda: Leads({}))  # of outputs that serve several supplies by turns
    move_leads: Callable[[str], None] = nobody_moves  # tells a person to move an output's leads to a supply
    zero_seen: Callable[[], None] = lambda: None  # told when the meter's leads were together and read zero
    closers: list[Callable[[], None]] = field(default_factory=list)
    _consoles: dict[str, Console] = field(default_factory=dict)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()

    def close(self) -> None:
        """Outputs off, then every link closed, each whatever the others do."""
        for close in [self.guard.close, *(console.close for console in self._consoles.values()), *self.closers]:
            try:
                close()
            except Exception:  # noqa: BLE001  closing goes on; the outputs' state is in the run's record
                continue
        self._consoles.clear()

    # --- the meter --------------------------------------------------------------------------------------------------
    def volts(self) -> Measurement:
        """DC volts on the smallest fixed range that fits. Raises MeterOverload."""
        for scale in VOLT_RANGES:
            if scale < self.highest_volts and scale != VOLT_RANGES[-1]:
                continue
            seen = self.meter.dc_volts(range=scale, nplc=NPLC)
            if not seen.overload:
                return seen
        raise MeterOverload("the meter overloads on every range: more than 1000 V, or a broken meter",
                            instrument=self.meter_name)  # fmt: skip

    def volts_or_overload(self) -> Measurement:
        """DC volts on the range that fits the board, as they are."""
        return self.meter.dc_volts(range=self._scale, nplc=NPLC)

    @property
    def can_be_high(self) -> bool:
        """Whether the meter's input can be made high-ohmic, and back to 10 MΩ, on the range in use."""
        return self.meter.can_be_high(self._scale)

    def ac_volts(self) -> Measurement:
        seen = self.meter.ac_volts(range=self._scale)
        if seen.overload:
            raise MeterOverload(f"the meter overloads on {self._scale:g} V AC", instrument=self.meter_name)
        return seen

    @property
    def _scale(self) -> float:
        return next(scale for scale in VOLT_RANGES if scale >= self.highest_volts or scale == VOLT_RANGES[-1])

    def frequency(self) -> Measurement:
        return self.meter.frequency()

    def ohms(self, scale: float) -> Measurement:
        return self.meter.ohms(scale, nplc=NPLC)

    def ohms_test(self, scale: float) -> tuple[float | None, float]:
        """(A, V): what the ohms test drives on this range, None where the dialect does not say; and the most that an
        open net sees, of any meter where it does not say."""
        amps, volts = self.meter.ohms_test(scale)
        return amps, OPEN_VOLTS if volts is None else volts

    def set_input(self, high: bool) -> bool:
        """High impedance or 10 MΩ; False where the meter cannot."""
        try:
            self.meter.input_ohms(high)
        except DialectError:
            return False
        finally:
            self.input_ohms = self.meter.input_resistance(self._scale)
        return True

    @property
    def bleed_ohms(self) -> float | None:
        """The bench's bleed resistor: the smallest known one; None where it has none."""
        loads = self.probing.loads()
        return min(loads) if loads else None

    @property
    def shunt_ohms(self) -> float | None:
        """The bleed resistor where relays can put it across by themselves; a person is not asked to for each net."""
        return None if self.probing.by_hand else self.bleed_ohms

    def shunt_u(self, ohms: float) -> float:
        """Standard uncertainty of a test resistor, Ω."""
        return self.load_tolerance * ohms / 3**0.5

    # --- the rest ---------------------------------------------------------------------------------------------------
    def console(self, link: str) -> Console:
        """The console on a link, opened when first asked for. Raises ConsoleError."""
        if link not in self._consoles:
            if self.open_console is None:
                raise BenchError(f'the bench has no link "{link}": [links.{link}] with its port is missing')
            self._consoles[link] = self.open_console(link)
        return self._consoles[link]

    def let_go(self, link: str) -> None:
        """Close the console on a link, so that another program can have its port; it is opened again when asked for."""
        console = self._consoles.pop(link, None)
        if console is not None:
            console.close()

    def take_traffic(self) -> list[Exchange]:
        """What was said since the last call, on every link that this process holds."""
        if self.traffic is None:
            return []
        taken = list(self.traffic)
        del self.traffic[: len(taken)]
        return taken
