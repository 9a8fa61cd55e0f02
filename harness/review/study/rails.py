"""Each rail against its own limits in every state, and the one cause of what is outside: said once, where it begins.

A rail that is wrong because the rail before it is wrong is not looked at again. What is left is told apart: never on
(no enable, nothing that feeds it), a divider that sets another voltage, no headroom, or simply outside its limits.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from wakeboard.harness.review.study.supplied import (
    ADJUSTABLE,
    REGULATORS,
    dropout,
    enabled,
    feeders,
    in_line,
    limited,
    set_volts,
)

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Rail
    from wakeboard.harness.review.study.study import Study
    from wakeboard.instruments.virtual.circuit.part import Part

EDGE: Final = 1e-3  # relative; a regulator's own load regulation is no matter at a limit
DEAD: Final = 0.5  # share of its least voltage below which a rail counts as not there
NEVER_ON, DIVIDER, HEADROOM, OVERLOAD = "never on", "divider", "headroom", "overload"
LIFTED, OUTSIDE = "lifted", "outside"


@dataclass(frozen=True)
class RailFault:
    """A rail outside its limits in a case, with the cause that is left when those before it are taken out.

    part: the regulator or switch that feeds it, where there is one; aim: V that it is set to.
    """

    rail: str
    case: int
    cause: str
    volts: float
    part: Part | None = None
    aim: float | None = None


class Rails:
    """What is wrong with the rails of a study."""

    def __init__(self, study: Study) -> None:
        self.study = study

    @cached_property
    def bad(self) -> dict[int, frozenset[str]]:
        """The nets of rails that are outside their limits, by case."""
        found: dict[int, set[str]] = {k: set() for k, _ in self.study.each()}
        given = {supply.net for supply in self.study.board.supplies.values()}  # what comes in is as the file says
        for name, rail in self.study.board.rails.items():
            if rail.net in given:
                continue
            volts = self.study.volts(rail.net)
            for k, case in self.study.each():
                if self.study.rail_should_be_on(name, case) and self._outside(rail, volts[k]):
                    found[k].add(rail.net)
        return {k: frozenset(nets) for k, nets in found.items()}

    @staticmethod
    def _outside(rail: Rail, volts: float) -> bool:
        limits = rail.limits
        if limits is None:
            return volts < 0.3
        low = limits.low if limits.low is not None else 0.0
        high = limits.high if limits.high is not None else float("inf")
        return not low * (1 - EDGE) <= volts <= high * (1 + EDGE)

    @cached_property
    def faults(self) -> list[RailFault]:
        """Of every rail in every state without a driven line, but not what follows from a rail or supply before."""
        found = []
        for name, rail in self.study.board.rails.items():
            wrong = [k for k, _ in self.study.undriven() if rail.net in self.bad[k] and self._ought(name, k)]
            alive = any(
                rail.net not in self.bad[k] and self.study.rail_should_be_on(name, case)
                for k, case in self.study.undriven()
            )
            found += [self._fault(name, rail, k, alive) for k in wrong if not self._follows(rail, k)]
        return found or self._ring()

    def _ring(self) -> list[RailFault]:
        """Of rails that wait for one another, the first; none where a supply gives all that it has, or is pushed up."""
        for k, case in self.study.undriven():
            if any(self.sags(name, k) or self.pushed(name, k) for name in case.supplies):
                continue
            for name, rail in self.study.board.rails.items():
                if rail.net in self.bad[k] and self._ought(name, k):
                    return [self._fault(name, rail, k, False)]
        return []

    def _ought(self, name: str, k: int) -> bool:
        return self.study.rail_should_be_on(name, self.study.cases[k])

    def _follows(self, rail: Rail, k: int) -> bool:
        """Whether a source of the rail is wrong itself in this case, or a supply gives all that it has."""
        nets = {self._net(source) for source in rail.sources}
        nets |= {net for pin in rail.on_when for net in self.study.driver_nets(pin)}  # what should switch it on
        if ((nets - {rail.net}) | self.on_the_way(rail.net, k) | self._waits_for(rail.net, k)) & self.bad[k]:
            return True
        supplies = self.study.cases[k].supplies
        return any(self.sags(name, k) for name in supplies) or any(
            self.pushed(name, k) for name in supplies if self._net(name) in nets
        )

    def pushed(self, supply: str, k: int) -> bool:
        """Whether something lifts a supply's net above what the supply may be: told by what lifts it."""
        each = self.study.board.supplies[supply]
        high = each.limits.high
        return high is not None and self.study.volts(each.net)[k] > high * (1 + EDGE)

    def _waits_for(self, net: str, k: int) -> set[str]:
        """The rail on the enable of what feeds a net, while it keeps it off."""
        part = self._feeder(net, k)
        if part is None or "EN" not in part.pins or enabled(self.study, part, k):
            return set()
        return {part.pins["EN"]} | in_line(self.study, part.pins["EN"])

    def on_the_way(self, net: str, k: int) -> set[str]:
        """The nets through which a rail is fed in a case, without itself."""
        path = [set(self.study.circuit.part(name).pins.values()) for name in self.study.path(k, net)]
        between = [first & second for first, second in pairwise(path)]
        return {each for nets in between for each in nets} - {net, self.study.board.ground}

    def _net(self, source: str) -> str:
        return self.study.board.net_of(source)

    def sags(self, supply: str, k: int) -> bool:
        """Whether a supply is in its current limit in a case."""
        set_to = self.study.cases[k].supplies[supply]
        return self.study.volts(self.study.board.supplies[supply].net)[k] < set_to * 0.98

    def _fault(self, name: str, rail: Rail, k: int, alive: bool) -> RailFault:
        volts = self.study.volts(rail.net)[k]
        part = self._feeder(rail.net, k)
        aim = set_volts(self.study, part) if part is not None and part.kind in REGULATORS else None
        least = rail.limits.low if rail.limits is not None and rail.limits.low is not None else 0.6
        dead = volts < DEAD * least
        on = part is None or enabled(self.study, part, k)
        if dead and (not on or (not alive and part is None)):
            return RailFault(name, k, NEVER_ON, volts, part, aim)
        if part is None or part.kind not in REGULATORS:
            return RailFault(name, k, OVERLOAD if part and limited(self.study, part, k) else OUTSIDE, volts, part)
        return RailFault(name, k, self._regulator(rail, part, aim, k), volts, part, aim)

    def _regulator(self, rail: Rail, part: Part, aim: float | None, k: int) -> str:
        if aim is None or self._outside(rail, aim):
            return DIVIDER if part.kind in ADJUSTABLE else OUTSIDE
        if limited(self.study, part, k):
            return OVERLOAD
        given = self.study.volts(part.pins["IN"])[k]
        boost = part.kind.endswith("boost")
        short = given > aim if boost else given - aim < dropout(part)
        if not boost and self.study.volts(rail.net)[k] > aim * 1.01:
            return LIFTED
        return HEADROOM if short else OUTSIDE

    @cached_property
    def wrong(self) -> dict[int, frozenset[str]]:
        """As `bad`, without the rails that something else lifts: there the rail is the effect, not the cause."""
        lifted = {(self.study.board.rails[f.rail].net, f.case) for f in self.faults if f.cause == LIFTED}
        return {k: frozenset(net for net in nets if (net, k) not in lifted) for k, nets in self.bad.items()}

    def _feeder(self, net: str, k: int) -> Part | None:
        """What feeds a net; of several, the one that is on."""
        parts = feeders(self.study, net)
        return next((part for part in parts if enabled(self.study, part, k)), parts[0] if parts else None)
