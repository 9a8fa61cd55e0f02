"""Quantities against the marking code of IEC 60062 and against the ways an engineer writes them."""

import contextlib
import math
import pickle

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wakeboard.instruments.quantity import (
    Interval,
    QuantityError,
    Tolerance,
    Value,
    parse,
    parse_interval,
    parse_tolerance,
    parse_value,
    show,
)

SEEDED = settings(derandomize=True, deadline=None)  # the same examples every time


# IEC 60062 letter codes for values (worked examples as commonly reprinted; from memory)
@pytest.mark.parametrize(
    ("code", "ohms"),
    [
        ("R47", 0.47),
        ("4R7", 4.7),
        ("2R2", 2.2),
        ("470R", 470.0),
        ("4K7", 4700.0),
        ("4k7", 4700.0),
        ("47K", 47e3),
        ("47k", 47e3),
        ("4M7", 4.7e6),
        ("10M", 10e6),
        ("0R", 0.0),
        ("R010", 0.010),
    ],
)
def test_resistor_codes(code, ohms):
    assert parse(code, "Ω") == pytest.approx(ohms, rel=1e-15)


@pytest.mark.parametrize(
    ("code", "farads"),
    [
        ("p47", 0.47e-12),
        ("4p7", 4.7e-12),
        ("47n", 47e-9),
        ("4n7", 4.7e-9),
        ("4µ7", 4.7e-6),
        ("4u7", 4.7e-6),
        ("4m7", 4.7e-3),
    ],
)
def test_capacitor_codes(code, farads):
    assert parse(code, "F") == pytest.approx(farads, rel=1e-15)


# IEC 60062 tolerance letters (from memory, as the reference page lists them)
@pytest.mark.parametrize(
    ("letter", "percent"), [("B", 0.1), ("C", 0.25), ("D", 0.5), ("F", 1), ("G", 2), ("J", 5), ("K", 10), ("M", 20)]
)
def test_tolerance_letters(letter, percent):
    assert parse_tolerance(letter) == Tolerance(relative=pytest.approx(percent / 100))


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("3.3 V", "V", 3.3),
        ("3V3", "V", 3.3),
        ("-0.3 V", "V", -0.3),
        ("\u22120.3 V", "V", -0.3),
        ("120 mA", "A", 0.12),
        ("120mA", "A", 0.12),
        ("10 µF", "F", 10e-6),
        ("10 \u03bcF", "F", 10e-6),
        ("10uF", "F", 10e-6),
        ("100n", "F", 100e-9),
        ("1 kΩ", "Ω", 1e3),
        ("1 k\u2126", "Ω", 1e3),
        ("1 kohm", "Ω", 1e3),
        ("22 R", "Ω", 22.0),
        ("1.5 MΩ", "Ω", 1.5e6),
        ("5 mΩ", "Ω", 5e-3),
        ("4.7 µH", "H", 4.7e-6),
        ("2u2", "H", 2.2e-6),
        ("600 mW", "W", 0.6),
        ("50 ms", "s", 0.05),
        ("10 min", "s", 600.0),
        ("32.768 kHz", "Hz", 32768.0),
        ("10 MB/s", "B/s", 10e6),
        ("40 %", "%", 0.4),
        ("2.5e-3 A", "A", 2.5e-3),
        ("0.5", "", 0.5),
        (" 5 V ", "V", 5.0),
        ("200 K/W", "K/W", 200.0),
    ],
)
def test_as_engineers_write(text, unit, value):
    assert parse(text, unit) == pytest.approx(value, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("5", "V"),
        ("470", "Ω"),
        ("100", "F"),
        ("", "V"),
        ("V", "V"),
        ("5 A", "V"),
        ("5 v", "V"),
        ("10 KV", "V"),
        ("3,3 V", "V"),
        ("1_000 V", "V"),
        ("inf V", "V"),
        ("nan V", "V"),
        ("1e999 V", "V"),
        ("5 V 2", "V"),
        ("4k7", "V"),
        ("4X7", "Ω"),
        ("٣ V", "V"),
        ("5 V ± 2 %", "V"),
        (5.0, "V"),
        (None, "V"),
        (True, "V"),
        ([], "V"),
    ],
)
def test_refused(text, unit):
    with pytest.raises(QuantityError) as caught:
        parse(text, unit)
    assert caught.value.found in str(caught.value)
    assert caught.value.allowed in str(caught.value)


def test_the_error_shows_an_example_and_survives_a_process_border():
    with pytest.raises(QuantityError) as caught:
        parse("5", "A")
    assert str(caught.value) == '"5" is not a quantity in A, such as "120 mA"'
    again = pickle.loads(pickle.dumps(caught.value))
    assert (str(again), again.found, again.allowed) == (str(caught.value), caught.value.found, caught.value.allowed)


@pytest.mark.parametrize(
    ("text", "unit", "low", "high"),
    [
        ("4.40 .. 5.25 V", "V", 4.40, 5.25),
        ("15 .. 60 mA", "A", 0.015, 0.060),
        ("0 .. 10 mA", "A", 0.0, 0.010),
        ("400 mV .. 1.2 V", "V", 0.4, 1.2),
        ("-50 .. 50 mV", "V", -0.05, 0.05),
        ("10..22k", "Ω", 10e3, 22e3),
        ("1k..2k2", "Ω", 1000.0, 2200.0),
        ("< 0.3 V", "V", None, 0.3),
        ("<= 0.3 V", "V", None, 0.3),
        ("≤0.3 V", "V", None, 0.3),
        ("> 1 kΩ", "Ω", 1e3, None),
        (">=1k", "Ω", 1e3, None),
        ("3.3 V ± 2 %", "V", 3.234, 3.366),
        ("3.3 V +/- 2 %", "V", 3.234, 3.366),
        ("3.3 V ± 50 mV", "V", 3.25, 3.35),
        ("± 50 mV", "V", -0.05, 0.05),
        ("-5 V ± 10 %", "V", -5.5, -4.5),
    ],
)
def test_intervals(text, unit, low, high):
    interval = parse_interval(text, unit)
    assert interval.low == (low if low is None else pytest.approx(low))
    assert interval.high == (high if high is None else pytest.approx(high))


@pytest.mark.parametrize("text", ["5 V", "5 .. 4 V", "4 .. 5", "< ", "..", "± ", "4 .. 5 A", "1 .. 2 .. 3 V", 5, None])
def test_intervals_refused(text):
    with pytest.raises(QuantityError):
        parse_interval(text, "V")


def test_interval_membership_and_text():
    assert 0.3 in Interval(None, 0.3)
    assert 0.31 not in Interval(None, 0.3)
    assert 0.9 not in Interval(1.0, None)
    assert Interval(4.4, 5.25).show("V") == "4.4 V .. 5.25 V"
    assert Interval(1000.0, None).show("Ω") == "> 1 kΩ"


def test_value_with_its_tolerance():
    assert parse_value("3.3 V", "V") == Value(3.3, 3.3, 3.3)
    assert parse_value("3.3 V ± 2 %", "V") == Value(3.3, pytest.approx(3.234), pytest.approx(3.366))
    assert parse_value("3.3 V ± 2 %", "V").tolerance == pytest.approx(0.02)
    assert parse_value("4k7 ± 1 %", "Ω").tolerance == pytest.approx(0.01)


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("2 %", "V", Tolerance(relative=0.02)),
        ("± 2 %", "", Tolerance(relative=0.02)),
        ("±50 mV", "V", Tolerance(absolute=0.05)),
        ("+/- 50 mV", "V", Tolerance(absolute=0.05)),
    ],
)
def test_tolerances(text, unit, expected):
    assert parse_tolerance(text, unit) == expected


@pytest.mark.parametrize("text", ["2", "-2 %", "Z", "", "50 mV", 2, None])
def test_tolerances_refused(text):
    with pytest.raises(QuantityError):
        parse_tolerance(text)


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (3.3, "V", "3.3 V"),
        (0.12, "A", "120 mA"),
        (4700.0, "Ω", "4.7 kΩ"),
        (10e-6, "F", "10 µF"),
        (-0.0501, "V", "-50.1 mV"),
        (0.0, "V", "0 V"),
        (0.02, "%", "2 %"),
        (0.5, "", "0.5"),
        (3.29876, "V", "3.299 V"),
        (999.96, "V", "1 kV"),
        (math.inf, "Ω", "∞ Ω"),
        (None, "V", "—"),
    ],
)
def test_show(value, unit, text):
    assert show(value, unit) == text


@SEEDED
@given(
    st.floats(-1e15, 1e15, allow_subnormal=False),
    st.sampled_from(["V", "A", "Ω", "F", "H", "W", "s", "Hz", "B/s", "%"]),
)
def test_what_is_shown_can_be_read_back(value, unit):
    assert parse(show(value, unit, digits=6), unit) == pytest.approx(value, rel=5.1e-6, abs=1e-300)


@SEEDED
@given(st.text(), st.sampled_from(["V", "Ω", "F", "s", "%", ""]))
def test_any_text_is_a_quantity_or_a_quantity_error(text, unit):
    for reader in (parse, parse_interval, parse_tolerance, parse_value):
        with contextlib.suppress(QuantityError):
            reader(text, unit)


@SEEDED
@given(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6))
def test_intervals_are_read_back(first, second):
    low, high = sorted((first, second))
    again = parse_interval(f"{low!r} V .. {high!r} V", "V")
    assert (again.low, again.high) == (low, high)
