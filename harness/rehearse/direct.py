"""A bench whose instruments are the virtual hardware itself: for hundreds of runs in a row.

Runner, guard and decisions above it are the ones of every run. That the outcomes are those of a run through the
instruments' languages is tested (tests/rehearse/test_same_as_run.py).

    bench = open_direct(board, virtual, Facts.of(virtual))
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

from wakeboard.harness.run.bench.bench import OpenBench, WiredScope
from wakeboard.harness.run.bench.opening import (
    NoTraffic,
    highest_volts,
    load_tolerance,
    open_drivers,
    relay_probing,
    virtual_console,
)
from wakeboard.harness.run.guard.local import LocalGuard
from wakeboard.harness.run.guard.owner import Feed, Guard
from wakeboard.harness.run.hand.clearance import settled
from wakeboard.instruments.virtual.circuit.bench.parts import supply_name
from wakeboard.instruments.virtual.direct.meter import DirectMeter
from wakeboard.instruments.virtual.direct.relays import DirectRelays
from wakeboard.instruments.virtual.direct.scope import DirectScope
from wakeboard.instruments.virtual.direct.supply import DirectSupply, SupplyFacts
from wakeboard.instruments.virtual.time.instant import Instant

if TYPE_CHECKING:
    from wakeboard.harness.describe.bench import Bench
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.instruments.dialect import DmmDialect, ScannerDialect
    from wakeboard.instruments.virtual.bench import VirtualBench


@dataclass(frozen=True)
class Facts:
    """What the drivers of a bench learn of its instruments, asked once over their languages."""

    described: Bench
    supplies: dict[str, SupplyFacts]
    meters: dict[str, DmmDialect]
    scanners: dict[str, ScannerDialect]
    used: tuple[Any, ...]

    @classmethod
    def of(cls, virtual: VirtualBench, bleed: bool = True) -> Facts:
        """bleed: whether the bench has its bleed resistor."""
        from wakeboard.harness.describe.bench import Bench

        described = Bench.model_validate(virtual.bench_description(console="virtual"))
        if not bleed:
            described = described.model_copy(update={"probing": described.probing.model_copy(update={"bleed": None})})
        manager = virtual.visa()
        kinds = ("psu", "dmm", "scanner")
        drivers = open_drivers(described, kinds, manager=manager, clock=virtual.clock, traffic=NoTraffic())
        return cls(
            described,
            {name: SupplyFacts.of(psu) for name, psu in drivers.psus.items()},
            {name: dmm.dialect for name, dmm in drivers.dmms.items()},
            {name: scanner.dialect for name, scanner in drivers.scanners.items()},
            tuple(drivers.used),
        )


def open_direct(board: Board, virtual: VirtualBench, facts: Facts) -> OpenBench:
    """Like harness/run/opening.open_virtual, on the hardware itself; of a bench without transients."""
    if not isinstance(virtual.simulation, Instant):
        raise ValueError("instruments are driven directly only where every change is settled at once")
    placed, traffic = cast(dict[str, Any], virtual.instruments), NoTraffic()
    supplies = {name: DirectSupply(known, placed[name].supply) for name, known in facts.supplies.items()}
    meters = {name: DirectMeter(name, dialect, placed[name].meter) for name, dialect in facts.meters.items()}
    scanners = {name: DirectRelays(name, dialect, placed[name].relays) for name, dialect in facts.scanners.items()}
    meter = next(iter(meters.values()))
    for psu in virtual.psus:
        virtual.stage.forget(psu.refresh_status)  # nobody asks for a status register here
    feeds = {
        supply: Feed(supplies[name], channel, name, _nothing)
        for supply, (name, channel) in facts.described.supplies.items()
    }
    return OpenBench(
        clock=virtual.clock,
        guard=LocalGuard(Guard(feeds, virtual.clock, traffic), virtual.clock, at_once=True),
        meter=meter,
        meter_name=next(iter(meters)),
        probing=relay_probing(board, facts.described, scanners, meter),
        supplies=tuple(facts.described.supplies),
        load_tolerance=load_tolerance(facts.described),
        highest_volts=highest_volts(board),
        open_console=lambda _link: virtual_console(virtual, traffic),
        instruments=facts.used,
        traffic=traffic,
        virtual=virtual,
        runs_programs=False,
        at_once=True,
        clear_hands=settled,
        scope=_scope(virtual),
    )


def _scope(virtual: VirtualBench) -> WiredScope:
    """One that sees every net: what a rehearsal says of a step does not rest on how many channels a bench has."""
    assert isinstance(virtual.simulation, Instant)
    port = DirectScope(virtual.simulation, [supply_name(name) for name in virtual.prepared.supplies])
    return WiredScope(port, {net: net for net in virtual.prepared.circuit.nets}, 10.0)


def _nothing() -> None:
    """There is no link to open again."""
