"""One output for several supplies of a board: a person moves its leads when told, and a reading shows where they are.

    guard = MovedLeads(guard, Leads({"CELL": "USB"}))      the output that feeds USB feeds CELL by turns
    leads.move_to("CELL", supplies_on, move)               Refused while anything is on; `move` tells the person
    leads.shown("CELL")                                    supply and meter agreed at CELL's net (wiring.py)

The guard knows each output by the first supply that it feeds; what it says of that output belongs to the supply that
its leads are on.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from typing import TYPE_CHECKING, TypeVar

from wakeboard.harness.run.errors import Refused

if TYPE_CHECKING:
    from wakeboard.harness.run.guard.core import Cut, Envelope, Sample
    from wakeboard.harness.run.guard.owner import OffReport, Ramp, Setting, Track
    from wakeboard.harness.run.ports import GuardShell

Said = TypeVar("Said")


class Leads:
    """Where the leads of outputs are that serve several supplies. shared: supply -> the first supply of its output."""

    def __init__(self, shared: Mapping[str, str]) -> None:
        self._output = {**shared, **{first: first for first in shared.values()}}
        self._at: dict[str, str] = {}  # output -> supply, once a person has said so
        self._shown: set[str] = set()  # outputs whose place a reading has shown since

    def output(self, supply: str) -> str:
        """The name that the guard has for the output of a supply."""
        return self._output.get(supply, supply)

    def supply(self, output: str) -> str:
        """The supply that an output feeds now."""
        return self._at.get(output, output)

    def move_to(self, supply: str, on: Collection[str], move: Callable[[str], None]) -> None:
        """Have the leads moved where they are not there yet. Raises Refused while anything is on."""
        output = self._output.get(supply)
        if output is None or self._at.get(output) == supply:
            return
        if on:
            raise Refused(
                f"{supply} is fed by the output that feeds {output} too, and its leads are moved with everything off: "
                f"power off {', '.join(on)} first"
            )
        move(supply)
        self._at[output] = supply
        self._shown.discard(output)

    def shown(self, supply: str) -> None:
        """A reading has shown that the leads are on this supply."""
        self._shown.add(self.output(supply))

    def must_be_shown(self, supply: str) -> None:
        """Raises Refused where only a person's word says where the leads are."""
        output = self._output.get(supply)
        if output is not None and output not in self._shown:
            raise Refused(
                f"{supply} is not energised: the leads of its output were moved by hand, and no reading has shown "
                f"where they are now: the net of {supply} must be probed"
            )


class MovedLeads:
    """A guard whose outputs have the names of the supplies that their leads are on now."""

    def __init__(self, guard: GuardShell, leads: Leads) -> None:
        self._guard = guard
        self._leads = leads

    def _named(self, said: Mapping[str, Said]) -> dict[str, Said]:
        return {self._leads.supply(output): each for output, each in said.items()}

    def _report(self, report: OffReport) -> OffReport:
        return type(report)(self._named(report.states), self._named(report.errors), self._named(report.remarks))

    @property
    def cut(self) -> Cut | None:
        return self._guard.cut

    @property
    def cut_supply(self) -> str:
        return self._leads.supply(self._guard.cut_supply)

    @property
    def came_on(self) -> Cut | None:
        return self._guard.came_on

    @property
    def left(self) -> OffReport | None:
        return None if self._guard.left is None else self._report(self._guard.left)

    @property
    def stopped(self) -> OffReport | None:
        return None if self._guard.stopped is None else self._report(self._guard.stopped)

    def stop(self, why: str) -> None:
        self._guard.stop(why)

    def prove_off(self) -> OffReport:
        return self._report(self._guard.prove_off())

    def energise(self, supply: str, setting: Setting, envelope: Envelope, ramp: Ramp | None) -> str:
        return self._guard.energise(self._leads.output(supply), setting, envelope, ramp)

    def climbing(self, supply: str) -> bool:
        return self._guard.climbing(self._leads.output(supply))

    def bound(self, supply: str, most_amps: float | None, least_amps: float | None) -> None:
        self._guard.bound(self._leads.output(supply), most_amps, least_amps)

    def change(self) -> None:
        self._guard.change()

    def sample(self, supply: str) -> Sample:
        return self._guard.sample(self._leads.output(supply))

    def off(self, supply: str) -> OffReport:
        return self._report(self._guard.off(self._leads.output(supply)))

    def all_off(self) -> OffReport:
        return self._report(self._guard.all_off())

    def look_again(self) -> OffReport:
        return self._report(self._guard.look_again())

    def beat(self, lease: float) -> None:
        self._guard.beat(lease)

    def sleep(self, seconds: float) -> None:
        self._guard.sleep(seconds)

    def trace(self) -> Mapping[str, Track]:
        return self._named(self._guard.trace())

    def traffic(self) -> list[tuple[float, str, str, str]]:
        return self._guard.traffic()

    def latest(self) -> Mapping[str, Sample]:
        return self._named(self._guard.latest())

    def amps_error(self, supply: str, amps: float) -> float:
        return self._guard.amps_error(self._leads.output(supply), amps)

    def settle_s(self, supply: str) -> float:
        return self._guard.settle_s(self._leads.output(supply))

    def instrument(self, supply: str) -> str:
        return self._guard.instrument(self._leads.output(supply))

    def energised(self) -> float:
        return self._guard.energised()

    def acknowledge(self) -> None:
        self._guard.acknowledge()

    def close(self) -> None:
        self._guard.close()
