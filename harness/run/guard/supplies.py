"""The supplies of a bench as plain data, and their opening: what the guard's process needs, and imports little for.

plan = plan_of(described_bench)          [SupplyPlan("supply", "TCPIP::…", feeds={"1": "USB"}), …]
drivers, feeds = open_supplies(plan, clock, traffic)
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from wakeboard.harness.run.guard.owner import Feed, Guard, OffReport

if TYPE_CHECKING:
    from wakeboard.harness.describe.bench import Bench
    from wakeboard.instruments.clock import Clock
    from wakeboard.instruments.link.traffic import TrafficLog
    from wakeboard.instruments.scpi.psu import Psu


@dataclass(frozen=True)
class SupplyPlan:
    """One supply of the bench file. feeds: channel -> supply of the board; terminator None: the dialect's own."""

    name: str
    address: str
    dialect: str | None = None
    identity: str | None = None
    timeout: float = 3.0
    terminator: str | None = None
    feeds: Mapping[str, str] = field(default_factory=dict)
    visa: str | None = None


def plan_of(described: Bench) -> list[SupplyPlan]:
    """The supplies of a described bench."""
    return [
        SupplyPlan(
            each.name,
            each.address,
            each.dialect,
            each.identity,
            each.timeout,
            each.terminator,
            dict(each.feeds),
            each.visa,
        )
        for each in described.of_kind("psu")
    ]


def open_supply(
    plan: SupplyPlan, *, clock: Clock | None = None, traffic: TrafficLog | None = None, exclusive: bool | None = None
) -> Psu:
    """The driver, identified. Raises BenchError."""
    from wakeboard.instruments.scpi.opening import open_psu

    return open_psu(
        plan.address,
        name=plan.name,
        dialect=plan.dialect,
        identity=plan.identity,
        timeout=plan.timeout,
        terminator=plan.terminator,
        visa=plan.visa,
        traffic=traffic,
        clock=clock,
        exclusive=exclusive,
    )


def feeds_of_plan(plan: SupplyPlan, psu: Psu) -> dict[str, Feed]:
    """The outputs of one supply that feed the board."""
    return {supply: Feed(psu, channel, plan.name, psu.link.reopen) for channel, supply in plan.feeds.items()}


def open_supplies(
    plans: Iterable[SupplyPlan], *, clock: Clock | None = None, traffic: TrafficLog | None = None
) -> tuple[dict[str, Psu], dict[str, Feed]]:
    """All drivers by name, and the off-list. Raises BenchError, with nothing left open then."""
    drivers: dict[str, Psu] = {}
    feeds: dict[str, Feed] = {}
    try:
        for plan in plans:
            drivers[plan.name] = psu = open_supply(plan, clock=clock, traffic=traffic)
            feeds.update(feeds_of_plan(plan, psu))
    except BaseException:
        close_supplies(drivers)
        raise
    return drivers, feeds


def off_afresh(plan: SupplyPlan, dialect: str | None, clock: Clock, settled: bool = False) -> OffReport:
    """Every output of a supply off over a session of its own, where its guard is gone. Raises nothing. settled: and
    looked at again after a while.

    dialect: as its guard found it. Where nobody answers sensibly the command is sent unheard, and the state is unknown.
    """
    named = replace(plan, dialect=plan.dialect or dialect)
    try:
        psu = open_supply(named, exclusive=False)
    except Exception as error:  # noqa: BLE001  unknown is not off; the other supplies are still tried
        _off_unheard(named)
        return OffReport(dict.fromkeys(plan.feeds.values(), "unknown"), dict.fromkeys(plan.feeds.values(), str(error)))
    try:
        guard = Guard(feeds_of_plan(plan, psu), clock)
        report = guard.all_off()
        return guard.look_again() if settled and report.confirmed else report
    finally:
        close_supplies({plan.name: psu})


def _off_unheard(plan: SupplyPlan) -> None:
    """The off command over a link that brings no sensible reply: it may well carry a command."""
    with contextlib.suppress(Exception):
        from wakeboard.instruments.dialect import PsuDialect, load_dialect
        from wakeboard.instruments.link.link import Link
        from wakeboard.instruments.scpi.psu import Psu

        dialect = load_dialect(plan.dialect or "")
        assert isinstance(dialect, PsuDialect)
        manners = dialect.link.manners()
        with Link.open(
            plan.address, name=plan.name, visa=plan.visa, manners=manners, timeout=plan.timeout, exclusive=False
        ) as link:
            psu = Psu(link, dialect)
            for channel in plan.feeds:
                psu.off_unheard(channel)


def close_supplies(drivers: Mapping[str, Psu]) -> None:
    """Close every link, whatever the others do; outputs stay as they are."""
    for psu in drivers.values():
        with contextlib.suppress(Exception):
            psu.link.close()
