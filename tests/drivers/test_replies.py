"""Reply parsers are total: any text gives a value or ReplyError. What makers send is read."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wakeboard.instruments.dialect import Register, dialect_names, load_dialect
from wakeboard.instruments.link.identity import parse_identity
from wakeboard.instruments.link.replies import ReplyError, channels_of, error_entry, integer, number, split_units, truth
from wakeboard.instruments.scpi.psu_status import register_value

ANY = st.one_of(
    st.text(max_size=80),
    st.binary(max_size=80).map(lambda data: data.decode("latin-1")),
    st.from_regex(r"[-+0-9.eExX,;:@() \"A-F]{0,30}", fullmatch=True),
)


def total(reader, text):
    try:
        return reader(text)
    except ReplyError:
        return None


@given(ANY)
def test_number_is_finite_or_refused(text):
    value = total(number, text)
    assert value is None or math.isfinite(value)


@given(ANY)
def test_the_others_give_their_type_or_refuse(text):
    assert total(truth, text) in (None, True, False)
    assert total(integer, text) is None or isinstance(total(integer, text), int)
    entry = total(error_entry, text)
    assert entry is None or isinstance(entry[0], int)
    names = total(channels_of, text)
    assert names is None or all(name.isdigit() for name in names)
    assert parse_identity(text).text == text
    assert "".join(split_units(text)).replace(" ", "") is not None


@given(ANY, st.sampled_from(["number", "byte", "digits", "word"]))
def test_registers_too(text, form):
    value = total(lambda each: register_value(each, Register(send="X?", form=form)), text)
    assert value is None or isinstance(value, int | str)


PATTERNS = sorted(
    {
        question["reply"]
        for name in dialect_names("psu")
        for question in load_dialect(name).model_dump()["ask"].values()
        if isinstance(question, dict) and question["reply"]
    }
)


@given(ANY, st.sampled_from(PATTERNS))
def test_every_pattern_of_every_dialect_is_total(text, pattern):
    value = total(lambda each: number(each, pattern), text)
    assert value is None or math.isfinite(value)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("+5.00000000E+00", 5.0),
        ("5.000", 5.0),
        (" -1.2e-3 ", -0.0012),
        ("5.001V", 5.001),  # Aim-TTi MX180T p35: number and unit
        (".5", 0.5),
        ("+9.9E37", 9.9e37),
    ],
)
def test_numbers_as_makers_write_them(text, value):
    assert number(text) == value


@pytest.mark.parametrize("text", ["", "ON", "1,2", "1;2", "nan", "inf", "1e999", "--1", "1.2.3", "0x10"])
def test_what_is_no_number(text):
    with pytest.raises(ReplyError):
        number(text)


@pytest.mark.parametrize(
    ("text", "entry"),
    [
        ('-222,"Data out of range"', (-222, "Data out of range")),
        ('+0,"No error"', (0, "No error")),  # Keysight prints the sign
        ("0  No Error", (0, "No Error")),  # Siglent SPD: no comma, no quotes (Scientific PSD7303 manual p39)
        ("100", (100, "")),  # Aim-TTi EER?
        ('-113,"Undefined header;WAKE:NOSUCH"', (-113, "Undefined header;WAKE:NOSUCH")),
    ],
)
def test_error_entries_as_makers_write_them(text, entry):
    assert error_entry(text) == entry


@pytest.mark.parametrize(
    ("text", "yes"), [("ON", True), ("1", True), ("YES", True), ("1/ON", True), ("0/OFF", False), ("NO", False)]
)
def test_truths_as_makers_write_them(text, yes):
    assert truth(text) is yes


@pytest.mark.parametrize(("text", "value"), [("+2", 2), ("0x0224", 0x224), ("514", 514), ("2.0", 2)])
def test_registers_as_makers_write_them(text, value):
    assert integer(text) == value


def test_status_of_eight_characters_has_its_first_bit_first():
    assert register_value("01010000", Register(send="STATUS?", form="digits")) == 0b00001010


def test_channel_lists():
    """34970A User's Guide p240: ROUT:SCAN? answers a block, "#214(@101,102,103)" has no channels of its own."""
    assert channels_of("(@101,103:105)") == ["101", "103", "104", "105"]
    assert channels_of("#214(@101,102,103)") == ["101", "102", "103"]
    assert channels_of("(@)") == []


@pytest.mark.parametrize(
    ("text", "maker", "model", "serial"),
    [
        ("Keysight Technologies,E36312A,MY1,2.1", "Keysight Technologies", "E36312A", "MY1"),
        ("TENMA 72-2540 SN:12345678 V2.1", "TENMA", "72-2540", "12345678"),
        ("KEITHLEY INSTRUMENTS INC.,MODEL 2000,0,A19", "KEITHLEY INSTRUMENTS INC.", "2000", "0"),
        ("", "", "", ""),
    ],
)
def test_identities(text, maker, model, serial):
    found = parse_identity(text)
    assert (found.maker, found.model, found.serial) == (maker, model, serial)
