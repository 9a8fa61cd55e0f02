"""Limits from the circuit: what a drawing does not say of a part widens them, what it says narrows them.

Figures are those of the invented board and of the tool itself: only which of two limits is the wider is held.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import pytest

from wakeboard.harness.describe.load import board_of, load_board
from wakeboard.harness.describe.state import BenchState
from wakeboard.harness.describe.toml.document import read_text
from wakeboard.harness.run.decide import Limits
from wakeboard.harness.run.predict import CircuitLimits
from wakeboard.instruments.virtual.circuit import SolveError, Variant
from wakeboard.instruments.virtual.circuit.bench import spread
from wakeboard.instruments.virtual.circuit.bench.state import OhmsTest
from wakeboard.instruments.virtual.circuit.model import Model

SKEP: Final = Path(__file__).resolve().parents[2] / "sequences" / "demo" / "skep" / "board.toml"

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


def _drawn(text: str) -> CircuitLimits:
    document = read_text(text, "board.toml")
    board = board_of(document)
    assert board is not None
    assert not document.problems, document.problems
    return CircuitLimits(board)


def _ohms(leak: str = "") -> Limits:
    found = _drawn(BOARD.format(leak=leak)).ohms(OhmsTest("SENSE", 100e-9, 13.0))
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


def _ends(limits: Limits) -> tuple[float, float]:
    return -math.inf if limits.low is None else limits.low, math.inf if limits.high is None else limits.high


def test_many_tests_together_are_what_each_is_alone() -> None:
    """Of a board with chips, rails and switches: both ways round, on two ranges, and under a resistor with power on.
    One whose circuit has no answer costs the others nothing."""
    together, alone = (CircuitLimits(load_board(SKEP)) for _ in range(2))
    nets = ["VIN", "+3V3", "SDA", "RADIO_RST", "SENS_EN"]
    tests = [
        OhmsTest(net, amps, 9.0, turned, 10e3) for net in nets for amps in (1e-4, 1e-5) for turned in (False, True)
    ]
    state = BenchState({"USB": (5.0, 0.12)})
    together.prepare_ohms(tests)
    together.prepare_loaded(state, nets, 10e3)
    pairs = [(together.ohms(test), alone.ohms(test)) for test in tests]
    pairs += [(together.loaded(state, net, 10e3), alone.loaded(state, net, 10e3)) for net in nets]
    for many, one in pairs:
        assert many is not None
        assert one is not None
        assert _ends(many) == pytest.approx(_ends(one), rel=1e-7)


def test_one_test_without_an_answer_costs_the_others_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    plain, struck = (CircuitLimits(load_board(SKEP)) for _ in range(2))
    tests = [OhmsTest(net, 1e-4, 9.0, shunt=10e3) for net in ("VIN", "+3V3", "SDA")]
    solve = spread.worst_cases

    def fails(model: Model, asked: Sequence[tuple[Variant, str]], *rest: Any) -> list[tuple[float, float]]:
        if any(net == "+3V3" for _, net in asked):
            raise SolveError("no operating point", member=0, node="+3V3", parts=(), residual=1.0)
        return solve(model, asked, *rest)

    plain.prepare_ohms(tests)
    monkeypatch.setattr(spread, "worst_cases", fails)
    struck.prepare_ohms(tests)
    assert struck.ohms(tests[1]) is None
    for test in (tests[0], tests[2]):
        one, other = struck.ohms(test), plain.ohms(test)
        assert one is not None
        assert other is not None
        assert _ends(one) == pytest.approx(_ends(other), rel=1e-7)


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
    found = _drawn(BUS.format(clamp=clamp)).volts(BenchState.parse("USB=5V@100mA"), net)
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
