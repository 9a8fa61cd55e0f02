"""Numbers of published standards and worked examples."""

import pytest

from wakeboard.harness.review.standards import i2c_pull_up_window, type_c_seen_as, usb_attach_charge


def test_i2c_window_of_the_worked_example() -> None:
    # TI SLVA689: 400 kHz, 200 pF, 3.3 V -> 966.667 Ω .. 1.7703 kΩ
    window = i2c_pull_up_window(3.3, 200e-12, 400e3)
    assert window.low == pytest.approx(966.667, abs=1e-3)
    assert window.high == pytest.approx(1770.3, abs=0.05)


@pytest.mark.parametrize(
    ("rail", "farads", "rate", "low", "high"),
    [
        # Computed from UM10204's formulas: R_p(max) = t_r / (0.8473 C_b), R_p(min) = (V_DD - V_OL) / I_OL.
        (5.0, 400e-12, 100e3, 1533.3, 2950.5),
        (3.3, 550e-12, 1e6, 145.0, 257.5),
    ],
)
def test_i2c_windows(rail: float, farads: float, rate: float, low: float, high: float) -> None:
    window = i2c_pull_up_window(rail, farads, rate)
    assert window.low == pytest.approx(low, rel=1e-4)
    assert window.high == pytest.approx(high, rel=1e-4)


def test_a_heavy_fast_bus_has_no_window() -> None:
    # Computed from UM10204's formulas:
    # 3.3 V, 400 kHz, 400 pF: at most 885.16 Ω for the rise time, at least 966.7 Ω for the sink current.
    window = i2c_pull_up_window(3.3, 400e-12, 400e3)
    assert window.high == pytest.approx(885.16, rel=1e-4)
    assert not any(window.holds(ohms) for ohms in (800.0, 900.0, 1000.0))


def test_beyond_fast_mode_plus_is_refused() -> None:
    with pytest.raises(ValueError, match="fast-mode plus"):
        i2c_pull_up_window(3.3, 100e-12, 3.4e6)


def test_usb_attach_charge_is_50_microcoulomb_at_5_volt() -> None:
    # USB 2.0 section 7.2.4.1, as quoted in TI's TPS2041B data sheet: 10 µF at 5 V.
    assert usb_attach_charge(5.0) == pytest.approx(50e-6)


def test_type_c_termination() -> None:
    # TI TPS65987D: 5.1 kΩ tells all three source currents apart; half of it does not.
    assert type_c_seen_as(5100.0) == ["default", "1.5 A", "3 A"]
    assert type_c_seen_as(2550.0) != ["default", "1.5 A", "3 A"]
