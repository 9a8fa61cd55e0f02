"""The bodge: its window against brute force over all corners, the trade example, and both directions."""

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wakeboard.harness.explain.lines.bodge import PullRange, bodge
from wakeboard.harness.explain.lines.line_model import GROUND, Driver, Rail, Thresholds

RAILS = {"+3V3": Rail("+3V3", 3.3, 0.066)}
CMOS = Thresholds(0.8, 2.0)
DRIVER = Driver("U1.GPIO7", rated_amps=4e-3, ohms=100.0, high_volts=3.3)


def hidden(ohms: float, share: float = 0.1, to: str = "+3V3") -> PullRange:
    return PullRange("hidden", ohms, ohms * (1 - share), ohms * (1 + share), to, fitted=False)


def test_trade_example_one_kilohm_is_inside_the_window() -> None:
    """Common practice, no source: 100 kΩ down loses against about 22 kΩ up; 1 kΩ across it mends that."""
    found = bodge("RST", "low", CMOS, [PullRange.of_part("R1", 100e3, 0.01, GROUND), hidden(22.2e3)], RAILS, DRIVER)
    assert found.low_ohms < 1e3 < found.high_ohms
    assert found.across == "R1"
    assert found.fit_ohms is not None
    assert found.low_ohms <= found.fit_ohms <= found.high_ohms
    assert found.rework == f"RST+GND:bridge={found.fit_ohms / 1e3:g}k"
    assert 'do = "line"' in (found.step or "")
    assert found.after_volts[0] < found.after_volts[1] < found.after_volts[2] <= CMOS.low


def corners(
    bodge_ohms: float, pulls: list[PullRange], drive: float | None, tolerance: float, leak: float
) -> list[float]:
    """Line volts (nothing driving) or driver amps (driving `drive` volts) in every corner."""
    out = []
    ranges = [(p.low_ohms, p.high_ohms) for p in pulls]
    for ohms in itertools.product(*ranges):
        for b, rail, stray in itertools.product(
            (bodge_ohms * (1 - tolerance), bodge_ohms * (1 + tolerance)), (3.234, 3.366), (-leak, leak)
        ):
            branches = [(r, rail if p.to == "+3V3" else 0.0) for r, p in zip(ohms, pulls, strict=True)] + [(b, 0.0)]
            if drive is None:
                out.append((sum(v / r for r, v in branches) + stray) / sum(1 / r for r, _ in branches))
            else:
                out.append(sum((drive - v) / r for r, v in branches) - stray)
    return out


@given(st.floats(2e3, 200e3), st.floats(0.01, 0.3), st.floats(0, 2e-6))
@settings(max_examples=60, deadline=None)
def test_window_is_exactly_where_every_corner_works(ohms: float, share: float, leak: float) -> None:
    # independent solution: brute force over all corners
    pulls = [PullRange.of_part("R1", 100e3, 0.01, GROUND), hidden(ohms, share)]
    found = bodge("RST", "low", CMOS, pulls, RAILS, DRIVER, leak_amps=leak, tolerance=0.05)
    if found.fit_ohms is None:
        assert found.low_ohms == 0 or found.high_ohms == float("inf") or found.low_ohms > found.high_ohms
        return
    assert max(corners(found.high_ohms, pulls, None, 0.05, leak)) == pytest.approx(CMOS.low, rel=1e-6)
    assert max(corners(found.low_ohms, pulls, 3.3, 0.05, leak)) <= DRIVER.rated_amps * (1 + 1e-6)
    after = corners(found.fit_ohms, pulls, None, 0.05, leak)
    assert found.after_volts[2] == pytest.approx(max(after), rel=1e-6)
    assert found.after_volts[0] == pytest.approx(min(after), rel=1e-6)


def test_held_high_is_the_mirror_image() -> None:
    found = bodge("EN", "high", CMOS, [hidden(20e3, to=GROUND)], RAILS, DRIVER)
    assert found.to == "+3V3"
    assert found.across is None
    assert found.after_volts[0] >= CMOS.high
    mirrored = bodge("EN", "low", Thresholds(3.3 - 2.0, 3.3 - 0.8), [hidden(20e3)], {"+3V3": Rail("+3V3", 3.3)}, DRIVER)
    straight = bodge("EN", "high", CMOS, [hidden(20e3, to=GROUND)], {"+3V3": Rail("+3V3", 3.3)}, DRIVER)
    assert straight.high_ohms == pytest.approx(mirrored.high_ohms)
    assert straight.low_ohms == pytest.approx(mirrored.low_ohms)


def test_too_strong_a_pull_leaves_no_window() -> None:
    found = bodge("RST", "low", CMOS, [hidden(900.0)], RAILS, DRIVER)
    assert found.fit_ohms is None
    assert found.rework is None
    assert "no resistor" in found.says


def test_a_line_that_holds_needs_no_bodge() -> None:
    found = bodge("RST", "low", CMOS, [PullRange.of_part("R1", 10e3, 0.01, GROUND)], RAILS, DRIVER)
    assert found.fit_ohms is None
    assert "no bodge needed" in found.says


def test_the_driver_must_still_pass_the_threshold_behind_its_own_resistance() -> None:
    # closed form, by hand:
    weak = Driver("weak", rated_amps=1.0, ohms=2e3, high_volts=3.3)
    found = bodge("RST", "low", CMOS, [hidden(50e3)], RAILS, weak)
    # (3.3 - 2.0) / 2 kΩ = 0.65 mA at 2.0 V; pulls only help here: 2.0 V / 0.65 mA = 3.08 kΩ and its 5 %.
    assert found.low_ohms == pytest.approx(2.0 / 0.65e-3 / 0.95, rel=0.1)
    assert found.low_ohms > 2.0 / 0.65e-3 * 0.9


def test_no_rail_to_pull_up_to_is_an_error() -> None:
    with pytest.raises(ValueError, match="no rail above"):
        bodge("EN", "high", CMOS, [], {"+1V8": Rail("+1V8", 1.8)})
