"""Each face answers its maker's own commands: set, read back, on, measure, mode in CV and in CC, off.

The commands and bit maps are those of the makers' manuals named in the face's module; 5 V across 100 Ω is 50 mA, and a
limit of 20 mA is constant current at 2 V (Ohm's law). No figure is from elsewhere.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest

from wakeboard.instruments.virtual.bench import VirtualBench
from wakeboard.instruments.virtual.faces import DMM_FACES, PSU_FACES, SCANNER_FACES
from wakeboard.instruments.virtual.wire.port import Port

Make = Callable[..., VirtualBench]

# face -> set 5 V and a limit; on; measure volts; amps; mode; its answer in CV; in CC; off; is it on?; its answer then
PSUS: dict[str, tuple[str, str, str, str, str, str, str, str, str, str]] = {
    "plain": ("INST:NSEL 1;:VOLT 5;CURR {}", "OUTP ON", "MEAS:VOLT?", "MEAS:CURR?",
              "STAT:QUES:INST:ISUM1:COND?", "2", "1", "OUTP OFF", "OUTP?", "0"),
    "e3632a": ("APPL 5,{}", "OUTP ON", "MEAS:VOLT?", "MEAS:CURR?",
               "STAT:QUES:COND?", "2", "1", "OUTP OFF", "OUTP?", "0"),
    "e3646a": ("INST OUT1;:VOLT 5;CURR {}", "OUTP ON", "MEAS:VOLT?", "MEAS:CURR?",
               "STAT:QUES:INST:ISUM1:COND?", "2", "1", "OUTP OFF", "OUTP?", "0"),
    "e3631a": ("APPL P6V,5,{}", "OUTP ON", "MEAS:VOLT? P6V", "MEAS:CURR? P6V",
               "STAT:QUES:INST:ISUM1:COND?", "2", "1", "OUTP OFF", "OUTP?", "0"),
    "e36312a": ("VOLT 5,(@1);CURR {},(@1)", "OUTP ON,(@1)", "MEAS:VOLT? (@1)", "MEAS:CURR? (@1)",
                "STAT:QUES:INST:ISUM1:COND?", "+2", "+1", "OUTP OFF,(@1)", "OUTP? (@1)", "0"),
    "dp832a": (":APPL CH1,5,{}", ":OUTP CH1,ON", ":MEAS:VOLT? CH1", ":MEAS:CURR? CH1",
               ":STAT:QUES:INST:ISUM1:COND?", "2", "1", ":OUTP CH1,OFF", ":OUTP? CH1", "OFF"),
    "spd3303x": ("CH1:VOLT 5;CURR {}", "OUTP CH1,ON", "MEAS:VOLT? CH1", "MEAS:CURR? CH1",
                 "SYST:STAT?", "0x14", "0x15", "OUTP CH1,OFF", "SYST:STAT?", "0x4"),
    "hmp4040": ("INST OUT1;:VOLT 5;CURR {}", "OUTP:SEL ON;:OUTP:GEN ON", "MEAS:VOLT?", "MEAS:CURR?",
                "STAT:QUES:INST:ISUM1:COND?", "2", "1", "OUTP:GEN OFF", "OUTP:GEN?", "0"),
    "nge100": ("INST:NSEL 1;:APPL 5,{}", "OUTP ON", "MEAS:VOLT?", "MEAS:CURR?",
               "STAT:QUES:INST:ISUM1:COND?", "2", "1", "OUTP OFF", "OUTP?", "0"),
    "2230g": ("APPL CH1,5,{}", "CHAN:OUTP 1", "MEAS:VOLT? CH1", "MEAS:CURR? CH1",
              "STAT:OPER:INST:ISUM1:COND?", "9", "10", "CHAN:OUTP 0", "CHAN:OUTP?", "0"),
    "9130b": ("INST FIR;:VOLT 5;CURR {}", "CHAN:OUTP 1", "MEAS:VOLT?", "MEAS:CURR?",
              "STAT:QUES:INST:ISUM1:COND?", "1", "2", "OUTP 0", "CHAN:OUTP?", "0"),
    "it6322a": ("INST:NSEL 1;:VOLT 5;CURR {}", "CHAN:OUTP 1", "MEAS:VOLT?", "MEAS:CURR?",
                "STAT:QUES:INST:ISUM1:COND?", "1", "2", "OUTP 0", "CHAN:OUTP?", "0"),
    "gpp4323": (":SOUR1:VOLT 5;CURR {}", ":OUTP1:STAT ON", ":MEAS1:VOLT?", ":MEAS1:CURR?",
                ":MODE1?", "CV", "CC", ":OUTP1:STAT OFF", ":OUTP1:STAT?", "OFF"),
    "owon": ("VOLT 5;CURR {}", "OUTP 1", "MEAS:VOLT?", "MEAS:CURR?",
             "MEAS:ALL:INFO?", "1", "2", "OUTP 0", "OUTP?", "OFF"),
    "gpd3303s": ("VSET1:5|ISET1:{}", "OUT1", "VOUT1?", "IOUT1?", "STATUS?", "1", "0", "OUT0", "STATUS?", "11011000"),
    "aim-tti": ("V1 5|I1 {}", "OP1 1", "V1O?", "I1O?", "LSR1?", "1", "2", "OP1 0", "OP1?", "0"),
    "korad": ("VSET1:05.00|ISET1:{}", "OUT1", "VOUT1?", "IOUT1?", "STATUS?", "Q", "P", "OUT0", "STATUS?", "\x10"),
}  # fmt: skip


class Line:
    """A bare line to an instrument: lines out, text back, paced as slow makers want it."""

    def __init__(self, bench: VirtualBench, name: str) -> None:
        self.bench = bench
        self.instrument = bench.instruments[name]
        self.port = Port(self.instrument)

    def say(self, lines: str) -> str:
        for line in lines.split("|"):
            self.bench.clock.sleep(0.1)
            self.port.write(line.encode() + (b"\n" if self.instrument.terminator else b""))
        reply = bytes(self.port.output).decode("latin-1")
        self.port.output.clear()
        return reply.strip("\r\n")


def numeric(reply: str) -> float:
    return float(reply.rstrip("VA"))


def test_every_face_is_tried() -> None:
    assert set(PSUS) == set(PSU_FACES)


@pytest.mark.parametrize("name", PSUS)
def test_psu_faces(bench: Make, name: str) -> None:
    settings, on, volts, amps, mode, cv, cc, off, state, is_off = PSUS[name]
    b = bench(psu=name)
    line = Line(b, "supply")
    assert line.say("*IDN?")
    assert line.say(settings.format("0.200")) == ""
    assert b.outputs_on == []
    line.say(on)
    assert b.outputs_on == ["MAIN"] or name in ("e3646a", "e3631a", "gpd3303s")  # these switch all outputs together
    b.clock.sleep(0.2)
    assert numeric(line.say(volts)) == pytest.approx(5.0, abs=0.06)
    assert numeric(line.say(amps)) == pytest.approx(0.05, abs=0.025)
    assert line.say(mode).startswith(cv) or line.say(mode).endswith(f",{cv}")
    line.say(settings.format("0.020"))
    b.clock.sleep(0.2)
    assert numeric(line.say(volts)) == pytest.approx(2.0, abs=1.0)
    if name != "owon":
        assert line.say(mode).startswith(cc)
    else:
        assert line.say(mode).endswith(f",{cc}")
    line.say(off)
    assert b.outputs_on == []
    assert line.say(state) == is_off


TRIPS = {  # face -> arm 5.5 V, raise to 5.8 V, is it tripped?, yes, clear, does the output come back?
    "plain": ("VOLT:PROT 5.5;PROT:STAT ON", "VOLT 5.8", "VOLT:PROT:TRIP?", "1", "VOLT:PROT:CLE", True),
    "e3632a": ("VOLT:PROT 5.5", "VOLT 5.8", "STAT:QUES:COND?", "512", "VOLT:PROT:CLE", True),
    "dp832a": (":OUTP:OVP:VAL CH1,5.5|:OUTP:OVP CH1,ON", ":APPL CH1,5.8", ":OUTP:OVP:QUES? CH1", "YES",
               ":OUTP:OVP:CLEAR CH1", False),
    "hmp4040": ("VOLT:PROT 5.5", "VOLT 5.8", "VOLT:PROT:TRIP?", "1", "VOLT:PROT:CLE", False),
    "gpp4323": (":OUTP1:OVP 5.5|:OUTP1:OVP:STAT ON", ":SOUR1:VOLT 5.8", ":OUTP1:OVP:TRIG?", "ON",
                ":OUTP1:OVP:CLE", False),
    "it6322a": ("VOLT:PROT 5.5;PROT:STAT ON", "VOLT 5.8", "STAT:QUES:INST:ISUM1:COND?", "512", "VOLT:PROT:CLE", True),
    "owon": ("VOLT:LIM 5.5", "VOLT 5.8", "OUTP?", "OFF", "*CLS", False),
    "aim-tti": ("OVP1 5.5", "V1 5.8", "LSR1?", "9", "TRIPRST", False),
}  # fmt: skip


@pytest.mark.parametrize("name", TRIPS)
def test_over_voltage_trips_by_face(bench: Make, name: str) -> None:
    settings, on = PSUS[name][:2]
    arm, up, question, yes, clear, restores = TRIPS[name]
    b = bench(psu=name)
    line = Line(b, "supply")
    for command in (settings.format("0.200"), arm, on):
        line.say(command)
    b.clock.sleep(0.1)
    assert b.outputs_on == ["MAIN"]
    line.say(up)
    b.clock.sleep(0.1)
    assert b.outputs_on == []
    assert line.say(question) == yes
    line.say(clear)
    assert bool(b.outputs_on) == restores


def test_rigol_clears_and_enables_by_the_source_form(bench: Make) -> None:
    """DP2000 Programming Guide p48: :OUTP:OCP:CLE only clears, :SOURn:CURR:PROT:CLE switches on as well."""
    b = bench(psu="dp832a")
    line = Line(b, "supply")
    line.say(":APPL CH1,5,0.2|:OUTP:OCP:VAL CH1,0.03|:OUTP:OCP CH1,ON|:OUTP CH1,ON")
    b.clock.sleep(0.3)
    assert line.say(":OUTP:OCP:QUES? CH1") == "YES"
    line.say(":OUTP:OCP:CLEAR CH1")
    assert b.outputs_on == []
    line.say(":OUTP CH1,ON")
    b.clock.sleep(0.3)
    line.say(":SOUR1:CURR:PROT:CLE")
    assert b.outputs_on == ["MAIN"]


def test_hmp_needs_both_switches(bench: Make) -> None:
    b = bench(psu="hmp4040")
    line = Line(b, "supply")
    line.say("INST:NSEL 1|VOLT 5|CURR 0.2|OUTP:SEL ON")
    assert line.say("OUTP?") == "1"  # the channel's switch, not the terminals
    assert b.outputs_on == []
    line.say("OUTP:GEN ON")
    assert b.outputs_on == ["MAIN"]
    assert line.say("MEAS:VOLT?(@1)") == ""
    assert line.say("SYST:ERR?").startswith("-103")  # R&S: a space is required between ? and (@


def test_siglent_errors_have_no_comma(bench: Make) -> None:
    line = Line(bench(psu="spd3303x"), "supply")
    assert line.say("SYST:ERR?") == "0  No error"
    line.say("NOSUCH")
    assert re.match(r"-113  Undefined", line.say("SYST:ERR?"))
    assert line.say("CH3:VOLT 5|SYST:ERR?").startswith("-114")


def test_korad_takes_commands_without_an_end_and_loses_hasty_ones(bench: Make) -> None:
    b = bench(psu="korad")
    port = Port(b.instruments["supply"])
    b.clock.sleep(0.1)
    port.write(b"VSET1?")
    assert bytes(port.output) == b"00.00"
    port.output.clear()
    b.clock.sleep(0.1)
    port.write(b"VSET1:05.00")
    port.write(b"ISET1:0.100")  # no gap: lost
    b.clock.sleep(0.1)
    port.write(b"VSET1?")
    b.clock.sleep(0.1)
    port.write(b"ISET1?")
    assert bytes(port.output) == b"05.005.000"


def test_tti_latches_and_clears_on_reading(bench: Make) -> None:
    b = bench(psu="aim-tti")
    line = Line(b, "supply")
    line.say("V1 5|I1 0.2|OP1 1")
    b.clock.sleep(0.2)
    assert line.say("LSR1?") == "1"
    assert line.say("LSR1?") == "0"
    assert line.say("V1?") == "V1 5.000"
    assert line.say("OVP1?") == "VP1 38.50"
    assert line.say("V1 99|EER?") == "100"
    assert line.say("IFLOCK?") == "0"


# face -> configure 10 V (or nearest), read, ohms
DMMS = {
    "plain": ("CONF:VOLT:DC 10", "READ?", "MEAS:RES? 100E3"),
    "34401a": ("CONF:VOLT:DC 10", "READ?", "MEAS:RES? 100E3"),
    "34461a": ("CONF:VOLT:DC 10", "READ?", "MEAS:RES? 100E3"),
    "dmm6500": ('SENS:FUNC "VOLT:DC";:SENS:VOLT:DC:RANG 10', "READ?", "MEAS:RES? 100E3"),
    "2000": ("CONF:VOLT:DC;:SENS:VOLT:DC:RANG 100", "READ?", "MEAS:RES? 100E3"),
    "8845a": ("CONF:VOLT:DC 10", "READ?", "MEAS:RES? 100E3"),
    "sdm3065x": ("CONF:VOLT:DC 20", "READ?", "MEAS:RES? 200E3"),
    "dm3058": (":FUNC:VOLT:DC|:MEAS:VOLT:DC 2", ":MEAS:VOLT:DC?", ":FUNC:RES|:MEAS:RES 3|:MEAS:RES?"),
    "xdm1041": ("CONF:VOLT:DC 5", "MEAS1?", "CONF:RES 50E3|MEAS1?"),
}


def test_every_meter_face_is_tried() -> None:
    assert set(DMMS) == set(DMM_FACES)


@pytest.mark.parametrize("name", DMMS)
def test_dmm_faces(bench: Make, name: str) -> None:
    configure, read, ohms = DMMS[name]
    b = bench(dmm=name)
    b.instruments["supply"].execute("VOLT 5,(@1);CURR 0.2,(@1);OUTP ON,(@1)")
    b.instruments["scanner"].execute("ROUT:CLOS (@102)")
    line = Line(b, "meter")
    line.say(configure)
    b.clock.sleep(0.5)
    assert float(line.say(read).split(",")[0]) == pytest.approx(2.5 * 10 / 10.5, rel=3e-3)
    b.instruments["supply"].execute("OUTP OFF,(@1)")
    b.instruments["scanner"].execute("ROUT:CLOS:EXCL (@104)")
    b.clock.sleep(0.5)
    line.say(ohms)
    b.clock.sleep(0.5)
    assert float(line.say(ohms)) == pytest.approx(10e3, rel=5e-3)
    assert re.match(r"[^,]+,[^,]+,[^,]*,.+", line.say("*IDN?"))


def test_a_display_meter_answers_what_it_showed_before(bench: Make) -> None:
    """After a change the first answer is the old value; after a period it is the new one."""
    b = bench(dmm="dm3058")
    supply = b.instruments["supply"]
    supply.execute("VOLT 5,(@1);CURR 0.2,(@1);OUTP ON,(@1)")
    b.instruments["scanner"].execute("ROUT:CLOS (@101)")
    line = Line(b, "meter")
    line.say(":FUNC:VOLT:DC|:MEAS:VOLT:DC 2")
    b.clock.sleep(1.0)
    assert float(line.say(":MEAS:VOLT:DC?")) == pytest.approx(5.0, abs=0.05)
    supply.execute("VOLT 4.5,(@1)")
    assert float(line.say(":MEAS:VOLT:DC?")) == pytest.approx(5.0, abs=0.05)
    b.clock.sleep(0.5)
    assert float(line.say(":MEAS:VOLT:DC?")) == pytest.approx(4.5, abs=0.05)


def test_owon_overload_is_not_the_standard_one(bench: Make) -> None:
    line = Line(bench(dmm="xdm1041"), "meter")
    line.say("CONF:RES 500")
    assert float(line.say("MEAS1?")) == 1e9


def test_dmm6500_returns_the_last_of_several(bench: Make) -> None:
    """Keithley 2450 Reference p6-6: READ? with a count returns only the last reading; Keysight returns all."""
    keithley = Line(bench(dmm="dmm6500"), "meter")
    keithley.say('SENS:FUNC "VOLT:DC"|SENS:COUN 3')
    assert keithley.say("READ?").count(",") == 0
    keysight = Line(bench(dmm="34461a"), "meter")
    keysight.say("CONF:VOLT:DC 10|SAMP:COUN 3")
    assert keysight.say("READ?").count(",") == 2


def test_truevolt_turns_autozero_off_below_one_cycle(bench: Make) -> None:
    """Truevolt guide p223."""
    line = Line(bench(), "meter")
    assert line.say("CONF:VOLT:DC 10|VOLT:DC:ZERO:AUTO?") == "1"
    assert line.say("CONF:VOLT:DC 10,0.001|VOLT:DC:ZERO:AUTO?") == "0"
    assert float(line.say("VOLT:DC:NPLC?")) == 0.02


SCANNERS: dict[str, tuple[str, str, Any, str, str]] = {
    "34970a": ("ROUT:CLOS (@101,102)", "ROUT:CLOS? (@101:103)", "1,1,0", "ROUT:OPEN (@101,102)",
               "DIAG:REL:CYCL? (@101)"),
    "2700": ("ROUT:MULT:CLOS (@101,102)", "ROUT:CLOS?", "(@101,102)", "ROUT:OPEN:ALL", "ROUT:CLOS:COUN? (@101)"),
    "daq6510": ("ROUT:CHAN:MULT:CLOS (@101,102)", "ROUT:CHAN:CLOS?", "(@101,102)", "ROUT:CHAN:OPEN:ALL",
                "ROUT:CHAN:CLOS:COUN? (@101)"),
}  # fmt: skip


@pytest.mark.parametrize("name", SCANNER_FACES)
def test_scanner_faces(bench: Make, name: str) -> None:
    close, question, answer, open_all, count = SCANNERS[name]
    line = Line(bench(scanner=name), "scanner")
    line.say(close)
    assert line.say(question) == answer
    line.say(open_all)
    assert "1" not in line.say(question).replace("101", "").replace("102", "")
    assert int(line.say(count)) == 1
    assert line.say(close.replace("102", "999") + "|SYST:ERR?").startswith("-222")


def test_2700_closes_one_channel_at_a_time(bench: Make) -> None:
    """2700 User's Manual p2-11: ROUT:CLOS opens the channel closed before."""
    line = Line(bench(scanner="2700"), "scanner")
    line.say("ROUT:CLOS (@101)|ROUT:CLOS (@102)")
    assert line.say("ROUT:CLOS?") == "(@102)"
    assert line.say("ROUT:CLOS:STAT? (@101,102)") == "0,1"


def test_34970a_with_a_scan_list_closes_one_at_a_time(bench: Make) -> None:
    """34970A User's Guide p259; p240 for the block that ROUT:SCAN? answers."""
    line = Line(bench(), "scanner")
    assert line.say("ROUT:SCAN (@101,102)|ROUT:SCAN?") == "#210(@101,102)"
    line.say("ROUT:CLOS (@103)|ROUT:CLOS (@104)")
    assert line.say("ROUT:CLOS? (@103,104)") == "0,1"
    assert line.say("ROUT:SCAN (@)|ROUT:SCAN?") == "#13(@)"
