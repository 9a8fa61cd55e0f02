"""The SCPI engine against the rules of IEEE 488.2 and SCPI-1999.

Sources: SCPI-1999 volume 1 (syntax and style) and volume 2 section 21.8 (error numbers), IEEE 488.2 (status registers,
numbers, suffixes), as makers restate them; error texts from memory.
"""

from __future__ import annotations

from typing import ClassVar

import pytest

from wakeboard.instruments.virtual.scpi.data import Boolean, Channels, Number, Quoted, ScpiError, Word
from wakeboard.instruments.virtual.scpi.instrument import ScpiInstrument
from wakeboard.instruments.virtual.scpi.tree import command, query


class Still:
    """A time that stands."""

    now = 0.0

    def advance(self, seconds: float) -> None:
        self.now += seconds


class Sample(ScpiInstrument):
    """An instrument with one command of each shape."""

    identity: ClassVar[tuple[str, str]] = ("Maker", "Model")

    def __init__(self) -> None:
        super().__init__(Still(), "1234")
        self.seen: list[object] = []

    @command("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", Number("V"))
    def volts(self, value: float | str) -> None:
        if isinstance(value, float) and value > 30:
            raise ScpiError(-222)
        self.seen.append(value)

    @query("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", Number(optional=True), Channels(optional=True))
    def volts_query(self, which: str | None, channels: tuple[int, ...] | None) -> str:
        return f"{which}/{channels}"

    @command("[SOURce:]VOLTage:PROTection[:LEVel]", Number("V", words=()))
    def protection(self, value: float) -> None:
        self.seen.append(("protection", value))

    @command("OUTPut[:STATe]", Boolean(), Channels(optional=True))
    def output(self, on: bool, channels: tuple[int, ...] | None) -> None:
        self.seen.append((on, channels))

    @command("TRIGger:SOURce", Word(("IMMediate", "BUS")))
    def source(self, word: str) -> None:
        self.seen.append(word)

    @command("[SENSe:]FUNCtion", Quoted())
    def function(self, name: str) -> None:
        self.seen.append(name)

    @command("SENSe:FREQuency", Number("HZ", words=()))
    def frequency(self, hertz: float) -> None:
        self.seen.append(hertz)

    @query("STATus:QUEStionable:INSTrument:ISUMmary<n>:CONDition")
    def summary(self, number: int) -> str:
        return f"summary {number}"

    @query("[CH<n>:]CURRent")
    def prefixed(self, number: int | None) -> str:
        return f"current {number}"


@pytest.fixture
def sample() -> Sample:
    return Sample()


def errors(instrument: ScpiInstrument) -> list[int]:
    found = []
    while (number := int(str(instrument.execute("SYST:ERR?")).split(",")[0])) != 0:
        found.append(number)
    return found


@pytest.mark.parametrize(
    "line",
    [
        "VOLT 5",
        "volt 5",
        "VOLTAGE 5",
        "SOUR:VOLT 5",
        "SOURce:VOLTage:LEVel:IMMediate:AMPLitude 5",
        ":VOLT:AMPL 5",
        "VOLT 5.0",
        "VOLT 5E0",
        "VOLT +.5e1",
        "VOLT 5000 mV",
        "VOLT 0.005KV",
        "VOLT #H5",
        "  VOLT   5  ",
        "VOLT 5;",
    ],
)
def test_short_and_long_forms_any_case_any_number(sample: Sample, line: str) -> None:
    assert sample.execute(line) is None
    assert sample.seen == [5.0]
    assert errors(sample) == []


@pytest.mark.parametrize("line", ["VOLTA 5", "VOL 5", "SOURC:VOLT 5", "VOLT:LEVE 5"])
def test_only_the_exact_short_or_long_form_is_legal(sample: Sample, line: str) -> None:
    sample.execute(line)
    assert sample.seen == []
    assert errors(sample) == [-113]


@pytest.mark.parametrize(
    ("line", "number"),
    [
        ("VOLT $5", -141),
        ("%VOLT 5", -101),
        (";;VOLT 5", -102),
        ("VOLT 5,,6", -102),
        ("VOLT,5", -103),
        ("FUNC VOLT", -104),
        ("VOLT 5,6", -108),
        ("*CLS 1", -108),
        ("VOLT", -109),
        ('VOLT"5"', -111),
        ("VOLT?(@1)", -111),
        ("VOLTAGELEVELHIGH 5", -112),
        ("NOSUCH", -113),
        ("*NOSUCH?", -113),
        ("OUTP? 1", -113),
        ("OUTP2:STAT ON", -114),
        ("VOLT 5.5.5", -121),
        ("VOLT 1e999", -123),
        ("TRIG:SOUR 5", -128),
        ("VOLT 5 A", -131),
        ("*ESE 5 V", -138),
        ("VOLT FOO", -141),
        ("VOLT:PROT MAX", -148),
        ('FUNC "VOLT', -151),
        ('VOLT "5"', -158),
        ("OUTP ON,(@1,)", -171),
        ("OUTP ON,(1)", -171),
        ("VOLT (@1)", -178),
        ("VOLT 31", -222),
        ("*ESE 256", -222),
        ("TRIG:SOUR EXT", -224),
        ("OUTP MAYBE", -224),
    ],
)
def test_standard_error_numbers(sample: Sample, line: str, number: int) -> None:
    sample.execute("*CLS")
    sample.execute(line)
    assert errors(sample) == [number]


def test_the_path_stays_at_the_last_level_and_a_colon_goes_to_the_root(sample: Sample) -> None:
    sample.execute("SOUR:VOLT 5;VOLT:PROT 6;:OUTP ON")
    assert sample.seen == [5.0, ("protection", 6.0), (True, None)]
    sample.seen.clear()
    sample.execute("SOUR:VOLT:LEV 5;PROT 7")  # the path is SOUR:VOLT
    assert sample.seen == [5.0, ("protection", 7.0)]
    sample.seen.clear()
    sample.execute("SOUR:VOLT 5;OUTP ON")  # SOUR:OUTP is nowhere
    assert sample.seen == [5.0]
    assert errors(sample) == [-113]


def test_common_commands_do_not_move_the_path(sample: Sample) -> None:
    sample.execute("SOUR:VOLT:LEV 5;*OPC;PROT 7")
    assert sample.seen == [5.0, ("protection", 7.0)]


def test_replies_of_one_line_are_joined_by_semicolons(sample: Sample) -> None:
    assert sample.execute("VOLT? MAX;:VOLT? MIN,(@2);*OPC?") == "MAX/None;MIN/(2,);1"


def test_a_command_error_ends_the_line_and_what_stood_before_it_ran(sample: Sample) -> None:
    sample.execute("VOLT 1;NOSUCH;VOLT 2")
    assert sample.seen == [1.0]


def test_an_execution_error_does_not_end_the_line(sample: Sample) -> None:
    sample.execute("VOLT 31;VOLT 2")
    assert sample.seen == [2.0]
    assert errors(sample) == [-222]


def test_channel_lists(sample: Sample) -> None:
    sample.execute("OUTP ON,(@1,3:5)")
    assert sample.seen == [(True, (1, 3, 4, 5))]
    assert sample.execute("VOLT? (@1:3)") == "None/(1, 2, 3)"
    assert sample.execute("VOLT? MAX,(@2)") == "MAX/(2,)"


def test_numeric_suffixes(sample: Sample) -> None:
    assert sample.execute("STAT:QUES:INST:ISUM3:COND?") == "summary 3"
    assert sample.execute("STAT:QUES:INST:ISUM:COND?") == "summary 1"  # SCPI-1999 volume 1, 6.2.5.2: 1 is implied
    assert sample.execute("CH2:CURR?") == "current 2"
    assert sample.execute("CURR?") == "current None"


def test_mega_and_milli(sample: Sample) -> None:
    """IEEE 488.2 table 7-2: M is milli, but MHZ and MOHM are mega; MA is mega."""
    sample.execute("SENS:FREQ 2MHZ;:SENS:FREQ 2 KHZ;:SENS:FREQ 3 MAHZ")
    assert sample.seen == [2e6, 2e3, 3e6]


def test_booleans_round(sample: Sample) -> None:
    sample.execute("OUTP 0.4;OUTP 1;OUTP off;OUTP 2")
    assert [on for on, _ in sample.seen] == [False, True, False, True]  # type: ignore[misc]


def test_strings_keep_separators_and_double_their_quotes(sample: Sample) -> None:
    sample.execute("FUNC 'a;b,\"c\" ''d'''")
    assert sample.seen == ["a;b,\"c\" 'd'"]


def test_queue_overflow_replaces_the_last_entry(sample: Sample) -> None:
    for _ in range(30):
        sample.execute("NOSUCH")
    found = errors(sample)
    assert found == [-113] * 19 + [-350]


def test_event_status_bits(sample: Sample) -> None:
    """IEEE 488.2: PON 128, CME 32, EXE 16, QYE 4, OPC 1; reading clears."""
    assert sample.execute("*ESR?") == "128"
    sample.execute("NOSUCH;")
    assert sample.execute("*ESR?") == "32"
    sample.execute("VOLT 31")
    assert sample.execute("*ESR?") == "16"
    sample.interrupted()
    assert sample.execute("*ESR?") == "4"
    sample.execute("*OPC")
    assert sample.execute("*ESR?") == "1"
    assert sample.execute("*ESR?") == "0"
    assert errors(sample) == [-113, -222, -410]


def test_status_byte(sample: Sample) -> None:
    """SCPI-1999: bit 2 error available, 3 questionable, 5 event summary, 6 master, 7 operation."""
    sample.execute("*CLS;*ESE 32;*SRE 32")
    assert sample.execute("*STB?") == "0"
    sample.execute("NOSUCH")
    assert sample.execute("*STB?") == str(4 + 32 + 64)
    assert sample.execute("*STB?") == str(4 + 32 + 64)  # reading does not clear
    sample.questionable.update(2)
    sample.operation.update(1)
    assert sample.execute("*STB?") == str(4 + 32 + 64)  # not enabled
    sample.execute("STAT:QUES:ENAB 2;:STAT:OPER:ENAB 1")
    assert sample.execute("*STB?") == str(4 + 8 + 32 + 64 + 128)
    sample.execute("*CLS")
    assert sample.execute("*STB?") == "0"
    assert sample.execute("*ESE?;*SRE?") == "32;32"  # *CLS leaves the masks


def test_event_latches_while_condition_is_live(sample: Sample) -> None:
    sample.questionable.update(1)
    sample.questionable.update(0)
    assert sample.execute("STAT:QUES:COND?") == "0"
    assert sample.execute("STAT:QUES?") == "1"
    assert sample.execute("STAT:QUES:EVEN?") == "0"


def test_identity_and_the_rest_of_the_mandatory_set(sample: Sample) -> None:
    assert sample.execute("*IDN?") == "Maker,Model,1234,1.00"
    assert sample.execute("*TST?") == "0"
    assert sample.execute("SYST:VERS?") == "1999.0"
    assert sample.execute("SYST:ERR?") == '0,"No error"'
    assert sample.execute("SYSTEM:ERROR:NEXT?") == '0,"No error"'
    sample.execute("*RST;*WAI;*CLS")
    assert sample.execute("") is None
    assert errors(sample) == []


def test_bytes_are_cut_into_lines(sample: Sample) -> None:
    buffer = bytearray(b"*IDN?\r\n*OPC")
    assert sample.cut(buffer) == ["*IDN?"]
    buffer += b"?\n"
    assert sample.cut(buffer) == ["*OPC?"]
