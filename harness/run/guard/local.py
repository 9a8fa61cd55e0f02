"""The guard in this process, on a clock that calls back: the virtual bench. Same rules, same owner.

The guard looks closely (each `CLOSE_PERIOD`) while a ramp climbs, after a change and while a rule is about to be
broken, and now and then otherwise, from the first proof that all is off to the end of the run: on a virtual clock a
look costs computing time, and a circuit at rest shows the same each time.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING, Protocol

from wakeboard.harness.run.errors import power_cut
from wakeboard.harness.run.guard.core import STOPPED
from wakeboard.harness.run.guard.owner import Guard, OffReport, Ramp, Setting, Track

if TYPE_CHECKING:
    from wakeboard.harness.run.guard.core import Cut, Envelope, Sample

CLOSE_PERIOD = 0.005  # s
FAR_PERIOD = 0.1  # s, while the circuit moves and nothing is near a limit
REST_PERIOD = 0.5  # s, while the circuit is at rest


class Ticker(Protocol):
    def stop(self) -> None: ...


class TickingClock(Protocol):
    def now(self) -> float: ...
    def sleep(self, seconds: float) -> None: ...
    def every(
        self, period: float, callback: Callable[[], None], *, resting: float | Callable[[], float] | None = None
    ) -> Ticker: ...


class LocalGuard:
    """Implements GuardShell."""

    def __init__(self, guard: Guard, clock: TickingClock, at_once: bool = False) -> None:
        """at_once: whether each change of the circuit is settled at once, so that looks between two changes are
        alike."""
        self.guard = guard
        self.clock = clock
        self._at_once = at_once
        self._ticker: Ticker | None = None
        self._looks_closely = False
        self._failure: BaseException | None = None
        self._acknowledged = False
        self._told: Cut | None = None  # the output that came on by itself which the runner knows of
        self._busy = False
        self._stop = ""
        self.left: OffReport | None = None
        self.stopped: OffReport | None = None

    @property
    def cut(self) -> Cut | None:
        return self.guard.cut

    @property
    def cut_supply(self) -> str:
        return self.guard.cut_supply

    @property
    def came_on(self) -> Cut | None:
        return self.guard.came_on

    # --- the ticker -------------------------------------------------------------------------------------------------
    def _tick(self) -> None:
        """Called by the clock; a failure is kept for the runner, since nothing may be raised through the clock.

        The clock also moves while the runner itself waits for the supply's answer: its link is then in use.
        """
        if self._busy or self._failure is not None:
            return
        try:
            self.guard.tick()
        except Exception as error:  # noqa: BLE001  raised again in the runner's next call
            self._failure = error
            self.guard.all_off()
            return
        if self.guard.close != self._looks_closely:
            self._watch()

    @contextlib.contextmanager
    def _using(self) -> Iterator[None]:
        """The supplies' links are in use while the block runs."""
        before, self._busy = self._busy, True
        try:
            yield
        finally:
            self._busy = before

    def _watch(self) -> None:
        """Have the clock call as often as it is needed now."""
        if self._ticker is not None:
            self._ticker.stop()
            self._ticker = None
        self._looks_closely = self.guard.close
        period = CLOSE_PERIOD if self._looks_closely else FAR_PERIOD
        self._ticker = self.clock.every(period, self._tick, resting=self._rest)

    def _rest(self) -> float:
        """s until the next look at a circuit at rest."""
        if not self._looks_closely:
            return REST_PERIOD
        return self.guard.next_event - self.clock.now() if self._at_once else CLOSE_PERIOD

    def _check(self) -> None:
        back = self.guard.came_on
        if back is not None and back is not self._told:
            self._told = back
            raise power_cut(self.guard.came_on_supply, back)
        if self._acknowledged:
            return
        if self._failure is not None:
            raise self._failure
        if self._stop and self.guard.cut is None:
            with self._using():
                self.guard.abandon(STOPPED, self._stop)
            self.stopped = self.guard.off_report
        if self.guard.cut is not None:
            raise power_cut(self.guard.cut_supply, self.guard.cut)

    # --- GuardShell -------------------------------------------------------------------------------------------------
    def prove_off(self) -> OffReport:
        with self._using():
            report = self.guard.prove_off()
        self._watch()
        return report

    def energise(self, supply: str, setting: Setting, envelope: Envelope, ramp: Ramp | None) -> str:
        self._check()
        with self._using():
            says = self.guard.arm(supply, setting, envelope)
            self.guard.on(supply, ramp)
        self._watch()
        return says

    def climbing(self, supply: str) -> bool:
        self._check()
        return self.guard.climbing(supply)

    def bound(self, supply: str, most_amps: float | None, least_amps: float | None) -> None:
        self.guard.bound(supply, most_amps, least_amps)

    def change(self) -> None:
        self.guard.change()
        self._watch()

    def sample(self, supply: str) -> Sample:
        self._check()
        with self._using():
            return self.guard.sample(supply)

    def latest(self) -> Mapping[str, Sample]:
        return self.guard.latest

    def off(self, supply: str) -> OffReport:
        with self._using():
            report = self.guard.off(supply)
        self._watch()
        return report

    def all_off(self) -> OffReport:
        with self._using():
            report = self.guard.all_off()
        self._watch()
        return report

    def stop(self, why: str) -> None:
        """With the runner's next call: the virtual bench has one thread, and none of its clock."""
        self._stop = why

    def look_again(self) -> OffReport:
        with self._using():
            return self.guard.look_again()

    def beat(self, lease: float) -> None:
        self._check()

    def sleep(self, seconds: float) -> None:
        self.clock.sleep(seconds)

    def trace(self) -> dict[str, Track]:
        return self.guard.take_trace()

    def traffic(self) -> list[tuple[float, str, str, str]]:
        """Nothing of its own: the links of this process share one log."""
        return []

    def amps_error(self, supply: str, amps: float) -> float:
        return self.guard.amps_error(supply, amps)

    def settle_s(self, supply: str) -> float:
        return self.guard.settle_s(supply)

    def instrument(self, supply: str) -> str:
        return self.guard.feeds[supply].instrument

    def energised(self) -> float:
        return self.guard.energised

    def acknowledge(self) -> None:
        self._acknowledged = True

    def close(self) -> None:
        """Outputs off whatever happened before."""
        self.left = self.all_off()
        if self._ticker is not None:
            self._ticker.stop()
            self._ticker = None
