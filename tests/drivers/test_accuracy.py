"""Accuracy tables against the makers' published one-year figures, and what becomes of them in u."""

from __future__ import annotations

import math

import pytest

from wakeboard.instruments.dialect import load_dmm
from wakeboard.instruments.errors import DialectError, SettingError
from wakeboard.instruments.link.link import Link
from wakeboard.instruments.scpi.dmm import Dmm


def meter(name):
    link = Link("TCPIP::192.0.2.1::5025::SOCKET", name="meter", exclusive=False)  # never opened
    return Dmm(link, load_dmm(name))


@pytest.mark.parametrize(
    ("name", "quantity", "value", "span", "half"),
    [
        # 34401A, 34461A one year, 23 ± 5 °C: 10 V 0.0035 % + 0.0005 % (values.md section 7)
        ("hp-34401a", "dc volts", 5.0, 10, 225.0e-6),
        ("hp-34401a", "dc volts", 3.3, 10, 165.5e-6),
        ("keysight-truevolt", "dc volts", 5.0, 10, 225.0e-6),
        ("hp-34401a", "dc volts", 0.1, 0.1, 8.5e-6),  # 0.0050 % + 0.0035 %
        ("hp-34401a", "dc volts", 1.0, 1, 47e-6),  # 0.0040 % + 0.0007 %
        ("hp-34401a", "dc volts", 100.0, 100, 5.1e-3),  # 0.0045 % + 0.0006 %
        ("hp-34401a", "dc volts", -5.0, 10, 225.0e-6),
        # DMM6500 10 V: 25 ppm + 5 ppm (DMM6500-905-01 calibration manual p2-4)
        ("keithley-dmm6500", "dc volts", 10.0, 10, 300e-6),
        # 10 kΩ: 75 ppm + 6 ppm (same page); four wires, so no lead resistance
        ("keithley-dmm6500", "ohms 4w", 10e3, 1e4, 0.81),
        # Fluke 8845A 10 V: 0.0035 % + 0.0005 % (Users Manual p1-12)
        ("fluke-8845a", "dc volts", 10.0, 10, 400e-6),
        # Keithley 2016 specifications Rev D: 1 V 30 + 7 ppm; 2 wires + 1 Ω (Model 2000 data sheet p3)
        ("keithley-2000", "dc volts", 1.0, 1, 37e-6),
        ("keithley-2000", "ohms", 1000.0, 1e3, 0.11 + 1.0),
        # SDM3065X DataSheet-2021.05: 20 V 0.004 % + 0.0004 %
        ("siglent-sdm3065x", "dc volts", 10.0, 20, 480e-6),
    ],
)
def test_half_width(name, quantity, value, span, half):
    assert meter(name).accuracy(quantity, value, span) == pytest.approx(half, rel=1e-9)


@pytest.mark.parametrize(("value", "u"), [(5.0, 129.90e-6), (3.3, 95.55e-6)])
def test_standard_uncertainty_is_the_half_width_over_root_three(value, u):
    """values.md section 7: 34401A on 10 V, 5 V: u = 129.90 µV; 3.3 V: 95.55 µV."""
    assert meter("hp-34401a").accuracy("dc volts", value, 10) / math.sqrt(3) == pytest.approx(u, abs=0.005e-6)


def test_short_integration_adds():
    """Fluke 8845A Users Manual p1-12: 0.2 PLC adds 0.0025 % of range + 12 µV."""
    plain = meter("fluke-8845a").accuracy("dc volts", 5.0, 10, 10)
    assert meter("fluke-8845a").accuracy("dc volts", 5.0, 10, 0.2) == pytest.approx(plain + 250e-6 + 12e-6)


def test_range_that_fits_is_taken_where_none_is_named():
    assert meter("hp-34401a").accuracy("dc volts", 11.0) == pytest.approx(11 * 35e-6 + 10 * 5e-6)  # 120 % overrange
    assert meter("hp-34401a").accuracy("dc volts", 13.0) == pytest.approx(13 * 45e-6 + 100 * 6e-6)


def test_ohms_tell_their_current_and_open_volts():
    """DMM6500 data sheet p9: 10 kΩ 100 µA, 12.7 V."""
    assert meter("keithley-dmm6500").ohms_test(10e3) == (100e-6, 12.7)


def test_what_a_meter_has_not_is_said():
    with pytest.raises(DialectError, match="cannot measure ohms 4w"):
        meter("owon-xdm1041").accuracy("ohms 4w", 1.0)
    with pytest.raises(DialectError, match="10 MΩ, and nothing else"):
        meter("owon-xdm1041").input_ohms(True)
    with pytest.raises(SettingError, match="up to 1000 V"):
        meter("hp-34401a").dc_volts(2000)


def test_input_resistance_is_that_of_the_range():
    dmm = meter("hp-34401a")
    assert dmm.input_ohms(True) == 10e9
    assert dmm.input_resistance(10) == 10e9
    assert dmm.input_resistance(100) == 10e6
    assert dmm.input_ohms(False) == 10e6
    assert dmm.input_resistance(10) == 10e6
