"""The guard as owner of the outputs: arming, ramping, tripping, and switching off whatever fails."""

from __future__ import annotations

from typing import Any

import pytest

from wakeboard.harness.run.guard.core import Envelope
from wakeboard.harness.run.guard.owner import Feed, Guard, Ramp, Setting
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
    with pytest.raises(SettingError, match="no current limit"):
        guard.arm("USB", Setting(5.0, 0.0), ENVELOPE)
    with pytest.raises(SettingError, match="not armed"):
        guard.on("USB")


def test_an_output_whose_answer_to_on_is_lost_is_on_the_list_to_switch_off(fake_psu: Any, clock: Any) -> None:
    psu = fake_psu(fails={"on"})
    guard = Guard({"USB": Feed(psu, 1)}, clock)
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
