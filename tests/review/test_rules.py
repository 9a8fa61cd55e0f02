# ruff: noqa: E501 - drawings are tables, a part a line
"""Every rule has a drawing that raises it and a twin, one change away, that does not.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from wakeboard.harness.review.concern import RULES, Concern

Draw = Callable[[str], list[Concern]]

# A 5 V supply and a 3.3 V regulator with a chip on it: nothing to say about it. `{…}` are changed by the drawings.
PLAIN = """
[supplies.IN]
net = "VIN"
kind = "{supply_kind}"
volts = "5 V"
range = "{range}"
budget = "{budget}"
[rails.V33]
net = "+3V3"
from = "IN"
volts = "3.3 V ± 3 %"
[lines.RST]
net = "RST"
levels = "lvcmos-3v3"
when = {{ boot = "low" }}
[parts]
U1 = {{ kind = "ldo", volts = "3.3 V ± 2 %", dropout = "0.3 V", limit = "500 mA", pins = {{ IN = "VIN", OUT = "+3V3", EN = "VIN", GND = "GND" }}, max = {{ voltage = "{u1_volts}", power = "{u1_power}" }} }}
R1 = {{ kind = "resistor", value = "{r1}", pins = ["RST", "GND"] }}
C1 = {{ kind = "capacitor", value = "{c1}", pins = ["VIN", "GND"] }}
[parts.U2]
kind = "chip"
pins = {{ VDD = "+3V3", GND = "GND", NRST = "RST", OUT = "{u2_out}" }}
supply = {{ VDD = {{ draws = "{draws}", above = "1.8 V" }} }}
[parts.U2.io]
NRST = {{ type = "input", {nrst} }}
OUT = {{ type = "output", drive = "high", pulls = "none" }}
"""
QUIET = {
    "supply_kind": "adapter", "range": "4.5 .. 5.5 V", "budget": "500 mA", "u1_volts": "7 V", "u1_power": "600 mW", "r1": "10k",
    "c1": "1 µF", "u2_out": "OUT", "draws": "20 mA", "nrst": 'pulls = "none"',
}  # fmt: skip


def plain(extra: str = "", **changed: str) -> str:
    return PLAIN.format(**{**QUIET, **changed}) + extra


def rules_of(concerns: list[Concern]) -> set[str]:
    return {concern.rule for concern in concerns}


TWO_SUPPLIES = """
[supplies.A]
net = "VA"
volts = "5 V"
[supplies.B]
net = "VB"
volts = "4 V"
kind = "cell"
[rails.OUT]
net = "VO"
from = ["A", "B"]
range = "3 .. 5 V"
[parts]
D1 = {{ kind = "schottky", pins = {{ A = "VA", K = "VO" }} }}
{second}
R1 = {{ kind = "resistor", value = "1k", pins = ["VO", "GND"] }}
R2 = {{ kind = "resistor", value = "10k", pins = ["VB", "GND"] }}
R3 = {{ kind = "resistor", value = "10k", pins = ["VA", "GND"] }}
"""
BLOCKED = 'D2 = { kind = "schottky", pins = { A = "VB", K = "VO" } }'
TURNED = 'D2 = { kind = "schottky", pins = { A = "VO", K = "VB" } }'

SWITCHED = """
[supplies.IN]
net = "VIN"
volts = "3.3 V"
[rails.ON]
net = "VIN"
from = "IN"
range = "3.0 .. 3.5 V"
[rails.SENS]
net = "VS"
from = "ON"
range = "3.0 .. 3.5 V"
on_when = {{ "U1.EN" = "high" }}
[parts]
U3 = {{ kind = "load_switch", ohms = "0.1 Ω", enable_above = "1.2 V", pins = {{ IN = "VIN", OUT = "VS", EN = "EN", GND = "GND" }} }}
R1 = {{ kind = "resistor", value = "100k", pins = ["EN", "GND"] }}
R2 = {{ kind = "resistor", value = "4k7", pins = ["{pull_to}", "SDA"] }}
R3 = {{ kind = "resistor", value = "100k", pins = ["VS", "GND"] }}
[parts.U1]
kind = "chip"
pins = {{ VDD = "VIN", GND = "GND", EN = "EN" }}
supply = {{ VDD = {{ draws = "5 mA", above = "1.8 V" }} }}
[parts.U1.io]
EN = {{ type = "io", pulls = "none" }}
[parts.U2]
kind = "chip"
pins = {{ VDD = "VS", GND = "GND", SDA = "SDA" }}
supply = {{ VDD = {{ draws = "0.5 mA", above = "1.8 V" }} }}
[parts.U2.io]
SDA = {{ type = "open_drain", pulls = "none" }}
"""

BUS = """
[lines.SDA]
net = "SDA"
levels = "i2c"
rail = "V33"
bus = "i2c"
bus_rate = "400 kHz"
bus_capacitance = "200 pF"
when = {{ boot = "high" }}
[parts.R9]
kind = "resistor"
value = "{ohms}"
pins = ["+3V3", "SDA"]
"""

SECOND_DRIVER = """
[parts.U3]
kind = "chip"
pins = {{ VDD = "+3V3", GND = "GND", OUT = "{net}" }}
supply = {{ VDD = {{ draws = "1 mA", above = "1.8 V" }} }}
[parts.U3.io]
OUT = {{ type = "output", drive = "low", pulls = "none" }}
"""

PROCESSOR = """
[lines.CTRL]
net = "CTRL"
levels = "lvcmos-3v3"
driven_by = "U4.{pin}"
when = {{ boot = "low", on = "high" }}
[parts.R8]
kind = "resistor"
value = "10k"
pins = ["CTRL", "GND"]
[parts.R7]
kind = "resistor"
value = "10k"
pins = ["BOOT0", "{strap}"]
[parts.U4]
kind = "chip"
pin_table = "stm32f103"
options = ["debug"]
pins = {{ VDD = "+3V3", GND = "GND", {pin} = "CTRL", BOOT0 = "BOOT0" }}
supply = {{ VDD = {{ draws = "5 mA", above = "1.8 V" }} }}
[parts.U4.io]
{pin} = {{ type = "io", pulls = "none" }}
BOOT0 = {{ type = "input", pulls = "none" }}
"""

LOW_RAIL = """
[rails.V18]
net = "+1V8"
from = "V33"
volts = "1.8 V ± 4 %"
[parts.U5]
kind = "ldo"
volts = "1.8 V ± 2 %"
pins = {{ IN = "+3V3", OUT = "+1V8", EN = "+3V3", GND = "GND" }}
[parts.U6]
kind = "chip"
pins = {{ VIO = "+1V8", GND = "GND", IN = "{net}" }}
supply = {{ VIO = {{ draws = "1 mA", above = "1.2 V" }} }}
[parts.U6.io]
IN = {{ rail = "VIO", type = "input", pulls = "none" }}
"""

TYPE_C = """
[parts.J1]
kind = "connector"
pins = {{ VBUS = "VIN", CC1 = "CC1", CC2 = "CC2", GND = "GND" }}
[parts.RA]
kind = "resistor"
value = "5k1"
pins = ["CC1", "GND"]
[parts.RB]
kind = "resistor"
value = "{ohms}"
pins = ["CC2", "GND"]
"""

ADJUSTED = """
[supplies.IN]
net = "VIN"
volts = "5 V"
[rails.V33]
net = "+3V3"
from = "IN"
volts = "3.3 V ± 3 %"
[parts]
U1 = {{ kind = "adjustable_ldo", reference = "1.25 V", enable_above = "1 V", pins = {{ IN = "VIN", OUT = "+3V3", FB = "FB", EN = "{en}", GND = "GND" }} }}
R1 = {{ kind = "resistor", value = "{upper}", pins = ["+3V3", "FB"] }}
R2 = {{ kind = "resistor", value = "1k", pins = ["FB", "GND"] }}
R3 = {{ kind = "resistor", value = "100k", pins = ["{en}", "GND"] }}
"""

PRESSED = """
[parts.S1]
kind = "button"
pins = ["{net}", "GND"]
"""

CHARGED = """
[supplies.IN]
net = "VIN"
volts = "5 V"
budget = "300 mA"
[supplies.CELL]
net = "VB"
kind = "cell"
volts = "3.7 V"
range = "3.3 .. 4.2 V"
may_take = "{take}"
[rails.VB]
net = "VB"
from = "CELL"
[parts]
U1 = {{ kind = "programmed_charger", volts = "{volts}", pins = {{ IN = "VIN", BAT = "VB", PROG = "PROG", GND = "GND" }} }}
R1 = {{ kind = "resistor", value = "{prog}", pins = ["PROG", "GND"] }}
R2 = {{ kind = "resistor", value = "10k", pins = ["VB", "GND"] }}
"""

SUPERVISED = """
[parts.U9]
kind = "supervisor"
threshold = "{volts} ± 2 %"
pins = {{ VDD = "+3V3", OUT = "SUP", GND = "GND" }}
[parts.R9]
kind = "resistor"
value = "10k"
pins = ["+3V3", "SUP"]
"""

GATED = """
[parts.Q9]
kind = "mosfet"
threshold = "{threshold}"
at = "{at}"
pins = {{ G = "OUT", D = "DRAIN", S = "GND" }}
[parts.R9]
kind = "resistor"
value = "1k"
pins = ["VIN", "DRAIN"]
"""

PROTECTED = """
[supplies.IN]
net = "VIN"
volts = "9 V"
[rails.VOUT]
net = "VOUT"
from = "IN"
range = "8 .. 10 V"
[parts]
Q1 = {{ kind = "mosfet", channel = "p", threshold = "1.5 V", ohms = "20 mΩ", at = "8 V", pins = {{ D = "{d}", S = "{s}", G = "G" }} }}
R1 = {{ kind = "resistor", value = "10k", pins = ["G", "GND"] }}
R2 = {{ kind = "resistor", value = "100 Ω", pins = ["VOUT", "GND"] }}
"""

CRYSTAL = """
[parts.X1]
kind = "crystal"
value = "8 MHz"
load = "12 pF"
pins = ["XA", "XB"]
[parts.C8]
kind = "capacitor"
value = "{farads}"
pins = ["XA", "GND"]
[parts.C9]
kind = "capacitor"
value = "{farads}"
pins = ["XB", "GND"]
[parts.U9]
kind = "chip"
pins = {{ VDD = "+3V3", GND = "GND", XA = "XA", XB = "XB" }}
supply = {{ VDD = {{ draws = "1 mA", above = "1.8 V" }} }}
[parts.U9.io]
XA = {{ type = "analog" }}
XB = {{ type = "analog" }}
"""

STALLED = """
[parts.M1]
kind = "motor"
volts = "5 V"
amps = "100 mA"
ohms = "4 Ω"
pins = ["MA", "MB"]
[parts.U9]
kind = "chip"
pins = {{ VDD = "VIN", GND = "GND", A = "MA", B = "MB" }}
supply = {{ VDD = {{ draws = "1 mA", above = "1.8 V" }} }}
[parts.U9.io]
A = {{ type = "output", ohms = "0.2 Ω", max = "{amps}" }}
B = {{ type = "output", ohms = "0.2 Ω", max = "{amps}" }}
"""

LIT = """
[parts.D9]
kind = "led"
pins = {{ A = "LA", K = "GND" }}
[parts.R9]
kind = "resistor"
value = "{ohms}"
pins = ["LED", "LA"]
[parts.U9]
kind = "chip"
pins = {{ VDD = "+3V3", GND = "GND", P = "LED" }}
supply = {{ VDD = {{ draws = "1 mA", above = "1.8 V" }} }}
[parts.U9.io]
P = {{ type = "io", max = "12 mA", pulls = "none" }}
"""

STEPPED = """
[supplies.IN]
net = "VIN"
volts = "{volts}"
[rails.V5]
net = "+5V"
from = "IN"
volts = "5 V ± 3 %"
[parts]
U1 = {{ kind = "boost", volts = "5 V", pins = {{ IN = "VIN", OUT = "+5V", GND = "GND" }} }}
R1 = {{ kind = "resistor", value = "1k", pins = ["+5V", "GND"] }}
"""


CASES: list[tuple[str, str, str]] = [
    ("backfeed", TWO_SUPPLIES.format(second=TURNED), TWO_SUPPLIES.format(second=BLOCKED)),
    ("phantom-power", SWITCHED.format(pull_to="VIN"), SWITCHED.format(pull_to="VS")),
    # 0.8 V is the most that reads as low (JESD8C.01): 100 kΩ against a stated 40 kΩ pull-up sits at 2.4 V.
    ("undefined-level", plain(r1="100k", nrst='pull_up = "40k"'), plain(r1="10k", nrst='pull_up = "40k"')),
    # common practice, no source: 100 kΩ does not hold a reset line against a pull-up of about 20 kΩ inside a part
    ("weak-pull", plain(r1="100k", nrst="clamp = true"), plain(r1="1k", nrst="clamp = true")),
    # TI TPS65987D: a USB-C sink shows 5.1 kΩ on each CC pin
    ("weak-pull", plain(TYPE_C.format(ohms="22k")), plain(TYPE_C.format(ohms="5k1"))),
    ("pin-conflict", plain(SECOND_DRIVER.format(net="OUT")), plain(SECOND_DRIVER.format(net="OUT2"))),
    ("boot-mode", plain(PROCESSOR.format(pin="PA1", strap="+3V3")), plain(PROCESSOR.format(pin="PA1", strap="GND"))),
    ("reserved-pin", plain(PROCESSOR.format(pin="PA13", strap="GND")), plain(PROCESSOR.format(pin="PA1", strap="GND"))),
    ("level-mismatch", plain(LOW_RAIL.format(net="OUT")), plain(LOW_RAIL.format(net="OUT3"))),
    ("headroom", plain(range="3.2 .. 5.5 V"), plain(range="4.0 .. 5.5 V")),
    # (5.5 V - 3.3 V) × 200 mA = 0.44 W
    ("dissipation", plain(draws="200 mA", u1_power="300 mW"), plain(draws="200 mA", u1_power="1 W")),
    # USB 2.0 section 7.2.4.1: 10 µF at attach
    ("inrush", plain(supply_kind="usb", c1="22 µF"), plain(supply_kind="usb", c1="4.7 µF")),
    # TI SLVA689: 400 kHz, 200 pF, 3.3 V: 967 Ω .. 1.77 kΩ
    ("pull-up-window", plain(BUS.format(ohms="4k7")), plain(BUS.format(ohms="1k5"))),
    ("rating", plain(u1_volts="5.2 V"), plain(u1_volts="5.8 V")),
    # 1.25 V (1 + R1 / R2), the formula of every adjustable regulator's data sheet; common practice, no source
    ("divider", ADJUSTED.format(upper="2k", en="VIN"), ADJUSTED.format(upper="1k65", en="VIN")),
    ("never-on", ADJUSTED.format(upper="1k65", en="EN"), ADJUSTED.format(upper="1k65", en="VIN")),
    ("rail-limits", plain().replace('volts = "3.3 V ± 2 %"', 'volts = "2.8 V ± 2 %"'), plain()),
    ("rail-limits", plain(PRESSED.format(net="+3V3")), plain(PRESSED.format(net="RST"))),
    # the constant-voltage phase ends at 4.2 V a cell; common practice, no source
    (
        "charge",
        CHARGED.format(volts="8.4 V", prog="10k", take="500 mA"),
        CHARGED.format(volts="4.2 V", prog="10k", take="500 mA"),
    ),
    # 1 V across 1 kΩ, times 1000: 1 A into a cell that may take 500 mA
    (
        "charge",
        CHARGED.format(volts="4.2 V", prog="1k", take="500 mA"),
        CHARGED.format(volts="4.2 V", prog="10k", take="500 mA"),
    ),
    # … and 400 mA from a source of 300 mA
    (
        "charge",
        CHARGED.format(volts="4.2 V", prog="2k5", take="500 mA"),
        CHARGED.format(volts="4.2 V", prog="10k", take="500 mA"),
    ),
    ("supervisor", plain(SUPERVISED.format(volts="3.2 V")), plain(SUPERVISED.format(volts="2.9 V"))),
    (
        "gate-drive",
        plain(GATED.format(threshold="3.0 V", at="10 V")),
        plain(GATED.format(threshold="1.0 V", at="2.5 V")),
    ),
    ("reverse-path", PROTECTED.format(d="VOUT", s="VIN"), PROTECTED.format(d="VIN", s="VOUT")),
    # load capacitance = C1 C2 / (C1 + C2) + stray, the formula of every crystal's data sheet; common practice, no source
    ("crystal-load", plain(CRYSTAL.format(farads="56 pF")), plain(CRYSTAL.format(farads="18 pF"))),
    # TI TPS65987D, USB Type-C: a resistor on each pin; one for both fails with a cable that pulls the other down itself
    (
        "weak-pull",
        plain(TYPE_C.format(ohms="5k1").replace('CC2 = "CC2"', 'CC2 = "CC1"')),
        plain(TYPE_C.format(ohms="5k1")),
    ),
    ("rating", plain(STALLED.format(amps="500 mA")), plain(STALLED.format(amps="2 A"))),
    # (3.3 V - 2 V) / 50 Ω = 26 mA from a pin of 12 mA
    ("rating", plain(LIT.format(ohms="10 Ω")), plain(LIT.format(ohms="470 Ω"))),
    # a boost's rectifier passes an input above its output
    ("headroom", STEPPED.format(volts="6 V"), STEPPED.format(volts="3 V")),
    # a USB device takes at most 100 mA before it is configured
    ("rating", plain(supply_kind="usb", draws="150 mA"), plain(supply_kind="usb", draws="60 mA")),
]


def test_every_rule_has_a_drawing() -> None:
    elsewhere = {"locked-out"}  # test_locked_out.py
    assert {rule for rule, _, _ in CASES} == set(RULES) - elsewhere


@pytest.mark.parametrize(("rule", "bad", "good"), CASES, ids=[f"{i}-{case[0]}" for i, case in enumerate(CASES)])
def test_a_drawing_raises_its_rule_and_its_twin_is_quiet(draw: Draw, rule: str, bad: str, good: str) -> None:
    assert rule in rules_of(draw(bad))
    assert rules_of(draw(good)) == set()


def test_a_diode_on_the_wrong_side_of_the_power_path_feeds_the_cell(draw: Draw) -> None:
    # common practice, no source: a diode from the 5 V input to the cell's side of the power-path transistor ties the
    # input to a lithium cell.
    power_path = """
[supplies.USB]
net = "VUSB"
kind = "usb"
volts = "5 V"
[supplies.CELL]
net = "VBAT"
kind = "cell"
volts = "3.7 V"
range = "3.5 .. 4.2 V"
may_take = "0 mA"
[rails.VSYS]
net = "VSYS"
from = ["USB", "CELL"]
range = "3 .. 5 V"
[parts]
Q1 = { kind = "mosfet", channel = "p", threshold = "0.9 V", ohms = "60 mΩ", pins = { S = "VSYS", G = "VUSB", D = "VBAT" } }
D1 = { kind = "schottky", pins = { A = "VUSB", K = "SIDE" } }
R1 = { kind = "resistor", value = "10k", pins = ["VUSB", "GND"] }
R2 = { kind = "resistor", value = "100k", pins = ["VBAT", "GND"] }
R3 = { kind = "resistor", value = "1k", pins = ["VSYS", "GND"] }
"""
    wrong = [c for c in draw(power_path.replace("SIDE", "VBAT")) if c.rule == "backfeed"]
    assert wrong
    assert all(concern.serious for concern in wrong)
    assert any(concern.path == ("D1",) and concern.nets == ("VBAT",) for concern in wrong)
    assert rules_of(draw(power_path.replace("SIDE", "VSYS"))) == set()


def test_a_pin_that_sticks_at_2_2_volts_wants_a_stronger_pull_down(draw: Draw) -> None:
    # RP2350 A2 erratum E9 as users measured it: with its input buffer on, the pad sources about 120 µA and parks at
    # about 2.2 V; a pull-down of 8.2 kΩ or less is needed.
    drawing = plain(r1="{r1}", nrst='leak = "120 µA", park = "2.2 V", pulls = "none"')
    stuck = draw(drawing.replace("{r1}", "100k"))
    assert "undefined-level" in rules_of(stuck)
    concern = next(c for c in stuck if c.rule == "undefined-level")
    assert concern.value == pytest.approx(2.2, abs=0.2)
    # 120 µA into 8.2 kΩ are 0.984 V, above the 0.8 V of JESD8C.01; 4.7 kΩ leave 0.564 V.
    assert rules_of(draw(drawing.replace("{r1}", "4k7"))) == set()


STRAP = """
[lines.CTRL]
net = "CTRL"
levels = "lvcmos-3v3"
when = {{ boot = "low" }}
[parts.R8]
kind = "resistor"
value = "100k"
pins = ["STRAP", "GND"]
[parts.R9]
kind = "resistor"
value = "10k"
pins = ["CTRL", "GND"]
[parts.U7]
kind = "load_switch"
enable_pull = "{pull}"
enable_pull_ohms = "50 kΩ"
pins = {{ IN = "+3V3", OUT = "VSW", EN = "STRAP", GND = "GND" }}
[parts.U8]
kind = "chip"
pins = {{ VDD = "+3V3", GND = "GND", MODE = "STRAP", C = "CTRL" }}
supply = {{ VDD = {{ draws = "1 mA", above = "1.8 V" }} }}
boots = {{ flash = {{ MODE = "low" }}, loader = {{ MODE = "high" }} }}
starts = "flash"
[parts.U8.io]
MODE = {{ type = "input", pulls = "none" }}
C = {{ type = "input", pulls = "none" }}
"""


def test_a_strap_shared_with_an_enable_is_judged_against_the_pulls_of_both(draw: Draw, ask: Draw) -> None:
    # 100 kΩ down against 50 kΩ up inside the switch: 2.2 V of 3.3 V, and the chip's own threshold is not reached
    found = draw(plain(STRAP.format(pull="up")))
    assert [c.rule for c in found] == ["boot-mode"]
    assert "MODE" in found[0].says
    assert "loader" in found[0].says
    assert "U7.EN" in found[0].says
    assert rules_of(draw(plain(STRAP.format(pull="none")))) == set()
    # silent about its pull: 100 kΩ to 1 MΩ either way are possible (sequences/pulls.toml), and most of that is held
    silent = STRAP.format(pull="none").replace('enable_pull = "none"\nenable_pull_ohms = "50 kΩ"\n', "")
    assert draw(plain(silent)) == []
    (asked,) = ask(plain(silent))
    assert (asked.rule, asked.settles.partition("'")[0]) == ("weak-pull", "U7.EN")


HIDDEN = (
    SWITCHED.format(pull_to="VS")
    + """
[lines.DRST]
net = "DRST"
levels = "lvcmos-3v3"
rail = "SENS"
when = {{ boot = "low" }}
[parts.R5]
kind = "resistor"
value = "{ohms}"
pins = ["DRST", "GND"]
[parts.U4]
kind = "chip"
pins = {{ VDD = "VS", GND = "GND", RST = "DRST" }}
supply = {{ VDD = {{ draws = "1 mA", above = "1.8 V" }} }}
[parts.U4.io]
RST = {{ type = "input" }}
"""
)


def test_a_pull_hidden_in_a_part_of_a_switched_rail_is_looked_at_with_the_rail_on(draw: Draw) -> None:
    # 7 kΩ up (sequences/pulls.toml, resets) against 10 kΩ down: 1.9 V of 3.3 V
    text = HIDDEN.replace('range = "3.0 .. 3.5 V"\non_when', 'volts = "3.3 V"\non_when')
    found = draw(text.replace("{{", "{").replace("}}", "}").replace("{ohms}", "10k"))
    assert [(c.rule, c.nets) for c in found] == [("weak-pull", ("DRST",))]
    assert "U1.EN=high" in found[0].state
    assert draw(text.replace("{{", "{").replace("}}", "}").replace("{ohms}", "1k5")) == []


def test_one_wrong_divider_is_one_concern_with_what_follows_under_it(draw: Draw) -> None:
    found = draw(ADJUSTED.format(upper="4k7", en="VIN") + CHIP_ON_3V3)
    assert [c.rule for c in found] == ["divider"]
    assert "rating" in {c.rule for c in found[0].also}
    assert "fit 1.65 kΩ" in found[0].do


CHIP_ON_3V3 = """
[parts.U2]
kind = "chip"
pins = { VDD = "+3V3", GND = "GND" }
supply = { VDD = { draws = "1 mA", above = "1.8 V" } }
max = { voltage = "4 V" }
"""


def test_a_leak_comes_from_the_lines_own_rail_and_not_from_a_higher_one(draw: Draw) -> None:
    """100 kΩ against 1.5 MΩ to 3.3 V is 0.21 V, a low; to 24 V, the first rail of the file, it would be 1.5 V."""
    found = draw("""
[supplies.DC]
net = "VIN"
volts = "24 V"
[rails]
V24 = { net = "V24", from = "DC", volts = "24 V ± 5 %" }
V33 = { net = "+3V3", from = "V24", volts = "3.3 V ± 5 %" }
[lines]
SEL = { net = "SEL", levels = "lvcmos-3v3", rail = "V33", when = { boot = "low" } }
[parts]
J1 = { kind = "connector", pins = { P = "VIN", N = "GND" } }
F1 = { kind = "fuse", pins = ["VIN", "V24"] }
U1 = { kind = "buck", volts = "3.3 V", limit = "1 A", pins = { IN = "V24", OUT = "+3V3", GND = "GND" } }
R1 = { kind = "resistor", value = "100k", pins = ["SEL", "GND"] }
R2 = { kind = "resistor", value = "1k", pins = ["+3V3", "GND"] }
""")
    assert "undefined-level" not in {each.rule for each in found}


def test_a_large_dropout_does_not_fall_with_the_current(draw: Draw) -> None:
    """A bipolar follower's junctions take it at any current; common practice, no source. 5 V - 10 % - 3.3 V = 1.2 V."""
    wide = plain().replace('dropout = "0.3 V"', 'dropout = "1.4 V"')
    assert "headroom" in rules_of(draw(wide))
    assert "headroom" not in rules_of(draw(wide.replace("1.4 V", "1.1 V")))


LAMP = """
[parts.R9]
kind = "resistor"
value = "{ohms}"
pins = ["OUT", "LAMP_A"]
[parts.D9]
kind = "led"
drop = "1.9 V"
pins = {{ A = "LAMP_A", K = "GND" }}
"""


def test_a_lamp_that_only_the_pin_limits(draw: Draw) -> None:
    """A pin of some tens of ohms gives (3.3 V - 1.9 V) / 60 Ω; common practice, no source."""
    bare = draw(plain(LAMP.format(ohms="1 Ω")))
    assert ("rating", "LAMP_A") in {(c.rule, net) for c in bare for net in c.nets}
    assert draw(plain(LAMP.format(ohms="680 Ω"))) == []


COIL = """
[lines.GO]
net = "GO"
levels = "lvcmos-3v3"
rail = "V33"
when = {{ boot = "low" }}
[parts.K1]
kind = "load"
ohms = "120 Ω"
says = "{says}"
pins = ["VIN", "COIL_N"]
[parts.Q1]
kind = "mosfet"
pins = {{ G = "GO", D = "COIL_N", S = "GND" }}
[parts.R8]
kind = "resistor"
value = "10k"
pins = ["GO", "GND"]
"""


def test_a_coil_without_a_diode(draw: Draw) -> None:
    """What is said to be a coil gives back what it holds; a heater does not. Common practice, no source."""
    assert [(c.rule, c.nets) for c in draw(plain(COIL.format(says="coil of the relay")))] == [("rating", ("COIL_N",))]
    assert draw(plain(COIL.format(says="heater"))) == []


HIGHER = """
[lines.SDA]
net = "SDA"
levels = "i2c"
rail = "V33"
bus = "i2c"
when = {{ boot = "high" }}
[parts.R7]
kind = "resistor"
value = "4k7"
pins = ["+3V3", "SDA"]
[parts.U8]
kind = "chip"
pins = {{ VDD = "+3V3", GND = "GND", SDA = "SDA" }}
supply = {{ VDD = {{ draws = "1 mA", above = "1.8 V" }} }}
io = {{ SDA = {{ type = "open_drain" }} }}
[parts.U9]
kind = "chip"
pins = {{ VCC = "{vcc}", GND = "GND", SDA = "SDA" }}
supply = {{ VCC = {{ draws = "1 mA", above = "1.8 V" }} }}
io = {{ SDA = {{ type = "open_drain" }} }}
"""


def test_a_bus_pulled_up_to_less_than_a_part_recognises(draw: Draw) -> None:
    """UM10204, table 10: V_IH = 0.7 V_DD of each part; 0.7 · 5 V = 3.5 V > 3.3 V."""
    found = draw(plain(HIGHER.format(vcc="VIN")))
    assert [(c.rule, c.nets) for c in found] == [("level-mismatch", ("SDA", "VIN"))]
    assert draw(plain(HIGHER.format(vcc="+3V3"))) == []


DRIVEN_WHILE_OFF = """
[supplies.A]
net = "VA"
volts = "5 V"
[supplies.B]
net = "VB"
volts = "3.3 V"
[rails.R]
net = "VR"
from = "B"
volts = "3.3 V ± 5 %"
[parts]
D1 = { kind = "schottky", pins = { A = "VB", K = "VR" } }
R1 = { kind = "resistor", value = "10k", pins = ["VR", "GND"] }
R2 = { kind = "resistor", value = "10k", pins = ["VA", "GND"] }
R3 = { kind = "resistor", value = "10k", pins = ["VB", "GND"] }
[parts.U1]
kind = "chip"
pins = { VCC = "VA", GND = "GND", TXD = "TX" }
supply = { VCC = { draws = "5 mA", above = "3 V" } }
io = { TXD = { type = "output", drive = "high" } }
[parts.U2]
kind = "chip"
pins = { VDD = "VR", GND = "GND", RX = "TX" }
supply = { VDD = { draws = "5 mA", above = "2 V" } }
io = { RX = { type = "input" } }
"""


def test_what_drives_a_part_without_power_is_told_and_no_pull_up(draw: Draw) -> None:
    concerns = [each for c in draw(DRIVEN_WHILE_OFF) for each in (c, *c.also)]
    found = next(c for c in concerns if c.rule == "phantom-power")
    assert found.path == ("U1", "U2")
    assert "U1 drives U2 while VR is off" in found.do
    assert "pull-up" not in found.do


def test_an_electrolytic_the_wrong_way_round(draw: Draw) -> None:
    """Pin 1 is the plus (common practice of libraries, no source)."""
    part = 'C8 = { kind = "capacitor", value = "47 µF", polarised = true, pins = ["GND", "VIN"] }'
    turned = plain().replace("[parts]", f"[parts]\n{part}", 1)
    assert [(c.rule, c.nets) for c in draw(turned)] == [("reverse-path", ("VIN", "GND"))]
    assert (
        draw(turned.replace('polarised = true, pins = ["GND", "VIN"]', 'polarised = true, pins = ["VIN", "GND"]')) == []
    )


PRESSED = """
[lines.KEY]
net = "KEY"
levels = "lvcmos-3v3"
rail = "V33"
when = {{ boot = "high" }}
[parts.R6]
kind = "resistor"
value = "47k"
pins = ["+3V3", "KEY"]
[parts.SW1]
kind = "button"
pins = ["KEY", "{other}"]
[parts.U7]
kind = "chip"
pins = {{ VDD = "+3V3", GND = "GND", K = "KEY" }}
supply = {{ VDD = {{ draws = "1 mA", above = "1.8 V" }} }}
io = {{ K = {{ type = "input" }} }}
"""


def test_a_button_to_a_higher_rail_than_the_inputs(draw: Draw) -> None:
    """5 V through the contact into the clamp of a pin on 3.3 V: Kirchhoff's laws."""
    found = draw(plain(PRESSED.format(other="VIN")))
    assert [(c.rule, c.nets) for c in found] == [("level-mismatch", ("KEY", "+3V3"))]
    assert draw(plain(PRESSED.format(other="GND"))) == []
