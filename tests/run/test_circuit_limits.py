"""Limits from the circuit: what a drawing does not say of a part widens them, what it says narrows them.

Figures are those of the invented board and of the tool itself: only which of two limits is the wider is held.
"""

from __future__ import annotations

import pytest

from wakeboard.harness.describe.load import board_of
from wakeboard.harness.describe.state import BenchState
from wakeboard.harness.describe.toml.document import read_text
from wakeboard.harness.run.decide import Limits
from wakeboard.harness.run.predict import CircuitLimits
from wakeboard.instruments.virtual.circuit.bench.state import OhmsTest

BOARD = """
[board]
name = "Teal"
revision = "A"
[supplies.USB]
net = "VUSB"
volts = "5 V"
range = "4.40 .. 5.25 V"
budget = "500 mA"
[points]
TP1 = {{ net = "SENSE" }}
[parts]
R1 = {{ kind = "resistor", value = "1M", tolerance = "1 %", pins = ["SENSE", "GND"] }}
R2 = {{ kind = "resistor", value = "10k", tolerance = "1 %", pins = ["VUSB", "GND"] }}
[parts.U1]
kind = "chip"
pins = {{ VDD = "VUSB", GND = "GND", A = "SENSE" }}
supply = {{ VDD = {{ draws = "1 mA", above = "1.8 V" }} }}
io = {{ A = {{ type = "input", pulls = "none"{leak} }} }}
"""


def _ohms(leak: str = "") -> Limits:
    document = read_text(BOARD.format(leak=leak), "board.toml")
    board = board_of(document)
    assert board is not None
    assert not document.problems, document.problems
    found = CircuitLimits(board).ohms(OhmsTest("SENSE", 100e-9, 13.0))
    assert found is not None
    return found


def test_an_input_may_leak_what_its_sheet_allows() -> None:
    """1 MΩ beside an input that leaks, at 0.1 V. By hand: to ground and from its rail eight times 0.15 µA, so 1.2 µA
    (sheets warrant 1 µA), of which a third flows below 0.3 V: 4 µS each, at random 5.7 µS of both, beside 1 µS and some
    flux."""
    found = _ohms()
    assert found.low is not None
    assert 1.1e5 < found.low < 1.6e5


def test_a_stated_leakage_narrows_the_limit() -> None:
    wide, narrow = _ohms().low, _ohms(', leak = "< 10 nA"').low
    assert wide is not None
    assert narrow is not None
    assert wide < 0.95 * narrow
    assert narrow < 0.99e6


BUS = """
[board]
name = "Shoveler"
revision = "A"
[supplies.USB]
net = "VUSB"
volts = "5 V"
range = "4.40 .. 5.25 V"
budget = "500 mA"
[points]
TP1 = {{ net = "BUS" }}
TP2 = {{ net = "OTHER" }}
[parts]
R1 = {{ kind = "resistor", value = "4.7k", tolerance = "1 %", pins = ["VUSB", "BUS"] }}
R2 = {{ kind = "resistor", value = "100 Ω", tolerance = "1 %", pins = ["VOFF", "GND"] }}
R3 = {{ kind = "resistor", value = "4.7k", tolerance = "1 %", pins = ["VUSB", "OTHER"] }}
R4 = {{ kind = "resistor", value = "4.7k", tolerance = "1 %", pins = ["OTHER", "GND"] }}
[parts.U1]
kind = "chip"
pins = {{ VDD = "VOFF", GND = "GND", SDA = "BUS" }}
supply = {{ VDD = {{ draws = "1 mA", above = "1.8 V" }} }}
io = {{ SDA = {{ type = "open_drain", pulls = "none"{clamp} }} }}
"""


def _bus(clamp: str = "", net: str = "BUS") -> Limits:
    document = read_text(BUS.format(clamp=clamp), "board.toml")
    board = board_of(document)
    assert board is not None
    assert not document.problems, document.problems
    found = CircuitLimits(board).volts(BenchState.parse("USB=5V@100mA"), net)
    assert found is not None
    assert found.low is not None
    assert found.high is not None
    return found


def test_a_board_whose_pin_has_no_diode_to_its_rail_is_a_good_board_too() -> None:
    """BUS, pulled up to 5 V beside a chip without power: about a volt with the diode, 5 V without it, and one pin in
    ten has none (spreads.toml). Where the board file says which, the limits are those of that board."""
    nobody_says, has_it, has_none = _bus(), _bus(", clamp = true"), _bus(", clamp = false")
    assert nobody_says.low == has_it.low
    assert nobody_says.high == pytest.approx(has_none.high, abs=1e-6)
    assert has_it.high is not None
    assert has_it.high < 2.0
    assert has_none.low is not None
    assert has_none.low > 4.5
    assert _bus(net="OTHER") == _bus(", clamp = true", net="OTHER")
