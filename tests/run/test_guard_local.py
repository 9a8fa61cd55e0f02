"""The guard of the virtual bench: how often it looks, what the runner's next call raises, and its end.

Figures are the guard's own bounds and invented samples.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from wakeboard.harness.run.errors import OperatorStop, PowerCut, Tripped
from wakeboard.harness.run.guard import local
from wakeboard.harness.run.guard.core import Envelope
from wakeboard.harness.run.guard.local import LocalGuard
from wakeboard.harness.run.guard.owner import Feed, Guard, Ramp, Setting
from wakeboard.instruments.errors import LinkTimeout

SETTING, ENVELOPE = Setting(5.0, 0.12), Envelope(5.0, 0.12, inrush_s=0.02)


class Ticker:
    def __init__(self, clock: Any, period: float, callback: Callable[[], None], resting: Callable[[], float]) -> None:
        self.clock, self.period, self.callback, self.resting = clock, period, callback, resting
        self.stopped = False

    def stop(self) -> None:
        self.stopped = True


class TickingClock:
    """Calls back each time that it is moved; keeps what it was asked for."""

    def __init__(self) -> None:
        self.time = 0.0
        self.tickers: list[Ticker] = []

    def now(self) -> float:
        return self.time

    def sleep(self, seconds: float) -> None:
        self.time += seconds

    def every(self, period: float, callback: Callable[[], None], *, resting: Callable[[], float]) -> Ticker:
        self.tickers.append(Ticker(self, period, callback, resting))
        return self.tickers[-1]

    @property
    def running(self) -> list[Ticker]:
        return [each for each in self.tickers if not each.stopped]

    def run(self, seconds: float) -> None:
        ends = self.time + seconds
        while self.time < ends and self.running:
            ticker = self.running[0]
            self.time += ticker.period
            ticker.callback()


@pytest.fixture
def clock() -> TickingClock:
    return TickingClock()


@pytest.fixture
def psu(fake_psu: Any) -> Any:
    return fake_psu()


@pytest.fixture
def guard(psu: Any, clock: TickingClock) -> LocalGuard:
    guard = LocalGuard(Guard({"USB": Feed(psu, 1, "supply")}, clock), clock)
    assert guard.prove_off().confirmed
    return guard


def on(guard: LocalGuard, ramp: Ramp | None = None) -> None:
    guard.energise("USB", SETTING, ENVELOPE, ramp)


def periods(clock: TickingClock) -> tuple[float, float]:
    (ticker,) = clock.running
    return ticker.period, ticker.resting()


def test_it_looks_from_the_proof_on_and_closely_when_it_matters(guard: LocalGuard, clock: TickingClock) -> None:
    assert periods(clock) == (0.1, 0.5)
    on(guard)
    assert periods(clock) == (0.005, 0.005)
    clock.run(1.0)
    assert periods(clock) == (0.1, 0.5)
    guard.change()
    assert periods(clock) == (0.005, 0.005)
    clock.run(1.0)
    guard.off("USB")
    assert periods(clock) == (0.1, 0.5)


def test_switching_off_changes_how_often_it_looks(guard: LocalGuard, clock: TickingClock) -> None:
    for switch_off in (lambda: guard.off("USB"), guard.all_off):
        on(guard)
        assert periods(clock) == (0.005, 0.005)
        switch_off()
        assert periods(clock) == (0.1, 0.5)


def test_where_each_change_is_settled_at_once_it_rests_until_something_is_due(psu: Any, clock: TickingClock) -> None:
    guard = LocalGuard(Guard({"USB": Feed(psu, 1, "supply")}, clock), clock, at_once=True)
    assert guard.prove_off().confirmed
    assert periods(clock) == (0.1, 0.5)
    on(guard, Ramp(1.0, 0.2, 4.0))
    assert periods(clock) == (0.005, pytest.approx(0.2))  # the step of the ramp
    clock.run(0.2)
    assert periods(clock) == (0.005, pytest.approx(0.05, abs=1e-3))  # what a change gives every sample its weight for
    clock.run(1.0)
    assert periods(clock) == (0.1, 0.5)


def test_where_a_rule_is_about_to_be_broken_it_does_not_rest(psu: Any, clock: TickingClock) -> None:
    guard = LocalGuard(Guard({"USB": Feed(psu, 1, "supply")}, clock), clock, at_once=True)
    assert guard.prove_off().confirmed
    on(guard)
    psu.ohms[1] = 10.0  # it limits
    guard.guard.tick()
    assert periods(clock)[1] == 0.0


def test_its_periods_are_not_made_anew_at_each_look(guard: LocalGuard, clock: TickingClock) -> None:
    on(guard)
    clock.run(2.0)
    assert len(clock.tickers) == 3


def test_what_it_is_asked_for_is_what_the_owner_says(guard: LocalGuard, psu: Any) -> None:
    on(guard, Ramp(1.0, 0.05))
    assert guard.climbing("USB") is True
    assert guard.sample("USB").mode == "cv"
    assert guard.latest()["USB"].on is True
    assert guard.instrument("USB") == "supply"
    assert guard.amps_error("USB", 0.1) == 0.0
    assert list(guard.trace()) == ["USB"]
    assert guard.traffic() == []
    assert guard.energised() == 0.0
    assert guard.came_on is None
    assert guard.cut is None
    guard.all_off()
    assert guard.look_again().states == {"USB": "off"}


def test_energise_says_what_is_armed(guard: LocalGuard, psu: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard.guard, "arm", lambda *_what: "armed so")
    monkeypatch.setattr(guard.guard, "on", lambda *_what: None)
    assert guard.energise("USB", SETTING, ENVELOPE, None) == "armed so"


def test_other_bounds_hold_at_once(guard: LocalGuard, clock: TickingClock) -> None:
    on(guard)
    clock.run(0.5)
    guard.bound("USB", 0.01, None)
    clock.run(0.5)
    for call in (
        lambda: guard.sample("USB"),
        lambda: guard.climbing("USB"),
        lambda: guard.beat(1.0),
        lambda: on(guard),
    ):
        with pytest.raises(Tripped):
            call()
    assert guard.cut_supply == "USB"
    guard.acknowledge()
    guard.beat(1.0)


def test_a_change_grants_the_inrush_again(guard: LocalGuard, clock: TickingClock) -> None:
    on(guard)
    clock.run(0.5)
    guard.bound("USB", 0.01, None)
    clock.time += 1.0
    guard.change()
    assert guard.guard._live["USB"].watch.changed == pytest.approx(clock.time)


def test_a_look_that_fails_is_raised_by_the_next_call(guard: LocalGuard, clock: TickingClock, psu: Any) -> None:
    on(guard)
    psu.fails = {"sample"}
    clock.run(0.02)
    assert not psu.outputs[1]
    with pytest.raises(LinkTimeout):
        guard.beat(1.0)
    calls = len(psu.calls)
    clock.run(1.0)
    assert len(psu.calls) == calls, "it looks no more"


def test_it_does_not_look_while_the_link_is_in_use(guard: LocalGuard, psu: Any) -> None:
    on(guard)
    psu.calls.clear()
    with guard._using():
        with guard._using():
            pass
        guard._tick()
    assert psu.calls == []
    guard._tick()
    assert psu.calls != []


@pytest.mark.parametrize("call", ["prove_off", "all_off", "look_again", "close"])
def test_the_link_is_in_use_while_it_switches(
    guard: LocalGuard, psu: Any, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    seen: list[bool] = []
    inner = {"close": "all_off"}.get(call, call)
    answer = getattr(guard.guard, inner)
    monkeypatch.setattr(guard.guard, inner, lambda: (seen.append(guard._busy), answer())[1])
    getattr(guard, call)()
    assert seen == [True]
    assert guard._busy is False


def test_stop_is_heard_at_the_next_call(guard: LocalGuard, psu: Any) -> None:
    on(guard)
    guard.stop("a person")
    assert psu.outputs[1]
    with pytest.raises(OperatorStop, match="a person"):
        guard.beat(1.0)
    assert not psu.outputs[1]
    assert guard.stopped is not None
    assert guard.stopped.confirmed


def test_what_came_on_is_raised_once(guard: LocalGuard, psu: Any, clock: TickingClock) -> None:
    psu.settings[1] = (5.0, 0.1)
    psu.outputs[1] = True
    clock.run(1.0)
    assert guard.came_on is not None
    guard.acknowledge()
    with pytest.raises(PowerCut, match=r"it is on, at 5.00 V"):
        guard.beat(1.0)
    guard.beat(1.0)


def test_its_end_switches_off_and_looks_no_more(guard: LocalGuard, psu: Any, clock: TickingClock) -> None:
    on(guard)
    guard.close()
    assert not psu.outputs[1]
    assert guard.left is not None
    assert guard.left.confirmed
    assert clock.running == []
    guard.close()


def test_close_looks_are_close_enough_for_the_shortest_inrush() -> None:
    """The inrush of a small board is 20 ms (bench tests); a look in a quarter of that."""
    assert local.CLOSE_PERIOD <= 0.005


def test_before_the_proof_nothing_is_looked_at(psu: Any, clock: TickingClock) -> None:
    guard = LocalGuard(Guard({"USB": Feed(psu, 1, "supply")}, clock), clock)
    guard._tick()
    assert not clock.tickers


def test_a_failure_that_is_no_links_switches_off_as_well(guard: LocalGuard, psu: Any, clock: TickingClock) -> None:
    on(guard)

    def breaks(_channel: Any) -> Any:
        raise ZeroDivisionError("a driver's own mistake")

    psu.sample = breaks
    clock.run(0.01)
    assert not psu.outputs[1]
    with pytest.raises(ZeroDivisionError):
        guard.beat(3.0)


def test_what_the_owner_cut_is_told(guard: LocalGuard, psu: Any, clock: TickingClock) -> None:
    on(guard)
    psu.ohms[1] = 1.0
    clock.run(1.0)
    assert guard.cut is not None
    assert (guard.cut.rule, guard.cut_supply) == ("constant-current", "USB")


def test_the_figures_of_the_page() -> None:
    assert (local.CLOSE_PERIOD, local.FAR_PERIOD, local.REST_PERIOD) == (0.005, 0.1, 0.5)
