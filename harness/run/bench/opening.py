"""Open a bench: the virtual one in process, or the instruments of a bench file, each identified before it is trusted.

with open_virtual(board, unit="SK-A-001") as bench: ...
with open_real(board, described) as bench: ...            the guard is a process of its own then
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from wakeboard.harness.run import presses
from wakeboard.harness.run.bench.bench import OpenBench, WiredScope
from wakeboard.harness.run.bench.calibration import check_calibration
from wakeboard.harness.run.bench.mains import usual_mains
from wakeboard.harness.run.bench.probing import HandProbing, RelayProbing
from wakeboard.harness.run.errors import OutputsOn
from wakeboard.harness.run.guard.local import LocalGuard
from wakeboard.harness.run.guard.owner import Feed, Guard
from wakeboard.harness.run.hand.clearance import Clear, nobody, nobody_moves, settled
from wakeboard.harness.run.hand.leads import Leads, MovedLeads
from wakeboard.instruments.errors import BenchError
from wakeboard.instruments.link.traffic import Direction, TrafficLog
from wakeboard.results.records import InstrumentUsed

if TYPE_CHECKING:
    from wakeboard.harness.describe.bench import Bench, Instrument
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.run.guard.client import ProcessGuard
    from wakeboard.harness.run.hand.byhand import SteadyHands
    from wakeboard.harness.run.ports import Probing
    from wakeboard.instruments.clock import Clock
    from wakeboard.instruments.console import Console
    from wakeboard.instruments.link.identity import Identity
    from wakeboard.instruments.ports import MeterPort, RelaysPort
    from wakeboard.instruments.scpi.dmm import Dmm
    from wakeboard.instruments.scpi.opening import Driver
    from wakeboard.instruments.scpi.psu import Psu
    from wakeboard.instruments.scpi.scanner import Scanner
    from wakeboard.instruments.scpi.scope import Scope
    from wakeboard.instruments.virtual.bench import Prepared, VirtualBench


# of a bench resistor whose tolerance the file leaves out: 0.1 % film (common practice, no source)
DEFAULT_LOAD_TOLERANCE = 0.001


@dataclass
class Drivers:
    """The opened instruments of a bench, by name. Closing goes on past one that fails."""

    psus: dict[str, Psu] = field(default_factory=dict)
    dmms: dict[str, Dmm] = field(default_factory=dict)
    scanners: dict[str, Scanner] = field(default_factory=dict)
    scopes: dict[str, Scope] = field(default_factory=dict)
    used: list[InstrumentUsed] = field(default_factory=list)

    def close(self) -> None:
        for table in self.by_kind().values():
            for driver in table.values():
                with contextlib.suppress(BenchError, OSError):
                    driver.link.close()
            table.clear()

    @property
    def meter(self) -> Dmm | None:
        return next(iter(self.dmms.values()), None)

    def by_kind(self) -> dict[str, dict[str, Any]]:
        return {"psu": self.psus, "dmm": self.dmms, "scanner": self.scanners, "scope": self.scopes}


def open_drivers(
    described: Bench, kinds: Iterable[str], *, manager: object = None, clock: Clock | None = None,
    traffic: TrafficLog | None = None, only: Iterable[str] | None = None,
) -> Drivers:  # fmt: skip
    """Open and identify the instruments of these kinds. Raises BenchError naming the first that fails."""
    drivers = Drivers()
    wanted = None if only is None else set(only)
    try:
        for instrument in described.instruments.values():
            if instrument.kind in kinds and (wanted is None or instrument.name in wanted):
                _open(drivers, instrument, manager, clock, traffic)
    except BaseException:
        drivers.close()
        raise
    return drivers


def _open(
    drivers: Drivers, instrument: Instrument, manager: object, clock: Clock | None, traffic: TrafficLog | None
) -> None:
    driver = open_driver(instrument, manager=manager, clock=clock, traffic=traffic)
    drivers.by_kind()[instrument.kind][instrument.name] = driver
    drivers.used.append(used(instrument, driver))


def open_driver(
    instrument: Instrument, *, manager: object = None, clock: Clock | None = None, traffic: TrafficLog | None = None,
    exclusive: bool | None = None,
) -> Driver:  # fmt: skip
    """One instrument of a bench file, identified. Raises BenchError."""
    from wakeboard.instruments.scpi.opening import open_instrument

    return open_instrument(
        instrument.kind,
        instrument.address,
        name=instrument.name,
        dialect=instrument.dialect,
        identity=instrument.identity,
        timeout=instrument.timeout,
        terminator=instrument.terminator,
        resource_manager=manager,
        visa=instrument.visa,
        traffic=traffic,
        clock=clock,
        exclusive=exclusive,
    )


def used(instrument: Instrument, driver: Driver) -> InstrumentUsed:
    """What a run keeps of an instrument, which has identified itself."""
    assert driver.identity is not None
    return _used(instrument, driver.identity, driver.dialect.name)


def _used(instrument: Instrument, identity: Identity, dialect: str) -> InstrumentUsed:
    return InstrumentUsed(
        name=instrument.name,
        kind=instrument.kind,
        maker=identity.maker,
        model=identity.model,
        serial=identity.serial,
        firmware=identity.firmware,
        address=instrument.address,
        dialect=dialect,
        calibrated=instrument.calibrated.isoformat() if instrument.calibrated else None,
        calibration_due=instrument.due.isoformat() if instrument.due else None,
    )


# --- the virtual bench, in process ----------------------------------------------------------------------------------
def open_virtual(
    board: Board,
    *,
    unit: str,
    plants: Iterable[str] = (),
    prepared: Prepared | None = None,
    virtual: VirtualBench | None = None,
    keep_traffic: bool = True,
    **options: Any,
) -> OpenBench:
    """One unit of a board on the virtual bench, on its virtual clock. `virtual`: a bench that was made already."""
    from wakeboard.harness.describe.bench import Bench
    from wakeboard.harness.run.bench.virtual import virtual_bench

    made = virtual or virtual_bench(board, unit=unit, plants=plants, prepared=prepared, **options)
    described = Bench.model_validate(made.bench_description(console="virtual"))
    traffic = TrafficLog() if keep_traffic else NoTraffic()
    kinds = ("psu", "dmm", "scanner", "scope")
    drivers = open_drivers(described, kinds, manager=made.visa(), clock=made.clock, traffic=traffic)
    guard = LocalGuard(Guard(feeds_of(described, drivers.psus), made.clock, traffic), made.clock)
    return OpenBench(
        clock=made.clock,
        guard=guard,
        meter=next(iter(drivers.dmms.values())),
        meter_name=next(iter(drivers.dmms)),
        probing=relay_probing(board, described, drivers.scanners, drivers.meter),
        supplies=tuple(described.supplies),
        load_tolerance=load_tolerance(described),
        highest_volts=highest_volts(board),
        open_console=lambda _link: virtual_console(made, traffic),
        instruments=tuple(drivers.used),
        traffic=traffic,
        virtual=made,
        self_check=options.get("transients", True),
        scope=scope_of(board, described, drivers),
        clear_hands=settled,
        mains=described.mains,
        closers=[drivers.close],
    )


def _nothing() -> None:
    """Nobody wants to know."""


class NoTraffic(TrafficLog):
    """A traffic log that keeps nothing."""

    def add(self, time: float, instrument: str, direction: Direction, text: str) -> None:
        """Forgotten."""


def virtual_console(made: VirtualBench, traffic: TrafficLog) -> Console:
    from wakeboard.instruments.console import Console

    return Console(made.console(), clock=made.clock, traffic=traffic)


# --- a real bench, or the virtual one over the wire -----------------------------------------------------------------
def open_real(
    board: Board,
    described: Bench,
    *,
    tell: Callable[[str, str], None] | None = None,
    keep_traffic: bool = True,
    hands: SteadyHands | None = None,
    clear_hands: Clear = nobody,
    move_leads: Callable[[str], None] = nobody_moves,
) -> OpenBench:
    """The instruments of a bench file; the supplies belong to the guard's process. Raises BenchError.

    tell: prompts for probing by hand; a bench that probes by hand cannot be opened without. hands: takes a reading by
    itself once it is steady. clear_hands: asked before an output goes on; by default nothing may. move_leads: tells a
    person which supply the leads of an output that serves several go to.
    """
    from wakeboard.harness.run.guard.client import ProcessGuard
    from wakeboard.harness.run.guard.supplies import plan_of
    from wakeboard.instruments.clock import RealClock

    for instrument in described.instruments.values():
        check_calibration(instrument)
    clock = RealClock()
    traffic = TrafficLog() if keep_traffic else NoTraffic()
    guard = ProcessGuard(
        plan_of(described)
    )  # first: it starts while the rest is opened, and nothing is energised without it
    try:
        drivers = open_drivers(described, ("dmm", "scanner", "scope"), clock=clock, traffic=traffic)
        if not drivers.dmms:
            raise BenchError('the bench file names no meter: [instruments.NAME] with kind = "dmm"')
        probing = _probing(board, described, drivers, tell, hands)
    except BaseException as error:
        presses.hold()
        guard.close()
        if guard.left is None or not guard.left.confirmed:
            says = guard.left.says() if guard.left is not None else "outputs not confirmed off: the guard did not say"
            raise OutputsOn(f"{says}; {error or type(error).__name__}") from error
        raise
    leads = Leads(described.by_turns)
    return OpenBench(
        clock=clock,
        guard=MovedLeads(guard, leads) if described.by_turns else guard,
        leads=leads,
        move_leads=move_leads,
        meter=next(iter(drivers.dmms.values())),
        meter_name=next(iter(drivers.dmms)),
        probing=probing,
        supplies=tuple(described.supplies),
        load_tolerance=load_tolerance(described),
        highest_volts=highest_volts(board),
        open_console=lambda link: _real_console(board, described, link, clock, traffic),
        volumes={name: volume.path for name, volume in described.volumes.items()},
        ports={name: (link.port, _baud(board, described, name)) for name, link in described.links.items()},
        instruments=(*_guarded(described, guard), *drivers.used),
        traffic=traffic,
        text=described.text,
        cautions=guard.cautions,
        mains=described.mains or usual_mains(),
        clear_hands=clear_hands,
        zero_seen=hands.zero_seen if hands is not None else _nothing,
        relay_volts=described.probing.volts,
        scope=scope_of(board, described, drivers),
        closers=[drivers.close],
    )


def _guarded(described: Bench, guard: ProcessGuard) -> list[InstrumentUsed]:
    """The supplies, as they identified themselves to the guard's process."""
    from wakeboard.instruments.link.identity import Identity

    return [
        _used(instrument, Identity(**guard.identities[instrument.name]), guard.dialects[instrument.name])
        for instrument in described.of_kind("psu")
    ]


def _probing(
    board: Board, described: Bench, drivers: Drivers, tell: Callable[[str, str], None] | None,
    hands: SteadyHands | None,
) -> Probing:  # fmt: skip
    if described.probing.by != "hand":
        return relay_probing(board, described, drivers.scanners, drivers.meter)
    if tell is None:
        raise BenchError("this bench probes by hand, and nobody may be asked (--no-input, or no terminal)")
    return hand_probing(board, described, tell, hands)


def _real_console(board: Board, described: Bench, link: str, clock: Clock, traffic: TrafficLog) -> Console:
    from wakeboard.instruments.console import Console

    entry = described.links.get(link)
    if entry is None:
        raise BenchError(f'the bench file has no link "{link}": [links.{link}] with its port')
    return Console(
        entry.port, _baud(board, described, link), name=link, dtr=entry.dtr, rts=entry.rts, clock=clock, traffic=traffic
    )


def _baud(board: Board, described: Bench, link: str) -> int:
    declared = board.links.get(link)
    return described.links[link].baud or (declared.baud if declared else 115200)


# --- what both kinds of bench share ---------------------------------------------------------------------------------
def feeds_of(described: Bench, psus: Mapping[str, Psu]) -> dict[str, Feed]:
    """The off-list: every output that feeds the board."""
    return {
        supply: Feed(psus[name], channel, name, psus[name].link.reopen)
        for supply, (name, channel) in described.supplies.items()
    }


def highest_volts(board: Board) -> float:
    """The most that any supply of the board may have."""
    return max(supply.limits.high or supply.volts.high for supply in board.supplies.values())


def relay_probing(
    board: Board, described: Bench, scanners: Mapping[str, RelaysPort], meter: MeterPort | None
) -> RelayProbing:
    """Probing through the bench's scanner, with what reverses the leads and the bleed resistor where there are."""
    probing = described.probing
    scanner = scanners[described.scanner.name] if described.scanner else next(iter(scanners.values()))
    routes: dict[str, str] = {}
    for point, channel in probing.routes.items():
        routes.setdefault(board.net_of(point), channel)
    loads = {}
    if probing.bleed is not None and probing.bleed.route is not None:
        loads[probing.bleed.ohms.nominal] = probing.bleed.route
    return RelayProbing(
        scanner, routes, reverse_channel=probing.reverse, short_channel=probing.short, load_channels=loads,
        meter=meter, most_volts=highest_volts(board),
    )  # fmt: skip


def scope_of(board: Board, described: Bench, drivers: Drivers) -> WiredScope | None:
    """The bench's oscilloscope with the net of each channel; None where it has none. Of several: the first."""
    for instrument in described.of_kind("scope"):
        nets = {channel: board.net_of(point) for channel, point in instrument.sees.items()}
        return WiredScope(drivers.scopes[instrument.name], nets, instrument.probe)
    return None


def load_tolerance(described: Bench) -> float:
    """The tolerance of the bench's test resistor, relative; a thousandth where the file does not say."""
    bleed = described.probing.bleed
    return (bleed.ohms.tolerance if bleed else 0.0) or DEFAULT_LOAD_TOLERANCE


def hand_probing(
    board: Board, described: Bench, tell: Callable[[str, str], None], hands: SteadyHands | None = None
) -> HandProbing:
    bleed = described.probing.bleed
    ohms = bleed.ohms.nominal if bleed is not None else None
    return HandProbing(
        board,
        tell,
        ohms,
        hands,
        asks_short=hands is not None and not hands.zeroed,
    )
