"""Every output of every supply of a bench off, whoever switched it on, and what was heard of it: `wakeboard off`.

It goes in where another program holds the supply: that program may hang. Where a supply does not answer, the command is
sent all the same, and the output is unknown. Unknown is not off.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from wakeboard.harness.run.guard.owner import Feed, Guard, OffReport
from wakeboard.harness.run.guard.supplies import SupplyPlan, off_afresh, open_supply, plan_of
from wakeboard.instruments.errors import BenchError, LinkBusy

if TYPE_CHECKING:
    from wakeboard.harness.describe.bench import Bench
    from wakeboard.instruments.clock import Clock
    from wakeboard.instruments.scpi.psu import Psu


@dataclass(frozen=True)
class Heard:
    """One output after it was told to be off. state: "off", "on" or "unknown"; volts, amps: at its terminals."""

    instrument: str
    output: str
    state: str
    volts: float | None = None
    amps: float | None = None
    says: str = ""

    def as_json(self) -> dict[str, object]:
        return dict(vars(self))


def switch_off(described: Bench) -> Iterator[Heard]:
    """Each output in turn. Raises nothing: what fails is told, and the next supply is still switched off."""
    from wakeboard.instruments.clock import RealClock

    for plan in plan_of(described):
        yield from _one(plan, RealClock())


def _one(plan: SupplyPlan, clock: Clock) -> Iterator[Heard]:
    try:
        psu, says = _opened(plan)
    except Exception as error:  # noqa: BLE001  whatever it is: the command may get through
        report = off_afresh(plan, None, clock)
        for channel, supply in plan.feeds.items():
            yield Heard(plan.name, channel, report.states[supply], says=report.errors.get(supply, str(error)))
        return
    try:
        outputs = {channel: Feed(psu, channel, plan.name, psu.link.reopen) for channel in psu.channels}
        report = Guard(outputs, clock).all_off()
        for channel in outputs:
            yield _heard(plan.name, channel, psu, report, says)
    finally:
        with contextlib.suppress(BenchError, OSError):
            psu.link.close()


def _opened(plan: SupplyPlan) -> tuple[Psu, str]:
    try:
        return open_supply(plan), ""
    except LinkBusy:
        return open_supply(plan, exclusive=False), "another program holds it"


def _heard(name: str, channel: str, psu: Psu, report: OffReport, says: str) -> Heard:
    volts = amps = None
    with contextlib.suppress(BenchError, OSError):
        volts, amps = psu.measure(channel)
    told = "; ".join(each for each in (says, report.errors.get(channel, "")) if each)
    return Heard(name, channel, report.states[channel], volts, amps, told)
