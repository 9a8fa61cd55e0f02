"""The trip rules as a pure function of samples.

The inrush figure is a textbook one: t = C·ΔV/I, 470 µF to 5 V at 100 mA takes 23.5 ms (reference values, 1.6).
All other figures are the guard's own rules.
"""

from __future__ import annotations

import pytest

from wakeboard.harness.run.guard import core
from wakeboard.harness.run.guard.core import (
    LEAD_TIME,
    LIMIT_TIME,
    RULES,
    Cut,
    Envelope,
    Sample,
    Watch,
    judge,
    suspicious,
)

INRUSH = 470e-6 * 5.0 / 0.1
ENVELOPE = Envelope(volts=5.0, limit=0.1, inrush_s=INRUSH, most_amps=0.06, least_amps=0.01, margin_volts=0.25)


def play(samples: list[Sample], envelope: Envelope = ENVELOPE, changed: float = 0.0) -> Cut | None:
    watch = Watch.fresh(changed)
    for sample in samples:
        watch, cut = judge(envelope, watch, sample)
        if cut is not None:
            return cut
    return None


def steady(start: float, end: float, volts: float, amps: float, mode: str = "cv") -> list[Sample]:
    count = round((end - start) / 0.001)
    return [Sample(start + 0.001 * n, volts, amps, mode, True) for n in range(count + 1)]


def test_charging_for_as_long_as_the_capacitors_need_is_no_trip() -> None:
    assert pytest.approx(0.0235) == INRUSH
    charging = [Sample(t / 1000, 5.0 * t / 23.5, 0.1, "cc", True) for t in range(24)]
    assert play([*charging, *steady(0.024, 0.5, 5.0, 0.03)]) is None


def test_limiting_for_longer_trips_at_once() -> None:
    cut = play(steady(0.0, 0.1, 1.2, 0.1, "cc"))
    assert cut is not None
    assert cut.rule == "constant-current"
    assert cut.time == pytest.approx(INRUSH, abs=0.0011)


def test_limiting_is_seen_without_a_word_from_the_supply() -> None:
    """A supply that tells no mode limits when its current is at the limit and its voltage below the setting."""
    assert (cut := play(steady(0.0, 0.1, 1.2, 0.0995, "unknown"))) is not None
    assert cut.rule == "constant-current"
    near_limit_but_regulated = Envelope(5.0, 0.1, INRUSH)
    assert play(steady(0.0, 0.1, 5.0, 0.0995, "unknown"), near_limit_but_regulated) is None


def test_current_above_the_envelope_trips_on_the_first_sample_after_the_inrush() -> None:
    cut = play([*steady(0.0, 0.03, 5.0, 0.02), Sample(0.031, 5.0, 0.0601, "cv", True)])
    assert cut is not None
    assert (cut.rule, cut.time) == ("over-current", 0.031)
    assert play([Sample(0.01, 5.0, 0.09, "cv", True), *steady(0.024, 0.1, 5.0, 0.059)]) is None


BARE = Envelope(5.0, 0.1, 0.03)


def test_current_above_the_limit_is_cut_whatever_the_step_allows() -> None:
    _, cut = judge(BARE, Watch.fresh(0), Sample(10, 5, 30, "cv", True))
    assert cut is not None
    assert cut.rule == "over-current"
    generous = Envelope(5.0, 0.1, 0.03, most_amps=1.0)
    assert judge(generous, Watch.fresh(0), Sample(10, 5, 0.2, "cv", True))[1] is not None


@pytest.mark.parametrize("error", [0.0, 0.0051, 0.02])
def test_a_supply_at_its_limit_is_no_trip(error: float) -> None:
    """Programming 0.2 % + 5 mA off, and the readback by all that its table allows."""
    envelope = Envelope(5.0, 0.5, 0.03, amps_error=error)
    assert play(steady(0.0, 2.0, 5.0, 0.5 * 1.002 + 0.005 + error), envelope) is None
    assert play(steady(0.0, 0.03, 2.0, 0.5 * 1.002 + 0.005 + error, "cc"), envelope) is None
    assert play(steady(0.0, 2.0, 5.0, 0.52 + 2 * error), envelope) is not None


def test_no_change_and_no_inrush_excuses_a_limit_that_is_not_held() -> None:
    slow = Envelope(5.0, 0.1, inrush_s=1.0)
    cut = play([*steady(0.0, 0.1, 2.0, 0.1, "cc"), *steady(0.101, 1.0, 2.0, 0.52, "cc")], slow)
    assert cut is not None
    assert cut.time == pytest.approx(0.101 + LIMIT_TIME, abs=0.0021)
    watch = Watch.fresh(0.0)
    for n in range(200):
        watch, cut = judge(slow, watch.change(n / 1000), Sample(n / 1000, 5, 0.52, "cv", True))
        if cut is not None:
            break
    assert cut is not None
    assert play([*steady(0.0, 0.02, 2.0, 0.52, "cv"), *steady(0.021, 0.5, 5.0, 0.05)], slow) is None


@pytest.mark.parametrize("volts", [float("nan"), float("inf"), -9.9e37, 9.9e37, 9.91e37])
def test_what_is_no_reading_is_no_trip_of_the_board(volts: float) -> None:
    for sample in (Sample(1.0, volts, 0.02, "cv", True), Sample(1.0, 5.0, volts, "cv", True)):
        _, cut = judge(ENVELOPE, Watch.fresh(0.0), sample)
        assert cut is not None
        assert cut.rule == "no-reading"
        assert cut.rule not in RULES


def test_a_change_grants_the_inrush_time_again() -> None:
    watch, _ = judge(ENVELOPE, Watch.fresh(0.0), Sample(1.0, 5.0, 0.02, "cv", True))
    watch = watch.change(1.0)
    watch, cut = judge(ENVELOPE, watch, Sample(1.01, 5.0, 0.08, "cv", True))
    assert cut is None
    watch, cut = judge(ENVELOPE, watch, Sample(1.03, 5.0, 0.08, "cv", True))
    assert cut is not None
    assert cut.rule == "over-current"


def test_steps_of_a_ramp_grant_no_time_to_a_short() -> None:
    watch, now = Watch.fresh(0.0), 0.0
    cut = None
    while cut is None and now < 1.0:
        now += 0.001
        if round(now * 1000) % 20 == 0:
            watch = watch.climb(now)
        watch, cut = judge(ENVELOPE, watch, Sample(now, 0.2, 0.1, "cc", True))
    assert cut is not None
    assert now == pytest.approx(INRUSH, abs=0.003)


@pytest.mark.parametrize(("volts", "rule"), [(5.26, "over-voltage"), (4.7, "under-voltage")])
def test_voltage_out_of_its_margin(volts: float, rule: str) -> None:
    cut = play(steady(0.1, 0.2, volts, 0.02))
    assert cut is not None
    assert cut.rule == rule


@pytest.mark.parametrize("volts", [5.24, 4.76])
def test_voltage_within_its_margin(volts: float) -> None:
    assert play(steady(0.1, 0.2, volts, 0.02)) is None


# --- samples that came late ---
def test_a_low_voltage_that_may_be_from_before_it_had_settled_is_no_verdict_on_the_unit() -> None:
    """Asked 5 ms after switching on, answered 300 ms later: nobody knows of when it is."""
    watch = Watch.fresh(0.0)
    watch, cut = judge(ENVELOPE, watch, Sample(0.004, 3.9, 0.02, "cv", True))
    assert cut is None
    _, cut = judge(ENVELOPE, watch, Sample(0.3, 3.999, 0.02, "cv", True, asked=0.005))
    assert cut is not None
    assert cut.rule == "late-reading"
    assert cut.rule not in RULES
    assert (cut.time, cut.volts, cut.amps) == (0.3, 3.999, 0.02)
    assert "came 295 ms after the question" in cut.says
    assert "under-voltage: 3.999 V where 5.000 V is set" in cut.says


def test_a_late_sample_that_was_asked_for_late_enough_is_a_verdict() -> None:
    watch, _ = judge(ENVELOPE, Watch.fresh(0.0), Sample(0.004, 3.9, 0.02, "cv", True))
    _, cut = judge(ENVELOPE, watch, Sample(0.3, 3.999, 0.02, "cv", True, asked=0.05))
    assert cut is not None
    assert (cut.rule, cut.time) == ("under-voltage", 0.3)


@pytest.mark.parametrize(
    ("sample", "rule"),
    [
        (Sample(0.3, 5.6, 0.02, "cv", True, asked=0.005), "over-voltage"),
        (Sample(0.3, 5.0, 0.09, "cv", True, asked=0.005), "over-current"),
        (Sample(0.3, 1.2, 0.1, "cc", True, asked=0.005), "constant-current"),
    ],
)
def test_every_rule_that_counts_time_knows_late_samples(sample: Sample, rule: str) -> None:
    watch, _ = judge(ENVELOPE, Watch.fresh(0.0), Sample(0.004, 1.2, 0.1, "cc", True))
    _, cut = judge(ENVELOPE, watch, sample)
    assert cut is not None
    assert cut.rule == "late-reading"
    assert f"({rule}: " in cut.says


def test_a_lead_that_fell_off_by_a_late_sample() -> None:
    watch, _ = judge(ENVELOPE, Watch.fresh(0.0), Sample(1.0, 5.0, 0.02, "cv", True))
    watch, _ = judge(ENVELOPE, watch, Sample(1.01, 5.0, 0.0, "cv", True))
    assert judge(ENVELOPE, watch, Sample(1.3, 5.0, 0.0, "cv", True, asked=1.02))[1].rule == "late-reading"  # type: ignore[union-attr]
    assert judge(ENVELOPE, watch, Sample(1.3, 5.0, 0.0, "cv", True, asked=1.07))[1].rule == "lead-off"  # type: ignore[union-attr]


def test_an_output_that_is_off_is_off_however_late_it_is_told() -> None:
    _, cut = judge(ENVELOPE, Watch.fresh(0.0), Sample(0.3, 0.0, 0.0, "off", False, asked=0.005))
    assert cut is not None
    assert cut.rule == "output-off"


def test_a_late_sample_that_breaks_no_rule_is_one_like_any_other() -> None:
    watch, cut = judge(ENVELOPE, Watch.fresh(0.0), Sample(0.3, 5.0, 0.02, "cv", True, asked=0.005))
    assert cut is None
    assert not suspicious(watch)


@pytest.mark.parametrize("sample", [Sample(0.2, 0.0, 0.0, "cv", False), Sample(0.2, 0.0, 0.0, "off", None)])
def test_an_output_that_switched_itself_off(sample: Sample) -> None:
    cut = play([*steady(0.0, 0.1, 5.0, 0.02), sample])
    assert cut is not None
    assert cut.rule == "output-off"


def test_a_lead_that_falls_off_is_a_current_that_ceases_for_good() -> None:
    flowing, gone = steady(0.0, 0.2, 5.0, 0.02), steady(0.201, 0.4, 5.0, 0.0)
    cut = play([*flowing, *gone])
    assert cut is not None
    assert cut.rule == "lead-off"
    assert cut.time == pytest.approx(0.201 + LEAD_TIME, abs=0.0011)


def test_a_moment_of_sleep_is_no_lead_that_fell_off() -> None:
    naps = [*steady(0.0, 0.2, 5.0, 0.02), *steady(0.201, 0.24, 5.0, 0.0), *steady(0.241, 0.5, 5.0, 0.02)]
    assert play(naps) is None


def test_a_board_that_never_drew_current_has_no_lead_to_lose() -> None:
    assert play(steady(0.0, 0.5, 5.0, 0.0)) is None


def test_suspicion_comes_before_the_trip() -> None:
    envelope = Envelope(5.0, 0.1, INRUSH)
    watch, cut = judge(envelope, Watch.fresh(0.0), Sample(0.5, 1.0, 0.1, "cc", True))
    assert cut is None
    assert suspicious(watch)
    watch, _ = judge(envelope, watch, Sample(0.501, 5.0, 0.02, "cv", True))
    assert not suspicious(watch)


def test_the_same_samples_give_the_same_cut() -> None:
    samples = steady(0.0, 0.1, 1.2, 0.1, "cc")
    assert play(samples) == play(samples)


def test_how_much_above_its_limit_a_supply_may_show() -> None:
    """2 % of the limit, twice the readback's error, and 1 mA."""
    from wakeboard.harness.run.guard.core import ceiling

    assert ceiling(Envelope(5.0, 0.1, 0.02, amps_error=0.005)) == pytest.approx(0.102 + 0.01 + 0.001)


@pytest.mark.parametrize(("value", "is_one"), [(8.9e37, True), (-8.9e37, True), (9.1e37, False), (-9.1e37, False)])
def test_what_is_a_reading(value: float, is_one: bool) -> None:
    from wakeboard.harness.run.guard.core import is_reading

    assert is_reading(1.0, value) is is_one


@pytest.mark.parametrize(
    ("amps", "volts", "limiting"),
    [(0.0969, 4.0, False), (0.0971, 4.0, True), (0.0971, 4.74, True), (0.0971, 4.76, False)],
)
def test_a_supply_that_tells_no_mode_limits_near_its_limit_and_below_its_voltage(
    amps: float, volts: float, limiting: bool
) -> None:
    from wakeboard.harness.run.guard.core import limits

    assert limits(Envelope(5.0, 0.1, 0.02), Sample(0.0, volts, amps)) is limiting
    assert limits(Envelope(5.0, 0.1, 0.02, amps_error=0.01), Sample(0.0, 4.0, 0.088))


def test_a_board_that_draws_next_to_nothing_has_not_ceased_to_draw() -> None:
    """1 mA is the least that any readback tells from none."""
    envelope, watch = Envelope(5.0, 0.1, 0.02, least_amps=0.005), Watch.fresh(0.0)
    watch, _ = judge(envelope, watch, Sample(1.0, 5.0, 0.006, "cv", True))
    for at in (1.1, 1.2, 1.3):
        watch, cut = judge(envelope, watch, Sample(at, 5.0, 0.0011, "cv", True))
        assert cut is None
    for at in (1.4, 1.44):
        watch, cut = judge(envelope, watch, Sample(at, 5.0, 0.0009, "cv", True))
        assert cut is None
    _, cut = judge(envelope, watch, Sample(1.4501, 5.0, 0.0009, "cv", True))
    assert cut is not None
    assert cut.rule == "lead-off"


def test_what_is_no_reading_is_shown() -> None:
    _, cut = judge(ENVELOPE, Watch.fresh(0.0), Sample(1.0, 9.9e37, 0.02, "cv", True))
    assert cut is not None
    assert cut.rule == "no-reading"
    assert cut.says.startswith("the supply says 9.9e+37 V and 0.02 A, which is no reading")


def test_the_figures_of_the_page() -> None:
    assert (core.FLOOR_AMPS, core.LEAD_SHARE, core.LEAD_TIME) == (1e-3, 0.1, 0.05)
    assert (core.NEAR_LIMIT, core.LIMIT_SHARE, core.LIMIT_TIME, core.NO_NUMBER) == (0.97, 0.02, 0.03, 9.0e37)


def test_a_low_voltage_is_granted_the_inrush_and_what_the_maker_says_no_more() -> None:
    low = [Sample(0.001 * n, 4.0, 0.02, "cv", True) for n in range(1000)]
    cut = play(low, Envelope(5.0, 0.1, INRUSH))
    assert cut is not None
    assert cut.rule == "under-voltage"
    assert cut.time == pytest.approx(INRUSH, abs=0.002)
    late = play(low, Envelope(5.0, 0.1, INRUSH, lag_s=0.5))
    assert late is not None
    assert late.time == pytest.approx(INRUSH + 0.5, abs=0.002)


def test_a_current_into_the_supply_is_cut_once_it_is_no_discharge() -> None:
    """Beyond twice the readback's error and 5 mA; the inrush time after a change is granted, 30 ms at least."""
    plain = Envelope(5.0, 0.1, 0.01, amps_error=0.002)
    cut = play([*steady(0.0, 0.5, 5.0, 0.02), *steady(0.501, 0.7, 5.0, -0.0091)], plain)
    assert cut is not None
    assert (cut.rule, cut.time) == ("reverse-current", pytest.approx(0.501 + LIMIT_TIME, abs=0.0011))
    assert "9.1 mA flow into the supply" in cut.says
    assert play(steady(0.0, 0.5, 5.0, -0.0089), plain) is None, "an offset of its readback"
    assert play([*steady(0.0, 0.5, 5.0, 0.02), *steady(0.501, 0.53, 5.0, -0.4), *steady(0.531, 0.6, 5.0, 0.02)]) is None
    slow = play(steady(0.0, 0.5, 5.0, -0.4), Envelope(5.0, 0.1, 0.2))
    assert slow is not None
    assert slow.time == pytest.approx(0.2, abs=0.0011)


def test_a_current_into_the_supply_is_watched_closely() -> None:
    watch, cut = judge(BARE, Watch.fresh(0.0), Sample(1.0, 5.0, -0.1, "cv", True))
    assert cut is None
    assert suspicious(watch)
    watch, _ = judge(BARE, watch, Sample(1.01, 5.0, 0.01, "cv", True))
    assert not suspicious(watch)
