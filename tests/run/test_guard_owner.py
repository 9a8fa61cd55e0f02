"""The guard as owner of the outputs: arming, ramping, tripping, and switching off whatever fails.

Figures are the guard's own bounds and invented samples.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any, NamedTuple

import pytest

from wakeboard.harness.run.guard import dark, owner, switching
from wakeboard.harness.run.guard.core import Cut, Envelope
from wakeboard.harness.run.guard.owner import CHECK, Feed, Guard, Ramp, Setting
from wakeboard.instruments.errors import LinkTimeout, SettingError

SETTING = Setting(5.0, 0.12, ovp=6.0)
ENVELOPE = Envelope(5.0, 0.12, inrush_s=0.02, most_amps=0.06)


def run_for(guard: Guard, clock: Any, seconds: float) -> None:
    ends = clock.now() + seconds
    while clock.now() < ends and guard.cut is None:
        clock.sleep(0.001)
        guard.tick()


def started(psu: Any, clock: Any, ramp: Ramp | None = None) -> Guard:
    guard = Guard({"USB": Feed(psu, 1, "supply")}, clock)
    assert guard.prove_off().confirmed
    guard.arm("USB", SETTING, ENVELOPE)
    guard.on("USB", ramp)
    return guard


def test_a_good_board_stays_on_and_is_switched_off(fake_psu: Any, clock: Any) -> None:
    guard = started(psu := fake_psu(), clock)
    run_for(guard, clock, 1.0)
    assert guard.cut is None
    assert psu.outputs[1]
    assert guard.off("USB").confirmed
    assert not psu.outputs[1]
    assert guard.energised == pytest.approx(1.0, abs=0.01)


def test_everything_is_set_before_the_output_is_on(fake_psu: Any, clock: Any) -> None:
    started(psu := fake_psu(), clock)
    assert psu.calls.index("set 1") < psu.calls.index("protect 1") < psu.calls.index("on 1")
    assert psu.calls.index("off 1") < psu.calls.index("set 1")


def late_once(psu: Any, clock: Any, seconds: float) -> None:
    """The next sample is of when it was asked for, and its answer comes so much later."""
    sample = psu.sample

    def late(channel: Any) -> Any:
        seen = sample(channel)
        clock.sleep(seconds)
        psu.sample = sample
        return seen

    psu.sample = late


def steadily(psu: Any, clock: Any, seconds: float) -> None:
    sample = psu.sample

    def slow(channel: Any) -> Any:
        clock.sleep(seconds)
        return sample(channel)

    psu.sample = slow


@pytest.mark.parametrize(("late", "rule"), [(0.3, "late-reading"), (0.09, "constant-current")])
def test_an_answer_that_came_late_is_the_benchs_and_cuts_all_the_same(
    fake_psu: Any, clock: Any, late: float, rule: str
) -> None:
    guard = started(psu := fake_psu(ohms={1: 2.0}), clock)
    clock.sleep(0.001)
    guard.tick()
    late_once(psu, clock, late)
    guard.tick()
    assert guard.cut is not None
    assert guard.cut.rule == rule
    assert not psu.outputs[1]


def test_a_supply_that_is_always_slow_is_not_late(fake_psu: Any, clock: Any) -> None:
    psu = fake_psu(ohms={1: 2.0})
    steadily(psu, clock, 0.15)
    guard = started(psu, clock)
    run_for(guard, clock, 2.0)
    assert guard.cut is not None
    assert guard.cut.rule in ("constant-current", "over-current")


@pytest.mark.parametrize(("more", "rule"), [(0.25, "late-reading"), (0.13, "constant-current")])
def test_late_is_four_times_its_quickest_answer(fake_psu: Any, clock: Any, more: float, rule: str) -> None:
    psu = fake_psu(ohms={1: 2.0})
    steadily(psu, clock, 0.05)
    guard = Guard({"USB": Feed(psu, 1, "supply")}, clock)
    guard.prove_off()
    guard.arm("USB", SETTING, Envelope(5.0, 0.12, inrush_s=0.02))
    guard.on("USB")
    guard.tick()
    assert guard.cut is None
    late_once(psu, clock, more)
    guard.tick()
    assert guard.cut is not None
    assert guard.cut.rule == rule


def test_how_quick_a_supply_is_is_known_from_when_it_was_off(fake_psu: Any, clock: Any) -> None:
    """So that its first answer with power on is not held to be as quick as it can."""
    psu = fake_psu(ohms={1: 60.0})
    guard = Guard({"USB": Feed(psu, 1, "supply")}, clock)
    guard.prove_off()
    clock.sleep(1.0)
    guard.tick()  # a look at what is off
    guard.arm("USB", SETTING, ENVELOPE)
    guard.on("USB")
    late_once(psu, clock, 0.3)
    guard.tick()
    assert guard.cut is not None
    assert guard.cut.rule == "late-reading"
    assert "over-current: 83.3 mA" in guard.cut.says


def test_a_short_is_cut_within_the_inrush_time(fake_psu: Any, clock: Any) -> None:
    guard = started(psu := fake_psu(ohms={1: 2.0}), clock)
    run_for(guard, clock, 1.0)
    assert guard.cut is not None
    assert guard.cut.rule in ("constant-current", "over-current")
    assert guard.cut_supply == "USB"
    assert not psu.outputs[1]
    assert guard.cut.time == pytest.approx(0.02, abs=0.005)


def test_a_trip_switches_all_outputs_off(fake_psu: Any, clock: Any) -> None:
    psu = fake_psu(ohms={1: 250.0, 2: 2.0})
    guard = Guard({"USB": Feed(psu, 1), "PANEL": Feed(psu, 2)}, clock)
    guard.prove_off()
    for supply in ("USB", "PANEL"):
        guard.arm(supply, SETTING, ENVELOPE)
        guard.on(supply)
    run_for(guard, clock, 1.0)
    assert guard.cut_supply == "PANEL"
    assert psu.outputs == {1: False, 2: False}


def test_nothing_is_armed_after_a_trip(fake_psu: Any, clock: Any) -> None:
    guard = started(fake_psu(ohms={1: 2.0}), clock)
    run_for(guard, clock, 1.0)
    with pytest.raises(SettingError, match="cut the power"):
        guard.arm("USB", SETTING, ENVELOPE)


def test_a_ramp_climbs_in_steps_and_is_watched_meanwhile(fake_psu: Any, clock: Any) -> None:
    guard = started(psu := fake_psu(), clock, Ramp(1.0, 0.02))
    assert psu.settings[1][0] == 0.0
    volts = []
    while guard.climbing("USB"):
        clock.sleep(0.005)
        guard.tick()
        volts.append(psu.settings[1][0])
    assert sorted(set(volts) - {0.0}) == [1.0, 2.0, 3.0, 4.0, 5.0]
    assert guard.cut is None
    track = guard.take_trace()["USB"]
    assert track.volts == sorted(track.volts)
    assert len(track.times) == len(track.amps) == len(track.mode) == len(track.limit)


def test_a_ramp_into_a_short_never_reaches_its_top(fake_psu: Any, clock: Any) -> None:
    guard = started(psu := fake_psu(ohms={1: 2.0}), clock, Ramp(0.5, 0.02))
    run_for(guard, clock, 1.0)
    assert guard.cut is not None
    assert psu.settings[1][0] <= 1.5


def test_a_lost_link_cuts_and_raises(fake_psu: Any, clock: Any) -> None:
    guard = started(psu := fake_psu(), clock)
    psu.fails = {"sample"}
    clock.sleep(0.001)
    with pytest.raises(LinkTimeout):
        guard.tick()
    assert guard.cut is not None
    assert guard.cut.rule == "link-lost"
    assert not psu.outputs[1]


def test_switching_off_goes_on_past_an_output_that_fails(fake_psu: Any, clock: Any) -> None:
    broken, good = fake_psu(dead=True), fake_psu()
    good.outputs[1] = True
    guard = Guard({"USB": Feed(broken, 1), "PANEL": Feed(good, 1)}, clock)
    report = guard.all_off()
    assert report.states == {"USB": "unknown", "PANEL": "off"}
    assert not good.outputs[1]
    assert not report.confirmed
    assert "USB: unknown (no reply" in report.says()


def test_unknown_is_not_off_and_on_is_told(fake_psu: Any, clock: Any) -> None:
    psu = fake_psu(stuck_on=True)
    psu.outputs[1] = True
    psu.settings[1] = (5.0, 0.1)
    report = Guard({"USB": Feed(psu, 1)}, clock).all_off()
    assert report.states == {"USB": "on"}
    assert psu.calls.count("off 1") == 3


def test_a_fresh_link_is_tried_before_giving_up(fake_psu: Any, clock: Any) -> None:
    psu = fake_psu(dead=True)

    def reopen() -> None:
        psu.dead = False

    report = Guard({"USB": Feed(psu, 1, reopen=reopen)}, clock).all_off()
    assert report.confirmed


def test_a_supply_that_tells_no_state_is_measured(fake_psu: Any, clock: Any) -> None:
    psu = fake_psu(tells_state=False)
    assert Guard({"USB": Feed(psu, 1)}, clock).all_off().confirmed
    psu.outputs[1], psu.stuck_on, psu.settings[1] = True, True, (5.0, 0.1)
    assert Guard({"USB": Feed(psu, 1)}, clock).all_off().states == {"USB": "unknown"}


def test_a_protection_is_cleared_only_with_the_output_off(fake_psu: Any, clock: Any) -> None:
    psu = fake_psu(trips={1: "ovp"}, clear_switches_on=True)
    guard = Guard({"USB": Feed(psu, 1)}, clock)
    with pytest.raises(SettingError, match="switched the output on"):
        guard.prove_off()
    assert not psu.outputs[1]
    assert psu.calls.index("off 1") < psu.calls.index("clear 1")


def test_no_limit_is_not_armed(fake_psu: Any, clock: Any) -> None:
    guard = Guard({"USB": Feed(fake_psu(), 1)}, clock)
    guard.prove_off()
    with pytest.raises(SettingError, match="no current limit"):
        guard.arm("USB", Setting(5.0, 0.0), ENVELOPE)
    with pytest.raises(SettingError, match="not armed"):
        guard.on("USB")


def test_an_output_whose_answer_to_on_is_lost_is_on_the_list_to_switch_off(fake_psu: Any, clock: Any) -> None:
    psu = fake_psu(fails={"on"})
    guard = Guard({"USB": Feed(psu, 1)}, clock)
    guard.prove_off()
    guard.arm("USB", SETTING, ENVELOPE)
    with pytest.raises(LinkTimeout):
        guard.on("USB")
    assert guard.any_live
    assert guard.all_off().confirmed


def test_the_trace_is_thinned_while_nothing_happens(fake_psu: Any, clock: Any) -> None:
    guard = started(fake_psu(), clock)
    run_for(guard, clock, 10.0)
    kept = len(guard.take_trace()["USB"].times)
    assert 150 < kept < 400


# --- nothing is energised before it is proven off -------------------------------------------------------------------
def test_nothing_is_armed_before_every_output_was_seen_off(fake_psu: Any, clock: Any) -> None:
    broken, good = fake_psu(dead=True), fake_psu()
    guard = Guard({"USB": Feed(good, 1), "PANEL": Feed(broken, 1)}, clock)
    with pytest.raises(SettingError, match="seen to be off"):
        guard.arm("USB", SETTING, ENVELOPE)
    assert not guard.prove_off().confirmed
    with pytest.raises(SettingError, match="seen to be off"):
        guard.arm("USB", SETTING, ENVELOPE)
    assert "set 1" not in good.calls


def test_an_output_that_was_never_seen_to_be_off_counts_as_on(fake_psu: Any, clock: Any) -> None:
    """Nobody switched it on: it is tried again all the same, and not watched as one that is off."""
    broken, good = fake_psu(dead=True), fake_psu()
    guard = Guard({"USB": Feed(good, 1), "PANEL": Feed(broken, 1)}, clock)
    assert not guard.prove_off().confirmed
    assert guard.any_live
    assert guard._believed_off() == ["USB"]
    broken.dead = False
    assert guard.all_off().confirmed
    assert not guard.any_live


def test_an_output_that_is_on_is_not_armed(fake_psu: Any, clock: Any) -> None:
    guard = Guard({"USB": Feed(psu := fake_psu(), 1)}, clock)
    guard.prove_off()
    psu.outputs[1] = True
    with pytest.raises(SettingError, match="was on before it was armed"):
        guard.arm("USB", SETTING, ENVELOPE)
    assert not psu.outputs[1]
    assert "set 1" not in psu.calls


def test_an_output_is_armed_once(fake_psu: Any, clock: Any) -> None:
    guard = started(fake_psu(), clock)
    with pytest.raises(SettingError, match="on already"):
        guard.arm("USB", SETTING, ENVELOPE)
    guard.off("USB")
    with pytest.raises(SettingError, match="is not armed"):
        guard.on("USB")


def test_switching_off_takes_the_arming_back(fake_psu: Any, clock: Any) -> None:
    guard = Guard({"USB": Feed(psu := fake_psu(), 1)}, clock)
    guard.prove_off()
    guard.arm("USB", SETTING, ENVELOPE)
    guard.all_off()
    with pytest.raises(SettingError, match="is not armed"):
        guard.on("USB")
    assert "on 1" not in psu.calls


# --- what is looked at while on, and while off ----------------------------------------------------------------------
def test_what_is_in_force_is_read_back_twice_a_second(fake_psu: Any, clock: Any) -> None:
    guard = started(psu := fake_psu(), clock)
    run_for(guard, clock, 3.01)
    assert psu.calls.count("check_settings 1") == 6


def test_what_else_may_be_due_is_thought_of_now_and_then(fake_psu: Any, clock: Any, monkeypatch: Any) -> None:
    """At each turn it would take from the polling (guard.md, bounds)."""
    guard = started(fake_psu(), clock)
    thought: list[float] = []
    due = guard._dark.due
    monkeypatch.setattr(guard._dark, "due", lambda *what: [thought.append(clock.now()), due(*what)][1])
    run_for(guard, clock, 0.3)
    assert 20 <= len(thought) <= 35


def test_another_setting_cuts(fake_psu: Any, clock: Any) -> None:
    guard = started(psu := fake_psu(), clock)

    def changed(_channel: Any) -> None:
        raise SettingError("supply channel 1 was set to 0.12 A and says 2 A")

    psu.check_settings = changed
    run_for(guard, clock, 1.0)
    assert guard.cut is not None
    assert guard.cut.rule == "settings-changed"
    assert "says 2 A: another program" in guard.cut.says
    assert guard.cut.time == pytest.approx(CHECK, abs=0.003)
    assert not psu.outputs[1]


@pytest.mark.parametrize(
    ("fails", "rule"), [("settings", "settings-changed"), ("link", "over-voltage"), ("nothing", "over-voltage")]
)
def test_a_rule_broken_by_anothers_setting_says_nothing_of_the_unit(
    fake_psu: Any, clock: Any, fails: str, rule: str
) -> None:
    """Before the settings are read back by turns, what another program's voltage does is seen."""
    guard = started(psu := fake_psu(), clock)
    run_for(guard, clock, 0.1)
    off_first: list[bool] = []

    def changed(channel: Any) -> None:
        off_first.append(not psu.outputs[channel])
        if fails == "settings":
            raise SettingError("supply channel 1 was set to 5 V and says 9 V")
        if fails == "link":
            raise OSError("gone")

    psu.check_settings = changed
    psu.settings[1] = (9.0, 0.12)
    run_for(guard, clock, 0.1)
    assert guard.cut is not None
    assert guard.cut.rule == rule
    assert ("says 9 V: another program" in guard.cut.says) == (rule == "settings-changed")
    assert off_first == [True]
    assert not psu.outputs[1]


@pytest.mark.parametrize(
    ("tells", "trip", "rule"),
    [(True, "", "switched-off"), (True, "ocp", "output-off"), (False, "", "output-off"), ("link", "", "output-off")],
)
def test_an_output_that_somebody_switches_off_says_nothing_of_the_unit(
    fake_psu: Any, clock: Any, tells: Any, trip: str, rule: str
) -> None:
    """`wakeboard off` at another terminal, or a hand at the panel; the supply can tell its own protections apart."""
    guard = started(psu := fake_psu(), clock)
    run_for(guard, clock, 0.1)
    psu.tells_trips, psu.outputs[1] = bool(tells), False
    if trip:
        psu.trips[1] = trip
    if tells == "link":
        psu.fails = {"untripped"}
    run_for(guard, clock, 0.1)
    assert guard.cut is not None
    assert guard.cut.rule == rule
    assert ("another program" in guard.cut.says) == (rule == "switched-off")
    assert psu.calls.index("off 1", psu.calls.index("on 1")) < psu.calls.index("untripped 1")


@pytest.mark.parametrize(
    ("rule", "first", "asked"),
    [("over-current", True, 1), ("over-current", False, 0), ("late-reading", True, 0), ("late-reading", False, 0)],
)
def test_who_did_it_is_asked_of_the_cut_that_counts_and_of_a_trip_rule_only(
    fake_psu: Any, clock: Any, monkeypatch: pytest.MonkeyPatch, rule: str, first: bool, asked: int
) -> None:
    """A supply that gave no answer in time is not asked more; nor is one after the cut that is told."""
    guard = started(psu := fake_psu(), clock)
    questions: list[Any] = []
    monkeypatch.setattr(psu, "check_settings", questions.append)
    cut = Cut(rule, 1.0, 5.0, 0.5, "so")
    guard.cut = cut if first else Cut("over-current", 0.5, 5.0, 0.5, "before")
    guard._whose_doing("USB", cut, psu.sample(1))
    assert len(questions) == asked


def test_a_protection_that_was_seen_to_trip_is_not_asked_after(fake_psu: Any, clock: Any) -> None:
    """A supply may forget it as the output is told to be off."""
    guard = started(psu := fake_psu(), clock)
    run_for(guard, clock, 0.1)
    psu.tells_trips, psu.outputs[1] = True, False
    psu.sample = lambda _channel: SimpleNamespace(volts=0.0, amps=0.0, mode="off", on=False, trip="ovp", time=0.0)
    run_for(guard, clock, 0.1)
    assert guard.cut is not None
    assert guard.cut.rule == "output-off"
    assert "its own protection (ovp)" in guard.cut.says


def test_a_link_that_fails_at_the_settings_cuts(fake_psu: Any, clock: Any) -> None:
    guard = started(psu := fake_psu(), clock)
    psu.fails = {"check_settings"}
    with pytest.raises(LinkTimeout):
        run_for(guard, clock, 1.0)
    assert guard.cut is not None
    assert guard.cut.rule == "link-lost"
    assert not psu.outputs[1]


class Quiet(NamedTuple):
    """A sample."""

    volts: float
    amps: float
    mode: str
    on: bool


def two(psu: Any, clock: Any) -> Guard:
    """USB on, PANEL off."""
    guard = Guard({"USB": Feed(psu, 1, "supply"), "PANEL": Feed(psu, 2, "supply")}, clock)
    guard.prove_off()
    guard.arm("USB", SETTING, ENVELOPE)
    guard.on("USB")
    return guard


def switch_on(psu: Any, channel: Any) -> None:
    psu.settings[channel] = (5.0, 0.1)
    psu.outputs[channel] = True


def test_an_output_that_comes_on_cuts_within_a_quarter_of_a_second(fake_psu: Any, clock: Any) -> None:
    guard = two(psu := fake_psu(), clock)
    run_for(guard, clock, 0.4)
    assert guard.cut is None
    switch_on(psu, 2)
    run_for(guard, clock, 1.0)
    assert guard.cut is not None
    assert (guard.cut.rule, guard.cut_supply) == ("came-on", "PANEL")
    assert guard.came_on is guard.cut
    assert guard.cut.time <= 0.4 + 0.25
    assert psu.outputs == {1: False, 2: False}


def test_a_cut_ends_no_watch(fake_psu: Any, clock: Any) -> None:
    guard = two(psu := fake_psu(ohms={1: 2.0}), clock)
    run_for(guard, clock, 1.0)
    first = guard.cut
    assert first is not None
    switch_on(psu, 1)
    ends = clock.now() + 1.0
    while psu.outputs[1] and clock.now() < ends:
        clock.sleep(0.001)
        guard.tick()
    assert not psu.outputs[1]
    assert guard.cut is first
    assert guard.came_on is not None
    assert guard.came_on_supply == "USB"


def test_current_out_of_an_output_that_says_off_is_seen_at_the_third_look(fake_psu: Any, clock: Any) -> None:
    guard = two(psu := fake_psu(), clock)
    seen = psu._seen
    psu._seen = lambda channel: Quiet(0.3, 0.1, "off", False) if channel == 2 else seen(channel)
    run_for(guard, clock, 0.4)
    assert guard.cut is None
    run_for(guard, clock, 1.0)
    assert guard.cut is not None
    assert guard.cut.rule == "came-on"
    assert "0.30 V and 100 mA come out of it" in guard.cut.says
    assert guard.off_report is not None
    assert guard.off_report.states["PANEL"] == "on"


def test_a_moment_of_current_is_no_output_that_came_on(fake_psu: Any, clock: Any) -> None:
    guard = two(psu := fake_psu(), clock)
    seen, looks = psu._seen, []

    def blinks(channel: Any) -> Any:
        if channel == 2:
            looks.append(1)
            return Quiet(0.3, 0.1 if len(looks) % 3 else 0.0, "off", False)
        return seen(channel)

    psu._seen = blinks
    run_for(guard, clock, 3.0)
    assert len(looks) > 9
    assert guard.cut is None


def test_one_look_without_an_answer_is_let_pass_and_two_are_not(fake_psu: Any, clock: Any) -> None:
    guard = two(psu := fake_psu(), clock)
    sample, asked = psu.sample, []

    def fails(channel: Any) -> Any:
        if channel != 2:
            return sample(channel)
        asked.append(clock.now())
        if len(asked) in (1, 3, 4):
            raise LinkTimeout("no reply")
        return sample(channel)

    psu.sample = fails
    run_for(guard, clock, 1.6)
    assert guard.cut is None
    assert len(asked) >= 2
    with pytest.raises(LinkTimeout):
        run_for(guard, clock, 4.0)
    assert guard.cut is not None
    assert guard.cut.rule == "link-lost"


def test_outputs_are_not_looked_at_before_they_were_all_switched_off(fake_psu: Any, clock: Any) -> None:
    switch_on(psu := fake_psu(), 1)
    guard = Guard({"USB": Feed(psu, 1)}, clock)
    guard.tick()
    assert guard.cut is None


def test_an_output_that_feeds_nothing_counts_where_it_was_off(fake_psu: Any, clock: Any) -> None:
    psu = fake_psu()
    psu.channels = ["1", "2", "3"]
    switch_on(psu, "3")
    guard = Guard({"USB": Feed(psu, "1", "supply")}, clock)
    guard.prove_off()
    clock.sleep(1.0)
    guard.tick()
    guard.tick()
    assert guard.cut is None
    assert psu.outputs["3"], "somebody else's"
    switch_on(psu, "2")
    clock.sleep(1.0)
    guard.tick()
    guard.tick()
    assert guard.cut is not None
    assert guard.cut_supply == "supply output 2"
    assert not psu.outputs["2"]
    assert psu.outputs["3"]


def test_outputs_with_one_switch_are_on_together(fake_psu: Any, clock: Any) -> None:
    psu = fake_psu()
    psu.can = SimpleNamespace(outputs="together", ovp=True, ocp="none")
    psu.most_ocp_delay = lambda _channel: None
    guard = two(psu, clock)
    switch_on(psu, 2)
    run_for(guard, clock, 1.0)
    assert guard.cut is None
    guard.all_off()
    switch_on(psu, 2)
    run_for(guard, clock, 1.0)
    assert guard.cut is not None
    assert guard.cut.rule == "came-on"


# --- the last look --------------------------------------------------------------------------------------------------
def test_the_last_look_sends_no_command(fake_psu: Any, clock: Any) -> None:
    guard = two(psu := fake_psu(), clock)
    guard.all_off()
    psu.calls.clear()
    assert guard.look_again().confirmed
    assert psu.calls == ["is_on 1", "measure 1", "is_on 2", "measure 2"]
    assert guard.came_on is None


def test_what_came_back_by_the_last_look_is_switched_off_again(fake_psu: Any, clock: Any) -> None:
    guard = two(psu := fake_psu(), clock)
    guard.all_off()
    switch_on(psu, 1)
    assert guard.look_again().confirmed
    assert not psu.outputs[1]
    assert guard.came_on is not None
    assert guard.came_on_supply == "USB"
    assert not guard.any_live


def test_what_comes_back_each_time_is_on(fake_psu: Any, clock: Any) -> None:
    guard = two(psu := fake_psu(), clock)
    off = psu.off

    def falls_back(channel: Any) -> bool:
        answer = off(channel)
        switch_on(psu, channel)
        return bool(answer)

    guard.all_off()
    psu.off = falls_back
    switch_on(psu, 1)
    report = guard.look_again()
    assert report.states["USB"] == "on"
    assert "on again" in report.says()
    assert guard.any_live


def test_a_last_look_without_an_answer_is_unknown(fake_psu: Any, clock: Any) -> None:
    guard = two(psu := fake_psu(), clock)
    guard.all_off()
    psu.dead = True
    assert guard.look_again().states == {"USB": "unknown", "PANEL": "unknown"}
    assert guard.any_live
    psu.dead = False
    assert guard.all_off().confirmed
    assert not guard.any_live


def returning(psu: Any, times: int, says: bool = True) -> None:
    """It comes back by the next look at it, so many times; says: it tells so when it is asked."""
    off, measure, is_on = psu.off, psu.measure, psu.is_on
    left = [times]

    def switched(channel: Any) -> bool:
        return bool(off(channel))

    def measured(channel: Any) -> Any:
        if left[0] > 0 and not psu.outputs[channel]:
            left[0] -= 1
            psu.outputs[channel] = True
        return measure(channel)

    psu.off, psu.measure = switched, measured
    psu.is_on = lambda channel: is_on(channel) and says


def test_what_comes_back_while_it_is_switched_off_is_off_again_and_told(fake_psu: Any, clock: Any) -> None:
    """Within the milliseconds in which the outputs are switched off: off in the end, and not as if nothing had been."""
    guard = started(psu := fake_psu(), clock)
    returning(psu, 1)
    before = clock.now()
    report = guard.all_off()
    assert report.confirmed
    assert not psu.outputs[1]
    assert guard.came_on is not None
    assert guard.came_on.rule == "came-on"
    assert guard.came_on.says == "the output of USB: it was switched off, and is on again, at 5.00 V"
    assert guard.came_on_supply == "USB"
    assert clock.now() == before, "it is not waited for"
    assert guard.all_off().remarks == {"USB": "it was switched off, and is on again, at 5.00 V"}
    guard.came_on = None
    guard.all_off()
    assert guard.came_on is None, "of this time only"


def test_what_came_back_is_noticed_before_it_is_told_to_be_off_again(fake_psu: Any, clock: Any) -> None:
    """A run that is broken off is switched off by the step, and once more by its end."""
    guard = two(psu := fake_psu(), clock)
    guard.all_off()
    psu.calls.clear()
    switch_on(psu, 2)
    report = guard.all_off()
    assert report.confirmed
    assert not any(psu.outputs.values())
    assert guard.came_on is not None
    assert guard.came_on.says == "the output of PANEL: it was switched off, and is on again"
    assert psu.calls.index("off 1") < psu.calls.index("off 2")


def test_what_is_on_goes_off_before_anything_is_asked(fake_psu: Any, clock: Any) -> None:
    guard = two(psu := fake_psu(), clock)
    psu.calls.clear()
    guard.all_off()
    assert psu.calls[:3] == ["off 1", "is_on 2", "off 2"]


def test_on_a_link_that_fails_nothing_is_asked_first(fake_psu: Any, clock: Any) -> None:
    guard = two(psu := fake_psu(), clock)
    psu.dead = True
    psu.calls.clear()
    guard.all_off()
    assert psu.calls == ["off 1", "off 2"] + ["off 1"] * 2 + ["off 2"] * 2


def test_an_output_that_went_off_at_the_second_try_is_off_with_a_remark(fake_psu: Any, clock: Any) -> None:
    guard = started(psu := fake_psu(), clock)
    psu.stuck_on = True
    is_on, off = psu.is_on, psu.off

    def late(channel: Any) -> bool:
        psu.stuck_on = psu.calls.count("off 1") < 2  # one was of the proof before
        return bool(off(channel))

    psu.off, psu.is_on = late, is_on
    report = guard.all_off()
    assert report.confirmed
    assert not report.errors
    assert report.says().startswith("outputs confirmed off; USB: after the off command it was on")


def test_a_driver_that_had_to_say_it_twice_is_heard(fake_psu: Any, clock: Any) -> None:
    psu = fake_psu()
    psu.repeated = {"1"}
    guard = started(psu, clock)
    assert list(guard.all_off().remarks) == ["USB"]


def test_a_readback_that_lags_is_no_output_that_came_back(fake_psu: Any, clock: Any) -> None:
    guard = started(psu := fake_psu(), clock)
    returning(psu, 1, says=False)
    assert guard.all_off().confirmed
    assert guard.came_on is None


def test_what_cannot_be_asked_whether_it_is_back_counts_by_its_current(fake_psu: Any, clock: Any) -> None:
    guard = started(psu := fake_psu(), clock)
    returning(psu, 100)
    psu.fails = {"is_on"}
    report = guard.all_off()
    assert report.states == {"USB": "on"}
    assert "yet 5.00 V and 20 mA come out of it" in report.says()


@pytest.mark.parametrize(("volts", "amps", "state"), [
    (0.3, 0.1, "on"), (5.0, 0.004, "off"), (0.0, 0.0, "off"), (5.0, -0.1, "off"), (5.0, 0.006, "on"),
    (-9.9e37, 0.0, "unknown"), (5.0, 9.91e37, "unknown"),
])  # fmt: skip
def test_off_is_no_current(fake_psu: Any, clock: Any, volts: float, amps: float, state: str) -> None:
    psu = fake_psu()
    psu.measure = lambda _channel: (volts, amps)
    report = Guard({"USB": Feed(psu, 1)}, clock).all_off()
    assert report.states == {"USB": state}
    assert report.confirmed is (state == "off")
    assert ("USB" in report.errors) is (state != "off")


def test_a_current_that_ceases_is_a_discharge(fake_psu: Any, clock: Any) -> None:
    psu = fake_psu()
    psu.measure = lambda _channel: (5.0, 0.1 if clock.now() < 0.09 else 0.0)
    assert Guard({"USB": Feed(psu, 1)}, clock).all_off().confirmed
    assert psu.calls.count("off 1") == 1


def test_what_a_readback_may_be_off_by_is_no_current(fake_psu: Any, clock: Any) -> None:
    psu = fake_psu()
    psu.amps_accuracy = SimpleNamespace(half_width=lambda amps, _of: 0.02 + 0.01 * amps)
    psu.measure = lambda _channel: (5.0, 0.045)
    assert Guard({"USB": Feed(psu, 1)}, clock).all_off().confirmed
    psu.measure = lambda _channel: (5.0, 0.047)
    assert Guard({"USB": Feed(psu, 1)}, clock).all_off().states == {"USB": "on"}


def test_an_output_that_sticks_counts_as_energised_until_it_is_off(fake_psu: Any, clock: Any) -> None:
    guard = started(psu := fake_psu(), clock)
    psu.stuck_on = True
    guard.all_off()
    assert guard.any_live
    before = clock.now()
    clock.sleep(10.0)
    assert guard.energised == pytest.approx(clock.now(), abs=0.01)
    psu.stuck_on = False
    assert guard.all_off().confirmed
    at = guard.energised
    clock.sleep(10.0)
    assert guard.energised == at >= before + 10.0


# --- one thing at a time --------------------------------------------------------------------------------------------
def test_a_supply_that_trips_as_it_is_switched_on_is_a_trip(fake_psu: Any, clock: Any) -> None:
    """The driver asks whether it is on: its own protection was quicker."""
    psu = fake_psu()
    guard = Guard({"USB": Feed(psu, 1, "supply")}, clock)
    guard.prove_off()
    guard.arm("USB", SETTING, ENVELOPE)

    def trips(_channel: Any) -> None:
        raise SettingError("was switched on and says that it is off")

    psu.on = trips
    guard.on("USB")
    assert guard.cut is not None
    assert (guard.cut.rule, guard.cut_supply) == ("output-off", "USB")
    assert "says that it is off" in guard.cut.says
    assert not guard.any_live


def test_a_protection_that_is_refused_is_left_off_and_said(fake_psu: Any, clock: Any) -> None:
    psu, taken_back = fake_psu(), []

    def refuses(_channel: Any, ovp: Any = None, ocp: Any = None, **_delay: Any) -> None:
        if ocp is not None:
            raise SettingError("no such level")

    psu.protect, psu.unprotect = refuses, taken_back.append
    psu.can = SimpleNamespace(ovp=True, ocp="level", outputs="each")
    psu.most_ocp_delay = lambda _channel: 10.0
    guard = Guard({"USB": Feed(psu, 1, "supply")}, clock)
    guard.prove_off()
    assert guard.arm("USB", SETTING, ENVELOPE) == "its over-current protection is not armed: no such level"
    assert taken_back == [1]
    with pytest.raises(SettingError, match="no such level"):
        guard.arm("USB", Setting(5.0, 0.12, ocp=0.1), ENVELOPE)


def test_the_delay_of_a_protection_goes_with_it(fake_psu: Any, clock: Any) -> None:
    psu, told = fake_psu(), []
    psu.protect = lambda channel, **what: told.append(what)
    psu.can = SimpleNamespace(ovp=True, ocp="on limit", outputs="each")
    psu.most_ocp_delay = lambda _channel: 10.0
    guard = Guard({"USB": Feed(psu, 1, "supply")}, clock)
    guard.prove_off()
    assert "is armed: 120 mA for 40 ms" in guard.arm("USB", SETTING, ENVELOPE)
    assert told == [{"ovp": 6.0}, {"ocp": 0.12, "delay": 0.04}]


def test_a_ramp_begins_where_it_is_told_to_and_never_beyond(fake_psu: Any, clock: Any) -> None:
    guard = started(psu := fake_psu(), clock, Ramp(1.0, 0.02, start=2.0))
    assert psu.settings[1] == (2.0, 0.12)
    guard.off("USB")
    guard.arm("USB", SETTING, ENVELOPE)
    guard.on("USB", Ramp(1.0, 0.02, start=9.0))
    assert psu.settings[1] == (5.0, 0.12)
    guard.off("USB")
    guard.arm("USB", SETTING, ENVELOPE)
    guard.on("USB", Ramp(0.0, 0.02))
    assert not guard.climbing("USB")
    assert not guard.climbing("NOPE")


def test_a_ramp_waits_between_its_steps(fake_psu: Any, clock: Any) -> None:
    guard = started(psu := fake_psu(), clock, Ramp(1.0, 0.5))
    for seconds, volts in ((0.4, 0.0), (0.2, 1.0), (0.2, 1.0), (0.35, 2.0)):
        clock.sleep(seconds)
        guard.tick()
        assert psu.settings[1][0] == volts


def test_it_looks_closely_after_a_change_and_while_something_is_odd(fake_psu: Any, clock: Any) -> None:
    guard = started(psu := fake_psu(), clock)
    assert guard.close
    clock.sleep(0.049)
    assert guard.close
    clock.sleep(0.002)
    assert not guard.close
    guard.change()
    assert guard.close
    clock.sleep(1.0)
    guard.bound("USB", None, 0.02)
    guard.tick()
    assert not guard.close
    psu.ohms[1] = 1e9
    guard.tick()
    assert guard.cut is None
    assert guard.close, "its current has ceased, not long enough yet"


def test_energised_is_counted_from_on_to_off_however_many_are_on(fake_psu: Any, clock: Any) -> None:
    guard = two(fake_psu(), clock)
    clock.sleep(1.0)
    guard.arm("PANEL", SETTING, ENVELOPE)
    guard.on("PANEL")
    clock.sleep(1.0)
    guard.off("USB")
    clock.sleep(1.0)
    assert guard.energised == pytest.approx(3.0)
    guard.off("PANEL")
    clock.sleep(5.0)
    assert guard.energised == pytest.approx(3.0)
    guard.arm("USB", SETTING, ENVELOPE)
    guard.on("USB")
    clock.sleep(1.0)
    guard.off("USB")
    assert guard.energised == pytest.approx(4.0)


def test_what_comes_on_by_itself_counts_as_energised(fake_psu: Any, clock: Any) -> None:
    psu = fake_psu()
    guard = Guard({"USB": Feed(psu, 1, "supply")}, clock)
    guard.prove_off()
    switch_on(psu, 1)
    psu.stuck_on = True
    run_for(guard, clock, 1.0)
    assert guard.cut is not None
    assert guard.any_live
    clock.sleep(2.0)
    assert guard.energised == pytest.approx(2.0, abs=0.3)


def test_the_lowest_of_those_on_is_named_where_no_supply_is_to_blame(fake_psu: Any, clock: Any) -> None:
    guard = started(fake_psu(), clock)
    guard.tick()
    guard.abandon("heartbeat", "the runner hung")
    assert guard.cut is not None
    assert (guard.cut_supply, guard.cut.volts, guard.cut.amps) == ("USB", 5.0, 0.02)
    guard.abandon("another", "later")
    assert guard.cut.rule == "heartbeat"


def test_before_the_first_sample_a_cut_has_no_numbers(fake_psu: Any, clock: Any) -> None:
    guard = started(fake_psu(), clock)
    guard.abandon("heartbeat", "the runner hung")
    assert guard.cut is not None
    assert guard.cut.volts != guard.cut.volts
    assert guard.cut.amps != guard.cut.amps


def test_the_trace_has_what_was_sampled_and_begins_anew(fake_psu: Any, clock: Any) -> None:
    guard = started(fake_psu(), clock)
    clock.sleep(0.01)
    guard.tick()
    track = guard.take_trace()["USB"]
    assert (track.times, track.volts, track.amps, track.limit, track.mode) == ([0.01], [5.0], [0.02], [0.12], ["cv"])
    assert guard.take_trace() == {}
    guard.off("USB")
    guard.sample("USB")
    assert guard.take_trace()["USB"].limit == [0.0]


def test_what_was_said_for_nothing_new_is_taken_out_of_the_traffic(fake_psu: Any, clock: Any) -> None:
    psu, traffic = fake_psu(), []
    call = psu._call
    psu._call = lambda name, channel: (traffic.append(name), call(name, channel))[1]
    guard = Guard({"USB": Feed(psu, 1, "supply")}, clock, traffic=traffic)
    guard.prove_off()
    guard.arm("USB", SETTING, ENVELOPE)
    guard.on("USB")
    run_for(guard, clock, 0.2)
    said = len(traffic)
    run_for(guard, clock, 1.0)
    assert psu.calls.count("check_settings 1") >= 2
    assert "check_settings" not in traffic
    assert len(traffic) - said < 60, "a sample each 50 ms, and none of the looks between"
    assert psu.calls.count("sample 1") > 900


def test_a_protection_that_had_tripped_is_cleared_only_where_there_is_one(fake_psu: Any, clock: Any) -> None:
    psu = fake_psu()
    guard = Guard({"USB": Feed(psu, 1, "supply")}, clock)
    guard.prove_off()
    assert "clear 1" not in psu.calls
    psu.trips[1] = "ocp"
    psu.clear_switches_on = True
    with pytest.raises(SettingError, match="clearing the protection switched the output on"):
        guard.prove_off()
    assert not psu.outputs[1]


def test_looks_at_what_is_off_are_not_kept_in_the_traffic(fake_psu: Any, clock: Any) -> None:
    psu, traffic = fake_psu(), []
    call = psu._call
    psu._call = lambda name, channel: (traffic.append(name), call(name, channel))[1]
    guard = Guard({"USB": Feed(psu, 1, "supply")}, clock, traffic=traffic)
    guard.prove_off()
    said = len(traffic)
    run_for(guard, clock, 1.0)
    assert psu.calls.count("sample 1") >= 5
    assert len(traffic) == said


def test_a_stray_output_that_does_not_answer_is_nobodys(fake_psu: Any, clock: Any) -> None:
    psu = fake_psu()
    psu.channels = (1, 2)
    is_on = psu.is_on

    def mute(channel: Any) -> Any:
        if channel == 2:
            raise LinkTimeout("no reply")
        return is_on(channel)

    psu.is_on = mute
    guard = Guard({"USB": Feed(psu, 1, "supply")}, clock)
    guard.prove_off()
    switch_on(psu, 2)
    run_for(guard, clock, 1.0)
    assert guard.cut is None
    assert psu.outputs[2]


def test_right_after_a_change_every_sample_is_kept(fake_psu: Any, clock: Any) -> None:
    guard = started(fake_psu(), clock)
    run_for(guard, clock, 0.0495)
    assert len(guard.take_trace()["USB"].times) > 45
    clock.sleep(1.0)
    guard.take_trace()
    run_for(guard, clock, 0.0495)
    assert len(guard.take_trace()["USB"].times) < 5


def test_the_hour_of_the_clock_does_not_matter(fake_psu: Any, clock: Any) -> None:
    clock.time = 1000.0
    guard = started(fake_psu(), clock)
    clock.sleep(2.0)
    assert guard.energised == pytest.approx(2.0)
    clock.time = 5000.0
    guard.change()
    guard.take_trace()
    assert guard.close
    run_for(guard, clock, 0.0495)
    assert len(guard.take_trace()["USB"].times) > 45, "right after a change every sample is kept"
    clock.sleep(10.0)
    assert not guard.close


def test_one_look_besides_in_a_turn_no_more(fake_psu: Any, clock: Any) -> None:
    guard = two(psu := fake_psu(), clock)
    clock.sleep(10.0)  # both are due
    del psu.calls[:]
    guard.tick()
    assert psu.calls == ["sample 1", "check_settings 1"]
    guard.tick()
    assert psu.calls[2:] == ["sample 1", "sample 2"]


def test_the_last_look_gives_outputs_a_moment_to_come_back(fake_psu: Any, clock: Any) -> None:
    guard = started(psu := fake_psu(), clock)
    guard.all_off()
    del psu.calls[:]
    before = clock.now()
    assert guard.look_again().confirmed
    assert clock.now() - before == pytest.approx(0.15)
    assert psu.calls == ["is_on 1", "measure 1"]


def test_what_comes_back_again_and_again_is_switched_off_three_times(fake_psu: Any, clock: Any) -> None:
    guard = started(psu := fake_psu(), clock)
    guard.all_off()
    is_on = psu.is_on
    psu.is_on = lambda channel: is_on(channel) or True
    del psu.calls[:]
    assert guard.look_again().states == {"USB": "on"}
    assert psu.calls.count("off 1") >= 3
    assert clock.now() < 10.0


@pytest.mark.parametrize(("mode", "says"), [("unknown", None), ("off", True), ("cv", None)])
def test_an_output_that_does_not_say_that_it_is_on_is_not_said_to_be(
    fake_psu: Any, clock: Any, mode: str, says: Any
) -> None:
    guard = two(psu := fake_psu(), clock)
    seen = psu._seen
    psu._seen = lambda channel: Quiet(0.0, 0.0, mode, says) if channel == 2 else seen(channel)
    run_for(guard, clock, 1.0)
    assert guard.cut is None


def test_the_readbacks_error_is_asked_for_at_any_range(fake_psu: Any, clock: Any) -> None:
    """The supply chooses its range by itself: its table is asked by the current alone."""
    psu, asked = fake_psu(), []
    psu.amps_accuracy = SimpleNamespace(half_width=lambda amps, range_: asked.append((amps, range_)) or 0.002)
    assert Guard({"USB": Feed(psu, 1)}, clock).amps_error("USB", 0.5) == 0.002
    assert asked == [(0.5, 0.0)]


def test_the_figures_of_the_page() -> None:
    assert (owner.CHECK, owner.SETTLED, owner.ROUNDS, owner.CLOSE) == (0.5, 0.15, 3, 0.05)
    assert (owner.LATE, owner.LATE_TIMES) == (0.1, 4.0)
    assert (dark.PERIOD, dark.AGAIN) == (0.15, 1.0)
    assert (switching.OFF_TRIES, switching.LOOKS, switching.LOOK_GAP) == (3, 3, 0.05)
    assert (switching.STRAY_AMPS, switching.STILL_VOLTS) == (0.005, 1.0)


def test_a_failure_without_words_is_told_by_its_kind(fake_psu: Any, clock: Any) -> None:
    guard = two(psu := fake_psu(), clock)
    reopened: list[int] = []

    def reopen() -> None:
        reopened.append(1)
        raise ConnectionRefusedError

    def mute(_channel: Any) -> Any:
        raise TimeoutError

    guard._off.feeds["USB"] = replace(guard.feeds["USB"], reopen=reopen)  # type: ignore[index]
    off = psu.off
    psu.off = lambda channel: mute(channel) if channel == 1 else off(channel)
    report = guard.all_off()
    assert (report.states["USB"], report.errors["USB"]) == ("unknown", "TimeoutError")
    psu.off = lambda channel: False if channel == 1 else off(channel)  # it cannot tell, and measures what it feeds
    report = guard.all_off()
    assert "cannot tell" in report.errors["USB"]
    psu.is_on = mute
    report = guard._off.look(["PANEL"])
    assert (report.states["PANEL"], report.errors["PANEL"]) == ("unknown", "TimeoutError")
    psu.off, psu.is_on, psu.outputs[1] = lambda channel: True, lambda channel: False, False
    errors: dict[str, str] = {}
    assert guard._off._insist("USB", errors) == "off", "the old link carried the command"
    assert errors["USB"] == "ConnectionRefusedError"
    assert reopened
