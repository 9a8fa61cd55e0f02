"""A processor whose reset comes in over a bus that its own firmware selects; by hand, in each state of P1:

high or released: Q1's gate is at 3.3 V, a pull of 10 Ω on RST_BUS brings NRST to some mV: reset, loader with BOOT high.
low: Q1 is off and its body diode blocks, NRST stays at 3.3 V. The connector carries the supply, so that BOOT cannot be
held while the power is cycled: locked out. One button on NRST is enough; so is a gate that no firmware drives.
"""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest

from wakeboard.harness.describe.problems import FileProblems
from wakeboard.harness.review.concern import Concern

Draw = Callable[[str], list[Concern]]


def rules_of(concerns: list[Concern]) -> set[str]:
    return {concern.rule for concern in concerns}


BOARD = """
[supplies.USB]
net = "+3V3"
volts = "3.3 V"
budget = "500 mA"
[rails]
V33 = { net = "+3V3", from = ["USB"], volts = "3.3 V ± 5 %" }
[parts]
J1 = { kind = "connector", pins = { V = "+3V3", GND = "GND", RST = "RST_BUS", BOOT = "BOOT" } }
R1 = { kind = "resistor", value = "10k", pins = ["+3V3", "NRST"] }
R2 = { kind = "resistor", value = "10k", pins = ["BOOT", "GND"] }
R3 = { kind = "resistor", value = "100k", pins = ["+3V3", "RST_BUS"] }
R4 = { kind = "resistor", value = "100k", pins = ["+3V3", "SEL"] }
{more}
[parts.Q1]
kind = "mosfet"
channel = "n"
threshold = "1 V"
ohms = "1 Ω"
at = "2.5 V"
pins = { D = "NRST", S = "RST_BUS", G = "SEL" }
[parts.U1]
kind = "chip"
pins = { VDD = "+3V3", GND = "GND", NRST = "NRST", BOOT = "BOOT", P1 = "{select}" }
supply = { VDD = { draws = "5 mA", above = "1.8 V" } }
boots = { flash = { BOOT = "low" }, loader = { BOOT = "high" } }
starts = "flash"
[parts.U1.io]
NRST = { type = "input", pulls = "none" }
BOOT = { type = "input", pulls = "none" }
P1 = { type = "io", pulls = "none" }
"""
LED = """R9 = { kind = "resistor", value = "1k", pins = ["LED", "GND"] }"""
BUTTON = """S1 = { kind = "button", pins = ["NRST", "GND"] }"""
STRAP = """S1 = { kind = "button", pins = ["BOOT", "+3V3"] }"""


def drawn(select: str = "SEL", more: str = "") -> str:
    return BOARD.replace("{select}", select).replace("{more}", more)


def test_reset_over_a_bus_that_firmware_selects(draw: Draw) -> None:
    (found,) = [each for each in draw(drawn()) if each.rule == "locked-out"]
    assert found.serious
    assert found.nets == ("NRST", "SEL")
    assert found.path == ("J1", "Q1", "U1.NRST")
    assert "U1.P1 low" in found.says
    assert "U1.P1=low" in found.state
    assert "button from NRST to GND" in found.do


def test_one_button_or_a_selection_that_firmware_does_not_drive_mends_it(draw: Draw) -> None:
    for text in (drawn(more=BUTTON), drawn(more=STRAP), drawn("LED", LED)):
        assert "locked-out" not in rules_of(draw(text))


def test_a_means_that_stays_while_the_power_is_cycled_is_a_way(draw: Draw) -> None:
    """BOOT on a header of its own: held high, the power cycled, and the loader starts."""
    apart = drawn(more='J2 = { kind = "connector", pins = { BOOT = "BOOT", GND = "GND" } }')
    assert "locked-out" not in rules_of(draw(apart))


def with_keys(text: str, keys: str) -> str:
    return text.replace('starts = "flash"', f'starts = "flash"\n{keys}')


PORT = """J2 = { kind = "connector", pins = { DIO = "SWDIO", CLK = "SWCLK", GND = "GND" } }"""


def with_port(text: str, keys: str) -> str:
    ported = text.replace('P1 = "SEL" }', 'P1 = "SEL", DIO = "SWDIO", CLK = "SWCLK" }')
    ported += 'DIO = { type = "io", pulls = "none" }\nCLK = { type = "input", pulls = "none" }\n'
    return with_keys(ported, f'debug = ["DIO", "CLK"]\n{keys}')


def test_a_debug_port_is_a_way_back_until_a_fuse_takes_it_away(draw: Draw) -> None:
    (open_port,) = [each for each in draw(with_port(drawn(more=PORT), "")) if each.rule == "locked-out"]
    assert not open_port.serious
    assert "only the debug port at J2 is left" in open_port.says
    (fused,) = [each for each in draw(with_port(drawn(more=PORT), "fused = true")) if each.rule == "locked-out"]
    assert fused.serious
    assert "fuse has taken its debug port away" in fused.says
    (nowhere,) = [each for each in draw(with_port(drawn(), "")) if each.rule == "locked-out"]
    assert nowhere.serious, "no connector reaches the port"


def test_pins_that_move_before_firmware_runs_count(draw: Draw) -> None:
    """P1 (40 Ω) shares BOOT, which a button pulls up through 1 kΩ: driven low by the chip itself it leaves 40/1040 of
    3.3 V on the strap, a low, so that the loader never starts."""
    button = (
        LED
        + """
S1 = { kind = "button", pins = ["+3V3", "PULL"] }
R8 = { kind = "resistor", value = "1k", pins = ["PULL", "BOOT"] }"""
    )
    weak = drawn("LED", button).replace('RST = "RST_BUS", BOOT = "BOOT"', 'RST = "RST_BUS"')
    shared = weak.replace('P1 = "LED"', 'P1 = "BOOT"')
    assert "locked-out" not in rules_of(draw(weak))
    assert "locked-out" not in rules_of(draw(shared)), "nothing drives BOOT before firmware runs"
    (found,) = [
        each for each in draw(with_keys(shared, 'before_firmware = { P1 = "either" }')) if each.rule == "locked-out"
    ]
    assert found.serious
    assert "itself drives U1.P1 low before any firmware runs" in found.says
    assert "locked-out" not in rules_of(draw(with_keys(shared, 'before_firmware = { P1 = "high" }')))


def test_mistakes_in_the_new_keys_are_told(draw: Draw) -> None:
    for keys, says in (
        ('before_firmware = { P9 = "low" }', "P9"), ('before_firmware = { P1 = "up" }', '"low", "high" or "either"'),
        ('debug = "P1"', "a list of pins"), ('fused = "yes"', "true or false"),
    ):  # fmt: skip
        with pytest.raises(FileProblems, match=re.escape(says)):
            draw(with_keys(drawn(), keys))
