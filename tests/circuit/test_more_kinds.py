"""Adjustable regulators, programmed chargers, crystals, buttons, protection arrays, motors, by hand arithmetic."""

from __future__ import annotations

import pytest
from circuit_build import C, R, V, solved

from wakeboard.instruments.virtual.circuit import Part

PINS = {"IN": "in", "OUT": "out", "FB": "fb", "GND": "GND"}


def divided(kind: str, upper: float, lower: float, **values: float) -> tuple[Part, Part, Part]:
    return (
        Part("U", kind, PINS, {"reference": 0.8, **values}),
        R("R1", "out", "fb", upper),
        R("R2", "fb", "GND", lower),
    )


@pytest.mark.parametrize(
    ("kind", "volts", "upper", "lower"),
    [
        ("adjustable_ldo", 5.0, 31.25e3, 10e3),
        ("adjustable_buck", 12.0, 52.3e3, 10e3),
        ("adjustable_boost", 3.3, 68e3, 10e3),
    ],
)
def test_a_divider_sets_the_output(kind: str, volts: float, upper: float, lower: float) -> None:
    # every adjustable regulator's data sheet: V_OUT = V_FB (1 + R1 / R2); common practice, no source
    load = (R("L", "out", "GND", 100.0), C("C", "out", "GND", 1e-6))
    p = solved(V("B", "in", volts), *divided(kind, upper, lower), *load)
    assert p.net("out")[0] == pytest.approx(0.8 * (1 + upper / lower), rel=2e-3)


def test_without_its_lower_resistor_the_output_is_the_reference_and_without_the_upper_it_runs_away() -> None:
    # V_OUT = V_FB (1 + R1/R2) at its two ends: common practice, no source
    lone = solved(V("B", "in", 5.0), *divided("adjustable_ldo", 10e3, 1e9), R("L", "out", "GND", 1e3))
    assert lone.net("out")[0] == pytest.approx(0.8, rel=1e-2)
    away = solved(V("B", "in", 5.0), *divided("adjustable_buck", 1e9, 10e3), R("L", "out", "GND", 1e3))
    assert away.net("out")[0] == pytest.approx(4.9, abs=0.05)  # its input less the dropout


def test_a_buck_takes_its_power_from_the_input() -> None:
    # 3.3 V across 33 Ω are 0.33 W; at 90 % that is 30.6 mA from 12 V
    buck = divided("adjustable_buck", 31.25e3, 10e3, efficiency=0.9)
    p = solved(V("B", "in", 12.0), *buck, R("L", "out", "GND", 33.0))
    assert -p.current("B", "P")[0] == pytest.approx(0.33 / 0.9 / 12, rel=2e-2)


@pytest.mark.parametrize(("ohms", "amps"), [(2e3, 0.5), (10e3, 0.1), (1e9, 0.0), (1.0, 0.8)])
def test_a_resistor_sets_the_charging_current(ohms: float, amps: float) -> None:
    # I = 1000 · 1 V / R_PROG of common single-cell chargers: from memory
    # 1 V across it, times 1000: 2 kΩ charge with 500 mA, 10 kΩ with 100 mA, none with none; shorted: the part's limit
    part = Part("U", "programmed_charger", {"IN": "in", "BAT": "bat", "PROG": "p", "GND": "GND"}, {"limit": 0.8})
    p = solved(V("B", "in", 5.0), part, R("R", "p", "GND", ohms), V("C", "bat", 3.7))
    assert p.current("C", "P")[0] == pytest.approx(amps, rel=2e-2, abs=1e-5)


def test_a_motor_draws_more_when_it_is_stalled() -> None:
    # stalled there is no back-EMF: V over the winding's resistance (closed form)
    values = {"volts": 6.0, "amps": 0.1, "ohms": 4.0}
    turning = solved(V("B", "a", 6.0), Part("M", "motor", {"1": "a", "2": "GND"}, values))
    stalled = solved(V("B", "a", 6.0), Part("M", "motor", {"1": "a", "2": "GND"}, {**values, "stalled": True}))
    assert turning.current("M", "1")[0] == pytest.approx(0.1, rel=1e-6)
    assert stalled.current("M", "1")[0] == pytest.approx(1.5, rel=1e-6)


def test_a_button_and_a_crystal_are_open_until_pressed() -> None:
    # a crystal passes no direct current: common practice, no source
    for pressed, volts in ((False, 3.3), (True, 0.0)):
        p = solved(
            V("B", "a", 3.3),
            R("R", "a", "x", 10e3),
            Part("S", "button", {"1": "x", "2": "GND"}, {"pressed": pressed}),
        )
        assert p.net("x")[0] == pytest.approx(volts, abs=1e-3)
    p = solved(V("B", "a", 3.3), Part("Y", "crystal", {"1": "a", "2": "x"}, {"value": 8e6}), R("R", "x", "GND", 1e6))
    assert p.net("x")[0] < 0.01


def test_a_protection_array_feeds_its_vcc_and_breaks_down_without_one() -> None:
    # a steering diode drops some 0.7 V; a clamp holds a little above its breakdown: common practice, no source
    lit = Part("D", "esd_array", {"IO1": "x", "VCC": "v", "GND": "GND"}, {})
    p = solved(V("B", "a", 3.3), R("R", "a", "x", 1e3), lit, R("L", "v", "GND", 10e3))
    assert p.net("v")[0] > 2.0
    plain = Part("D", "esd_array", {"IO1": "x", "GND": "GND"}, {"breakdown": 6.0})
    for volts, low, high in ((5.0, 4.99, 5.01), (12.0, 5.9, 6.6)):
        p = solved(V("B", "a", volts), R("R", "a", "x", 1e3), plain)
        assert low < p.net("x")[0] < high
