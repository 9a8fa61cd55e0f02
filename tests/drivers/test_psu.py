"""The supply driver against a small scripted supply over TCP that can be told to lie, trip, and forget.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import pytest

from wakeboard.instruments.dialect import load_psu
from wakeboard.instruments.errors import DialectError, InstrumentFault, OutputOnError, SettingError
from wakeboard.instruments.link.link import Link
from wakeboard.instruments.scpi.psu import Psu
from wakeboard.instruments.scpi.psu_status import ModeJudge, flags_of


class Supply:
    """One output in plain SCPI: enough of it for the driver, with what can go wrong as attributes."""

    def __init__(self):
        self.volts, self.amps, self.on = 0.0, 0.1, False
        self.ovp, self.ovp_on = 33.0, False
        self.trip = None
        self.load = None  # ohms
        self.bits = {"cc": 1, "cv": 2}
        self.sticky = False  # says that it is on, whatever is said
        self.rounds = None  # rounds settings to this step
        self.restores = False  # clear switches on
        self.errors = []
        self.endless = False  # its error queue is never empty
        self.cleared_while_on = False
        self.order = []

    def __call__(self, session, line):
        answers = [self.unit(unit.lstrip(":").strip()) for unit in line.split(";")]
        said = [each for each in answers if each is not None]
        if said:
            session.say(";".join(said) + "\n")

    def unit(self, text):
        word, _, value = text.partition(" ")
        self.order.append(text)
        answer = {
            "*IDN?": lambda: "Wakeboard,PSU-1,SN0001,1.0",
            "*OPC?": lambda: "1",
            "*ESR?": lambda: "0",
            "SYST:ERR?": self.error,
            "VOLT?": lambda: "30.0" if value == "MAX" else f"{self.volts:.4f}",
            "CURR?": lambda: "3.0" if value == "MAX" else f"{self.amps:.4f}",
            "OUTP?": lambda: "1" if self.on or self.sticky else "0",
            "MEAS:VOLT?": lambda: f"{self.state()[0]:.4f}",
            "MEAS:CURR?": lambda: f"{self.state()[1]:.4f}",
            "STAT:QUES:INST:ISUM1:COND?": lambda: str(self.bits.get(self.state()[2], 0)),
            "VOLT:PROT?": lambda: f"{self.ovp:.3f}",
            "VOLT:PROT:STAT?": lambda: str(int(self.ovp_on)),
            "VOLT:PROT:TRIP?": lambda: str(int(self.trip == "ovp")),
            "CURR:PROT:TRIP?": lambda: "0",
        }.get(word)
        if answer is not None:
            return answer()
        return self.command(word, value)

    def command(self, word, value):
        if word in ("VOLT", "CURR"):
            number = float(value)
            number = number if self.rounds is None else round(number / self.rounds) * self.rounds
            setattr(self, {"VOLT": "volts", "CURR": "amps"}[word], number)
        elif word == "OUTP":
            self.on = value == "ON" and self.trip is None
        elif word == "VOLT:PROT":
            self.ovp = float(value)
        elif word == "VOLT:PROT:STAT":
            self.ovp_on = value == "ON"
        elif word.endswith(":PROT:CLE"):
            self.trip, self.on = None, self.restores
        elif word != "INST:NSEL":
            self.errors.append('-113,"Undefined header"')
        self.watch()
        return None

    def error(self):
        if self.endless:
            return '-350,"Queue overflow"'
        return self.errors.pop(0) if self.errors else '0,"No error"'

    def state(self):
        """volts, amps, mode"""
        if not self.on:
            return 0.0, 0.0, "off"
        drawn = self.volts / self.load if self.load else 0.0
        return (self.volts, drawn, "cv") if drawn <= self.amps else (self.amps * self.load, self.amps, "cc")

    def watch(self):
        if self.ovp_on and self.on and self.volts > self.ovp:
            self.trip, self.on = "ovp", False


@pytest.fixture
def supply():
    return Supply()


@pytest.fixture
def psu(serve, supply):
    link = Link.open(serve(supply).address, name="supply", timeout=5.0)
    driver = Psu(link, load_psu("scpi-psu"))
    driver.identify()
    yield driver
    driver.close()


def test_limit_is_written_before_the_voltage_and_both_before_on(psu, supply):
    psu.set("1", 5.0, 0.12)
    psu.on("1")
    said = [each for each in supply.order if each.startswith(("CURR 0", "VOLT 5", "OUTP ON"))]
    assert said == ["CURR 0.1200", "VOLT 5.0000", "OUTP ON"]


def test_channels_may_be_numbers(psu):
    psu.set(1, 5.0, 0.12)
    assert psu.settings(1) == (5.0, 0.12)


def test_unknown_channel_names_those_there_are(psu):
    with pytest.raises(DialectError, match="no channel 7; it has 1, 2, 3"):
        psu.set(7, 1.0, 0.1)


def test_nothing_is_switched_on_that_was_not_set(psu, supply):
    with pytest.raises(SettingError, match="no voltage and limit set"):
        psu.on("1")
    assert "OUTP ON" not in supply.order


def test_a_set_value_that_reads_back_wrong_is_refused(psu, supply):
    supply.rounds = 0.5
    with pytest.raises(SettingError, match=r"set to 0\.12 A and says 0 A"):
        psu.set("1", 5.0, 0.12)
    with pytest.raises(SettingError):
        psu.on("1")  # what is set is not known: no output from it
    assert not supply.on


def test_limits_are_asked_of_the_instrument_and_held(psu, supply):
    with pytest.raises(SettingError, match=r"0 \.\. 30 V, not 31 V"):
        psu.set("1", 31.0, 0.1)
    assert "VOLT 31.0000" not in supply.order


def test_settings_changed_behind_our_back_stop_the_output(psu, supply):
    psu.set("1", 5.0, 0.12)
    supply.volts = 12.0  # another program, or a hand at the panel
    with pytest.raises(SettingError, match="set to 5 V and says 12 V"):
        psu.on("1")
    assert not supply.on


def test_a_protection_changed_behind_our_back_stops_the_output(psu, supply):
    psu.set("1", 5.0, 0.12)
    psu.protect("1", ovp=5.5)
    supply.ovp = 33.0
    with pytest.raises(SettingError, match="over-voltage"):
        psu.on("1")


def test_off_is_verified(psu, supply):
    psu.set("1", 5.0, 0.12)
    psu.on("1")
    assert psu.off("1") is True
    assert not supply.on


def test_a_supply_that_lies_about_its_output_is_told_in_plain_words(psu, supply):
    supply.sticky = True
    with pytest.raises(OutputOnError, match="was switched off and says that it is on"):
        psu.off("1")


def test_an_output_that_does_not_come_on_is_told(psu, supply):
    psu.set("1", 5.0, 0.12)
    supply.trip = "ovp"
    with pytest.raises(SettingError, match="switched on and is off: ovp tripped"):
        psu.on("1")


def test_a_trip_shows_in_the_sample_and_is_named(psu, supply):
    psu.set("1", 5.0, 0.12)
    psu.protect("1", ovp=5.5)
    psu.on("1")
    assert psu.sample("1").trip is None
    supply.ovp = 4.0
    supply.watch()
    seen = psu.sample("1")
    assert (seen.on, seen.trip, seen.mode) == (False, "ovp", "off")
    assert psu.tripped("1") == "ovp"


def test_an_output_that_somebody_switched_off_has_not_tripped(psu, supply):
    """What was armed must be asked after by a question of the maker's page."""
    psu.set("1", 5.0, 0.12)
    assert not psu.untripped("1"), "nothing is armed: a hand at the panel may have armed something"
    psu.protect("1", ovp=5.5)
    psu.on("1")
    supply.on = False
    assert psu.sample("1").trip == "other"
    psu.off("1")
    assert psu.untripped("1")
    supply.trip = "ovp"
    assert not psu.untripped("1")
    supply.trip = None
    psu.looks.dialect = psu.dialect.model_copy(update={"unverified": ("ask.ovp_tripped",)})
    assert not psu.untripped("1")


def test_clear_switches_off_first_and_at_zero_volts(psu, supply):
    """Keysight E3632A User's Guide p88: clearing puts the output back to the state before the trip."""
    psu.set("1", 5.0, 0.12)
    psu.on("1")
    supply.trip, supply.on, supply.restores = "ovp", False, True
    supply.order.clear()
    assert psu.clear("1") is True  # it did come back on, and was switched off again
    said = [each for each in supply.order if each in ("OUTP OFF", "VOLT 0.0000", "VOLT:PROT:CLE")]
    assert said[:4] == ["OUTP OFF", "VOLT 0.0000", "VOLT:PROT:CLE", "OUTP OFF"]
    assert not supply.on
    with pytest.raises(SettingError):
        psu.on("1")  # must be set again


def test_clear_that_leaves_the_trip_is_told(psu, supply):
    supply.unit = lambda text, inner=supply.unit: "1" if text == "VOLT:PROT:TRIP?" else inner(text)
    with pytest.raises(SettingError, match="still there after clearing"):
        psu.clear("1")


def test_instrument_errors_are_raised_with_their_numbers(psu, supply):
    supply.errors.append('-221,"Settings conflict"')
    with pytest.raises(InstrumentFault, match="-221 Settings conflict"):
        psu.set("1", 5.0, 0.12)
    assert psu.errors() == []


def test_an_error_queue_that_never_empties_is_bounded(psu, supply):
    supply.endless = True
    assert len(psu.errors()) == 30


def test_sample_is_one_line(psu, supply):
    psu.set("1", 5.0, 0.12)
    psu.on("1")
    before = len([each for each in psu.link.traffic if each.direction == ">"])
    seen = psu.sample("1")
    assert len([each for each in psu.link.traffic if each.direction == ">"]) == before + 1
    assert (seen.volts, seen.amps, seen.on) == (5.0, 0.0, True)


def test_mode_is_told_from_readings_until_unverified_bits_proved_themselves(psu, supply):
    supply.load = 100.0
    psu.set("1", 5.0, 0.02)
    psu.on("1")
    assert psu.sample("1").mode == "cc"  # 2 V of 5 V, at its limit: no doubt
    supply.load = None
    assert psu.sample("1").mode == "cv"
    judge = psu.judge("1")
    assert (judge.agreed, judge.refuted) == (2, False)


def test_reversed_bits_are_never_believed(psu, supply):
    """ITECH IT6322A and Keithley 2230 have CV in bit 0 (supplies.md section 0): the common map would be wrong."""
    supply.bits = {"cv": 1, "cc": 2}
    psu.set("1", 5.0, 0.5)
    psu.on("1")
    assert [psu.sample("1").mode for _ in range(3)] == ["cv"] * 3
    assert psu.judge("1").refuted


def test_bits_decide_where_readings_do_not():
    judge = ModeJudge(trusted=False)
    at_both = (0.0, 0.0, 0.01, 0.01)  # at its voltage and at its limit, within what the readback may be off
    assert judge.mode({"cc": True, "cv": False}, *at_both) == "unknown"
    for _ in range(2):
        judge.mode({"cc": False, "cv": True}, 0.0, -1.0, 0.01, 0.01)
    assert judge.mode({"cc": True, "cv": False}, *at_both) == "cc"


def test_flags_by_bit_negation_and_word():
    table = {"cc": "r.0", "cv": "!r.0", "on": "m=ON|1"}
    assert flags_of(table, {"r": 0b10, "m": "ON"}) == {"cc": False, "cv": True, "on": True}
    assert flags_of(table, {"r": 1}) == {"cc": True, "cv": False}


def test_after_a_power_cycle_nothing_counts_as_set(serve, supply):
    link = Link.open(serve(supply).address, name="supply", timeout=5.0)
    driver = Psu(link, load_psu("scpi-psu"))
    driver.identify()
    driver.set("1", 5.0, 0.12)
    supply.unit = lambda text, inner=supply.unit: "128" if text == "*ESR?" else inner(text)
    link.reopen()
    with pytest.raises(SettingError, match="no voltage and limit set"):
        driver.on("1")
    driver.close()


def test_all_off_reaches_every_output(psu, supply):
    assert psu.all_off() is True
    assert [each for each in supply.order if each.startswith("INST")][-1] == "INST:NSEL 3"
