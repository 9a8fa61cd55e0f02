# ruff: noqa: E501 - drawings are tables, a part a line
"""What the drawing does not say is asked, with the key that settles it; what it says is judged.

Figures are those of the invented boards and of the tool itself, unless marked.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from wakeboard.harness.review.concern import Concern

Draw = Callable[[str], list[Concern]]

BOARD = """
[supplies.IN]
net = "VIN"
kind = "usb"
volts = "5 V"
range = "4.5 .. 5.25 V"
budget = "500 mA"
[rails.V33]
net = "+3V3"
from = "IN"
volts = "3.3 V ± 3 %"
[lines.KEY]
net = "KEY"
levels = "lvcmos-3v3"
rail = "V33"
when = { boot = "high" }
[parts]
J1 = { kind = "connector", pins = { A4 = "VIN", A1 = "GND", A5 = "CC1", B5 = "CC2" } }
R1 = { kind = "resistor", value = "5k1", pins = ["CC1", "GND"] }
R2 = { kind = "resistor", value = "5k1", pins = ["CC2", "GND"] }
U1 = { kind = "ldo", volts = "3.3 V ± 2 %", dropout = "0.3 V", limit = "500 mA", pins = { IN = "VIN", OUT = "+3V3", EN = "VIN", GND = "GND" } }
C1 = { kind = "capacitor", value = "2.2 µF", pins = ["+3V3", "GND"] }
R3 = { kind = "resistor", value = "1M", pins = ["+3V3", "KEY"] }
S1 = { kind = "switch", pins = ["FREE1", "FREE2"] }
J2 = { kind = "connector", pins = { 1 = "FREE1", 2 = "FREE2", 3 = "KEY" } }
[parts.U2]
kind = "chip"
pins = { AVDD = "+3V3", AVSS = "GND", KEY = "KEY" }
supply = { AVDD = { draws = "20 mA", above = "1.8 V" } }
[parts.U2.io]
KEY = { type = "input", pulls = "none" }
"""


def told(found: list[Concern]) -> list[tuple[str, tuple[str, ...]]]:
    return [(concern.rule, concern.nets) for concern in found]


def test_a_weak_pull_against_a_leak_that_nobody_stated_is_a_question(draw: Draw, ask: Draw) -> None:
    """Contacts free of the board, and a ground called AVSS, stop nothing on the way."""
    assert draw(BOARD) == []
    (asked,) = ask(BOARD)
    assert told([asked]) == [("undefined-level", ("KEY",))]
    assert "U2.KEY" in asked.settles


def test_a_leak_that_is_stated_is_judged_and_no_pull_is_a_concern(draw: Draw, ask: Draw) -> None:
    stated = BOARD.replace('pulls = "none" }', 'pulls = "none", leak = "50 nA" }')
    assert (draw(stated), ask(stated)) == ([], [])
    weakest = BOARD.replace('value = "1M"', 'value = "10M"')  # 1 µA makes 10 V of it: as good as none
    assert told(draw(weakest)) == [("undefined-level", ("KEY",))]
    open_line = BOARD.replace('R3 = { kind = "resistor", value = "1M", pins = ["+3V3", "KEY"] }\n', "")
    assert told(draw(open_line)) == [("undefined-level", ("KEY",))]


def test_charge_behind_a_regulator_is_a_question_of_its_soft_start(draw: Draw, ask: Draw) -> None:
    """10 µF at 5 V are 50 µC (USB 2.0, section 7.2.4.1; the limit itself from memory)."""
    behind = BOARD.replace('value = "2.2 µF"', 'value = "47 µF"')
    assert draw(behind) == []
    assert [each.rule for each in ask(behind)] == ["undefined-level", "inrush"]
    assert "U1" in ask(behind)[1].settles
    before = BOARD.replace('"2.2 µF", pins = ["+3V3"', '"47 µF", pins = ["VIN"')
    assert told(draw(before)) == [("inrush", ("VIN",))]


def test_a_socket_drawn_by_the_numbers_of_its_contacts_is_known(draw: Draw) -> None:
    """USB Type-C, table 3-4: A5 and B5 are the configuration channels; from memory."""
    shared = BOARD.replace('B5 = "CC2"', 'B5 = "CC1"')
    assert [concern.nets[0] for concern in draw(shared)] == ["CC1"]


LAMPS = """
R4 = { kind = "resistor", value = "OHMS", pins = ["A", "L1"] }
LD1 = { kind = "led", drop = "1.9 V", at = "3 mA", pins = { A = "L1", K = "B" } }
LD2 = { kind = "led", drop = "1.9 V", at = "3 mA", pins = { A = "B", K = "L1" } }
[parts.U2]"""


@pytest.mark.parametrize(("ohms", "raised"), [("330 Ω", []), ("1 Ω", ["rating"])])
def test_lamps_between_two_pins_are_tried_both_ways(draw: Draw, ohms: str, raised: list[str]) -> None:
    text = BOARD.replace("\n[parts.U2]", LAMPS.replace("OHMS", ohms)).replace(
        'KEY = "KEY" }', 'KEY = "KEY", P1 = "A", P2 = "B" }'
    )
    pins = 'P1 = { type = "io", max = "6 mA" }\nP2 = { type = "io", max = "6 mA" }\n'
    assert [concern.rule for concern in draw(text + pins)] == raised


SWITCH = """
Q1 = { kind = "mosfet", channel = "p", threshold = "0.8 V", ohms = "60 mΩ", at = "2.5 V", pins = { G = "G", D = "LOAD", S = "+3V3" } }
R4 = { kind = "resistor", value = "100k", pins = ["+3V3", "G"] }
R5 = { kind = "resistor", value = "10k", pins = ["G", "COM"] }
S2 = { kind = "switch", on = true, pins = ["COM", "GND"] }
R6 = { kind = "resistor", value = "1k", pins = ["LOAD", "GND"] }
[parts.U2]"""


def test_a_gate_resistor_that_goes_to_the_drain_is_told(draw: Draw) -> None:
    good = BOARD.replace("\n[parts.U2]", SWITCH)
    assert draw(good) == []
    turned = good.replace('D = "LOAD", S = "+3V3"', 'D = "+3V3", S = "LOAD"')
    assert [concern.rule for concern in draw(turned)] == ["reverse-path"]


BUS = """
[supplies.RACK]
net = "VR"
volts = "3.3 V"
kind = "adapter"
budget = "100 mA"
[lines.SDA]
net = "SDA"
levels = "i2c"
rail = "RACK"
bus = "i2c"
when = { boot = "high" }
[parts]
R4 = { kind = "resistor", value = "4k7", pins = ["VR", "SDA"] }
U3 = { kind = "chip", pins = { VDD = "VR", GND = "GND", SDA = "SDA" }, supply = { VDD = { draws = "1 mA", above = "1.8 V" } }, io = { SDA = { type = "open_drain" } } }
"""


def test_a_bus_on_somebody_elses_supply_is_judged_while_that_is_on(draw: Draw) -> None:
    text = BOARD.replace("[parts]\n", BUS)
    assert draw(text) == []
    assert told(draw(text.replace('pins = ["VR", "SDA"]', 'pins = ["VR", "SDB"]'))) == [("pull-up-window", ("SDA",))]
