# ruff: noqa: E501 - drawings are tables, a part a line
"""A pocket instrument of its own, with the mistakes that a first look at a real board showed, one at a time.

Figures are those of the invented board, unless marked.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from planted import reviewed

from wakeboard.harness.describe.board.notes import sequence_notes
from wakeboard.harness.describe.files import read
from wakeboard.harness.describe.load import load_board, load_sequence
from wakeboard.harness.review.concern import Concern

DRAWING = """
[board]
name = "Thimble"
revision = "C"
[supplies.PORT]
net = "PORT5"
kind = "usb"
volts = "5 V"
range = "4.5 .. 5.5 V"
budget = "500 mA"
[supplies.CELL]
net = "CELL+"
kind = "cell"
volts = "3.8 V"
range = "3.5 .. 4.2 V"
budget = "1 A"
may_take = "300 mA"
[rails.SYS]
net = "SYS"
from = ["PORT", "CELL"]
range = "3.3 .. 5.5 V"
[rails.V30]
net = "V30"
from = "SYS"
volts = "3.0 V ± 3 %"
[rails.V12]
net = "V12"
from = "V30"
volts = "1.2 V ± 4 %"
[rails.DISP]
net = "VDISP"
from = "V30"
range = "2.8 .. 3.1 V"
on_when = { "MCU.DISP_ON" = "high" }
[lines]
RESET = { net = "RESET", levels = "lvcmos-3v3", when = { boot = "high" } }
DISP_ON = { net = "DISP_ON", levels = "lvcmos-3v3", driven_by = "MCU.DISP_ON", when = { boot = "low" } }
DISP_RES = { net = "DISP_RES", levels = "lvcmos-3v3", driven_by = "MCU.DRES", needs = ["DISP"], when = { boot = "low", run = "high" } }
[parts]
X1 = { kind = "connector", pins = { VBUS = "PORT5", CC1 = "CCA", CC2 = "CCB", GND = "GND" } }
R1 = { kind = "resistor", value = "5k1", pins = ["CCA", "GND"] }
R2 = { kind = "resistor", value = "5k1", pins = ["CCB", "GND"] }
R3 = { kind = "resistor", value = "47k", pins = ["PORT5", "GND"] }
CHG = { kind = "programmed_charger", volts = "4.2 V", ratio = "1000", limit = "1.2 A", pins = { IN = "PORT5", BAT = "CELL+", PROG = "PROG", GND = "GND" } }
R4 = { kind = "resistor", value = "4k7", pins = ["PROG", "GND"] }
D1 = { kind = "schottky", drop = "0.35 V", at = "200 mA", pins = { A = "PORT5", K = "SYS" } }
Q1 = { kind = "mosfet", channel = "p", threshold = "0.7 V", ohms = "50 mΩ", at = "2.5 V", pins = { G = "PORT5", S = "SYS", D = "CELL+" } }
C1 = { kind = "capacitor", value = "4.7 µF", pins = ["SYS", "GND"] }
PS1 = { kind = "buck", volts = "3.0 V ± 1.5 %", dropout = "120 mV", limit = "600 mA", pins = { IN = "SYS", OUT = "V30", GND = "GND" } }
PS2 = { kind = "ldo", volts = "1.2 V ± 2 %", dropout = "200 mV", limit = "200 mA", enable_above = "0.9 V", pins = { IN = "V30", OUT = "V12", EN = "V12_EN", GND = "GND" } }
R5 = { kind = "resistor", value = "22k", pins = ["V30", "V12_EN"] }
LS1 = { kind = "load_switch", ohms = "100 mΩ", enable_above = "1.1 V", enable_pull = "down", pins = { IN = "V30", OUT = "VDISP", EN = "DISP_ON", GND = "GND" } }
R6 = { kind = "resistor", value = "100k", pins = ["DISP_ON", "GND"] }
R7 = { kind = "resistor", value = "10k", pins = ["V30", "RESET"] }
R8 = { kind = "resistor", value = "1k5", pins = ["DISP_RES", "GND"] }
R9 = { kind = "resistor", value = "10k", pins = ["STRAP", "GND"] }
R10 = { kind = "resistor", value = "10k", pins = ["VDISP", "GND"] }
PS3 = { kind = "ldo", volts = "1.8 V ± 2 %", enable_above = "1.1 V", enable_pull = "down", pins = { IN = "V30", OUT = "V18", EN = "V18_EN", GND = "GND" } }
C2 = { kind = "capacitor", value = "1 µF", pins = ["V18", "GND"] }
R11 = { kind = "resistor", value = "10k", pins = ["V18_EN", "GND"] }
[parts.MCU]
kind = "chip"
pins = { VDD = "V30", VCORE = "V12", VSS = "GND", NRST = "RESET", DISP_ON = "DISP_ON", DRES = "DISP_RES", BOOT = "STRAP" }
supply = { VDD = { draws = "30 mA", above = "1.8 V" }, VCORE = { draws = "20 mA", above = "1 V" } }
boots = { flash = { BOOT = "low" }, rom = { BOOT = "high" } }
starts = "flash"
io = { NRST = { type = "input", pull_up = "40k" }, DISP_ON = { type = "io" }, DRES = { type = "io" }, BOOT = { type = "input", pulls = "none" } }
[parts.LCD]
kind = "chip"
pins = { VCC = "VDISP", VSS = "GND", RES = "DISP_RES" }
supply = { VCC = { draws = "10 mA", above = "2.2 V" } }
io = { RES = { type = "input" } }
"""

Look = Callable[..., tuple[list[Concern], list[str]]]


@pytest.fixture
def look(tmp_path: Path) -> Look:
    """Concerns and notes of the drawing after (found, put) changes of its text."""

    def changed(*edits: tuple[str, str]) -> tuple[list[Concern], list[str]]:
        text = DRAWING
        for found, put in edits:
            assert text.count(found) == 1, found
            text = text.replace(found, put)
        return reviewed(text, tmp_path)

    return changed


def only(concerns: list[Concern]) -> Concern:
    assert len(concerns) == 1, [(c.rule, c.nets, c.says) for c in concerns]
    return concerns[0]


def test_an_ordinary_charger_feeds_nothing_back_and_the_drawing_is_clean(look: Look) -> None:
    assert look() == ([], [])


def test_an_enable_left_open_says_that_its_rail_never_is(look: Look) -> None:
    concerns, _ = look(('R5 = { kind = "resistor", value = "22k", pins = ["V30", "V12_EN"] }', ""))
    concern = only(concerns)
    assert (concern.rule, concern.serious, concern.nets[0]) == ("never-on", True, "V12")
    assert "V12 should be on" in concern.says
    assert "nothing holds V12_EN" in concern.says


def test_a_buck_of_another_voltage_is_outside_the_rails_limits(look: Look) -> None:
    concerns, _ = look(
        ('PS1 = { kind = "buck", volts = "3.0 V ± 1.5 %"', 'PS1 = { kind = "buck", volts = "3.3 V ± 1.5 %"')
    )
    concern = only([c for c in concerns if c.rule == "rail-limits"])
    assert concern.serious
    assert concern.nets == ("V30",)
    assert "PS1 is made for 3.3 V" in concern.says
    assert concerns == [concern]


def test_a_buck_below_its_dropout_is_told_where_the_cell_is_low(look: Look) -> None:
    concerns, _ = look(('dropout = "120 mV"', 'dropout = "900 mV"'))
    concern = only(concerns)
    assert (concern.rule, concern.nets) == ("headroom", ("V30", "SYS"))
    assert "PS1 has 3.4" in concern.says
    assert "drops out" in concern.says


def test_a_display_reset_is_judged_with_its_switched_rail_on(look: Look) -> None:
    known = ('io = { RES = { type = "input" } }', 'io = { RES = { type = "input", pull_up = "13k" } }')
    concerns, _ = look(known, ('R8 = { kind = "resistor", value = "1k5"', 'R8 = { kind = "resistor", value = "10k"'))
    concern = only(concerns)
    assert (concern.rule, concern.serious, concern.nets) == ("undefined-level", True, ("DISP_RES",))
    assert "MCU.DISP_ON=high" in concern.state


def test_a_display_reset_may_hide_a_pull_that_only_the_switched_rail_wakes(look: Look) -> None:
    concerns, _ = look(('R8 = { kind = "resistor", value = "1k5"', 'R8 = { kind = "resistor", value = "10k"'))
    concern = only(concerns)
    assert (concern.rule, concern.serious, concern.nets) == ("weak-pull", True, ("DISP_RES",))
    assert "LCD.RES may hide a pull" in concern.says


def test_a_strap_shared_with_an_enable_starts_the_other_mode_by_the_enables_pull(look: Look) -> None:
    """The enable's own pull-up of 4.7 kΩ wins over the strap's 10 kΩ down."""
    concerns, _ = look(
        ('EN = "V18_EN"', 'EN = "STRAP"'), ('R11 = { kind = "resistor", value = "10k", pins = ["V18_EN", "GND"] }', ""),
        ('enable_above = "1.1 V", enable_pull = "down", pins = { IN = "V30", OUT = "V18"', 'enable_above = "1.1 V", enable_pull = "up", enable_pull_ohms = "2.2 kΩ", pins = { IN = "V30", OUT = "V18"'),
    )  # fmt: skip
    concern = only(concerns)
    assert (concern.rule, concern.serious, concern.nets) == ("boot-mode", True, ("STRAP",))
    assert "MCU starts rom instead of flash" in concern.says
    assert "shared with PS3.EN" in concern.says


def test_one_resistor_for_both_configuration_pins(look: Look) -> None:
    """USB Type-C, section 4.5.1.3 (from memory): each of CC1 and CC2 its own Rd of 5.1 kΩ."""
    concerns, _ = look(
        ('CC2 = "CCB"', 'CC2 = "CCA"'), ('R2 = { kind = "resistor", value = "5k1", pins = ["CCB", "GND"] }', "")
    )
    concern = only(concerns)
    assert (concern.rule, concern.serious, concern.nets) == ("weak-pull", True, ("CCA",))
    assert "5.1 kΩ" in concern.do


def test_a_misspelt_net_in_a_pin_list_gets_a_note(look: Look) -> None:
    _, notes = look(('NRST = "RESET"', 'NRST = "REST"'))
    assert notes == ['the net "REST" with this one pin on it']
    line = 'RESET = { net = "RESET", levels = "lvcmos-3v3", when = { boot = "high" } }'
    _, notes = look(('NRST = "RESET"', 'NRST = "REST"'), (line, ""))  # now each of the two has one pin
    assert notes == ['the net "RESET" with this one pin on it', 'the net "REST" with this one pin on it']


def test_a_limit_above_the_supplys_budget_gets_a_note(tmp_path: Path) -> None:
    (tmp_path / "board.toml").write_text(DRAWING, encoding="utf-8")
    steps = tmp_path / "first.toml"
    steps.write_text(
        'title = "First"\nboard = "board.toml"\n[[step]]\ndo = "resistance"\nof = "every supply"\nexpect = "> 10 Ω"\n'
        '[[step]]\ndo = "power on"\nsupply = "PORT"\nlimit = "800 mA"\n', encoding="utf-8",
    )  # fmt: skip
    found = sequence_notes(load_sequence(str(steps)), read(str(steps)))
    assert ["800 mA, above the budget of PORT (500 mA)" in note.found for note in found] == [True], found
    assert load_board(str(tmp_path / "board.toml")).supplies["PORT"].budget == 0.5


def test_source_and_drain_exchanged_put_the_ports_voltage_on_the_cell(look: Look) -> None:
    concerns, _ = look(
        ('pins = { G = "PORT5", S = "SYS", D = "CELL+" }', 'pins = { G = "PORT5", D = "SYS", S = "CELL+" }')
    )
    concern = only(concerns)
    assert (concern.rule, concern.serious, concern.nets) == ("backfeed", True, ("CELL+",))
    assert concern.path == ("D1", "Q1")
    assert concern.unit == "A"
    assert concern.value is not None
    assert concern.value > 0.1
    assert "into CELL" in concern.says
    assert "with the charger off: nothing watches its voltage" in concern.says


def test_a_charger_of_one_ampere_on_an_input_of_half_an_ampere(look: Look) -> None:
    concerns, _ = look(
        ('R4 = { kind = "resistor", value = "4k7"', 'R4 = { kind = "resistor", value = "1k"'),
        ('may_take = "300 mA"', 'may_take = "1.5 A"'),
    )
    concern = only(concerns)
    assert (concern.rule, concern.serious, concern.nets[0]) == ("charge", True, "PORT5")
    assert "CHG charges with 999 mA" in concern.says
    assert "PORT gives 500 mA" in concern.says
