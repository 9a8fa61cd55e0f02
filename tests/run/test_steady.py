"""Accepting a reading taken by hand, as a pure function of what the meter showed.

Figures are invented readings and the tool's own bounds, unless marked.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wakeboard.harness.run.hand.steady import LOOKS, PROOF, WINDOW, Look, aloft, judge, lifted

STEP = 0.05


def looks(*parts: tuple[float, object], high: bool = False, start: float = 0.0) -> list[Look]:
    """(seconds, volts): a level, or a function of the seconds since the part began."""
    found: list[Look] = []
    now = start
    for seconds, volts in parts:
        for n in range(round(seconds / STEP)):
            value = volts(n * STEP) if callable(volts) else volts
            found.append(Look(now, value, high))  # type: ignore[arg-type]
            now += STEP
    return found


def in_the_air(before: list[Look], seconds: float = 0.3) -> list[Look]:
    """A lead that is lifted after these looks: 0 V through 10 MΩ, moved by the meter's bias current, 0 V again."""
    start = before[-1].time + STEP if before else 0.0
    low = [*before, *looks((0.1, 0.0), start=start)]
    up = high(seconds, lambda t: 0.3 * t, low)
    return [*up, *looks((0.15, 0.0), start=up[-1].time + STEP)]


def then(before: list[Look], *parts: tuple[float, object]) -> list[Look]:
    return [*before, *looks(*parts, start=before[-1].time + STEP)]


def test_a_level_that_came_and_stayed_is_held() -> None:
    seen = then(in_the_air(looks((0.3, 3.302))), (0.7, 3.302))
    verdict = judge(seen, fresh=False, trusted=False)
    assert verdict.state == "held"
    assert verdict.volts == pytest.approx(3.302)


def test_a_level_that_has_changed_is_no_probe_that_was_moved() -> None:
    """What an ohms test left on a net drifts by itself, to zero and to another level; no lead was in the air."""
    drifting = looks((2.0, lambda t: -0.25 * math.exp(-t)), (2.0, lambda t: 0.328 * -math.expm1(-5 * t)), (1.0, 0.328))
    assert all(judge(drifting[:n], fresh=False, trusted=True).state != "held" for n in range(1, len(drifting)))
    assert judge(drifting, fresh=False, trusted=True).state == "old"
    decays = looks((2.0, lambda t: -0.25 * math.exp(-2 * t)))
    proven = high(3.0, lambda t: -0.09 * math.exp(-t), decays)
    settled = then(proven, (1.0, -0.001))
    still = high(2.0, 0.0, settled)
    for n in range(1, len(still)):
        assert judge(still[:n], fresh=False, trusted=True).state != "held", n


def test_a_net_that_is_charged_by_another_is_no_lead_in_the_air() -> None:
    """Zero through 10 MΩ, away from it without: at a tenth of the rate that this meter's open lead has."""
    seen = then(high(1.5, lambda t: 0.035 * t, looks((0.3, 0.0))), (0.3, 0.0))
    assert lifted(seen)
    assert not lifted(seen, least_rate=0.3 / 3)
    still = high(PROOF + 2 * STEP, 0.0, seen)
    assert judge(still, fresh=False, trusted=True, least_rate=0.3 / 3).state == "old"


def test_not_before_it_was_steady_for_the_window() -> None:
    assert judge(looks((0.3, 0.0), (WINDOW - 2 * STEP, 3.3)), fresh=False, trusted=True).state == "moving"


def test_a_probe_that_was_not_moved_is_not_taken_for_the_next_point() -> None:
    still = looks((5.0, 3.3))
    assert judge(still, fresh=False, trusted=True).state == "old"
    assert judge(still, fresh=True, trusted=True).state == "held"
    put_on = then(in_the_air(still), (0.8, 3.3))
    assert judge(put_on, fresh=False, trusted=True).state == "held"
    jumped = [*still, *looks((0.2, 0.0), (0.8, 3.3), start=5.0)]
    assert judge(jumped, fresh=False, trusted=True).state == "old", "a line that toggles does as much"


def test_a_rail_that_climbs_is_not_settled() -> None:
    """10 kΩ and 100 µF: 5 V · (1 - exp(-t/1 s)) moves by more than the band until after four time constants."""
    seen = looks((6.0, lambda t: 5 * -math.expm1(-t)))
    states = [judge(seen[:n], fresh=True, trusted=True).state for n in range(1, len(seen) + 1)]
    held = states.index("held") * STEP
    band = 0.005 + 0.005 * 5
    expected = math.log(5 * math.expm1(WINDOW) / band)  # 5·exp(-t)·(exp(W) - 1) falls to the band
    assert held == pytest.approx(expected, abs=0.3)


def test_a_toggling_line_is_never_held() -> None:
    seen = looks((5.0, lambda t: 3.3 if math.sin(40 * t) > 0 else 0.4))
    assert all(judge(seen[:n], fresh=True, trusted=True).state != "held" for n in range(1, len(seen)))


# --- near zero -------------------------------------------------------------------------------------------------------
def test_near_zero_proves_nothing_by_itself() -> None:
    seen = looks((1.0, 3.3), (1.0, 0.001))
    assert judge(seen, fresh=False, trusted=True).state == "prove"
    assert judge(seen, fresh=False, trusted=True, can_prove=False).state == "zero"


def high(seconds: float, volts: object, after: list[Look]) -> list[Look]:
    return [*after, *looks((seconds, volts), high=True, start=after[-1].time + STEP)]


def test_standing_still_is_a_proof_only_where_an_open_lead_was_seen_to_move() -> None:
    before = in_the_air(looks((0.5, 3.3)))
    seen = high(PROOF + 2 * STEP, 0.001, before)
    assert judge(seen, fresh=False, trusted=True).state == "held"
    assert judge(seen, fresh=False, trusted=False).state == "zero"
    assert judge(seen[:-5], fresh=False, trusted=True).state == "moving"


def test_an_open_lead_is_lifted_by_the_bias_current() -> None:
    """34401A data sheet: below 30 pA; into 100 pF that is up to 0.3 V/s, into 10 nF 3 mV/s."""
    before = looks((0.7, 0.0))
    lead = high(0.5, lambda t: 30e-12 / 100e-12 * t, before)
    assert judge(lead, fresh=True, trusted=True).state == "open"
    assert not lifted(lead), "not yet back at zero"
    assert lifted([*lead, *looks((0.2, 0.0), start=lead[-1].time + STEP)])
    rail = high(PROOF + 2 * STEP, lambda t: 30e-12 / 10e-9 * t, before)
    assert judge(rail, fresh=True, trusted=True).state == "held"


def test_touching_a_point_is_no_open_lead_that_moves() -> None:
    """With the input high-ohmic the probe comes onto 3.3 V, then off again: nothing is learnt from that."""
    touched = high(0.4, 0.0, looks((0.7, 0.0)))
    touched = [*touched, *looks((0.5, 3.3), high=True, start=touched[-1].time + STEP)]
    assert judge(touched, fresh=True, trusted=False).state == "open"
    assert not lifted([*touched, *looks((0.3, 0.0), start=touched[-1].time + STEP)])
    after = [*touched, *looks((0.8, 3.3), start=touched[-1].time + STEP)]
    assert judge(after, fresh=True, trusted=False).state == "held"


# --- what is never accepted by itself --------------------------------------------------------------------------------
def test_a_negative_reading_and_an_overload_are_for_a_person() -> None:
    swapped = judge(looks((0.2, 0.0), (1.0, -3.3)), fresh=True, trusted=True)
    assert (swapped.state, swapped.volts) == ("negative", pytest.approx(-3.3))
    assert judge(looks((0.2, 0.0), (1.0, None)), fresh=False, trusted=True).state == "over"


@given(st.lists(st.one_of(st.none(), st.floats(-20, 20)), max_size=40), st.booleans(), st.booleans())
def test_what_is_held_is_always_a_steady_positive_level(volts: list[float | None], fresh: bool, trusted: bool) -> None:
    seen = [Look(n * STEP, value) for n, value in enumerate(volts)]
    verdict = judge(seen, fresh=fresh, trusted=trusted)
    if verdict.state == "held":
        last = [value for value in volts[-LOOKS:] if value is not None]
        assert len(last) == LOOKS
        assert verdict.volts is not None
        assert verdict.volts > 0
        assert max(last) - min(last) <= 0.005 + 0.0051 * verdict.volts
        assert fresh or lifted(seen)


def test_nothing_seen_is_nothing_held() -> None:
    assert judge([], fresh=True, trusted=True).state == "moving"


# --- before an output goes on: is the lead in the air? ----------------------------------------------------------------
def test_a_lead_in_the_air_is_seen_within_a_second() -> None:
    seen = in_the_air([])
    assert aloft(seen, can_prove=True, least_rate=0.1) == "air"
    first = next(n for n in range(1, len(seen) + 1) if aloft(seen[:n], can_prove=True, least_rate=0.1) == "air")
    assert seen[first - 1].time - seen[0].time <= 1.0
    assert aloft(looks((0.1, 0.0)), can_prove=True) == "prove"
    assert aloft(seen[:-3], can_prove=True) == "back", "moved: at zero at once through 10 MΩ, or it was no lead"


def test_a_lead_on_a_net_is_seen_to_be_on_it() -> None:
    assert aloft(looks((0.4, 3.3)), can_prove=True) == "on"
    assert aloft(looks((0.4, None)), can_prove=True) == "on"
    assert aloft(looks((0.4, 0.06)), can_prove=True) == "on", "more than an open lead has through 10 MΩ"
    still = high(PROOF + STEP, 0.001, looks((0.1, 0.0)))
    assert aloft(still, can_prove=True) == "on", "a net at 0 V, or tips that touch each other"
    assert aloft(still[:-3], can_prove=True) == "looking"
    assert aloft(looks((0.1, 3.3)), can_prove=True) == "looking", "just lifted, perhaps"


def test_what_moves_more_slowly_than_this_meter_s_open_lead_is_a_net() -> None:
    seen: list[Look] = []
    for _ in range(2):
        seen = in_the_air(seen, 0.6)  # 0.3 V/s
    assert aloft(seen, can_prove=True, least_rate=1.0) == "on"
    assert aloft(seen, can_prove=True, least_rate=0.2) == "air"


def test_a_meter_whose_input_stays_at_ten_megohms_sees_levels_only() -> None:
    assert aloft(looks((0.1, 0.0)), can_prove=False) == "unseen"
    assert aloft(looks((0.4, 3.3)), can_prove=False) == "on"


@given(st.lists(st.tuples(st.one_of(st.none(), st.floats(-5, 5)), st.booleans()), max_size=40))
def test_nothing_but_a_lead_that_was_lifted_is_in_the_air(volts: list[tuple[float | None, bool]]) -> None:
    seen = [Look(n * STEP, value, high) for n, (value, high) in enumerate(volts)]
    assert (aloft(seen, can_prove=True) == "air") == lifted(seen)
