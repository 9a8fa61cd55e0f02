"""A supply that says off and feeds the board all the same is told apart from a charge and from a failing board.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

from typing import Any

import pytest

from wakeboard.harness.describe.load import load_sequence
from wakeboard.harness.run.bench.opening import open_virtual
from wakeboard.harness.run.runner import Result, Runner
from wakeboard.harness.run.session import exit_code, run_start
from wakeboard.instruments.virtual.hardware.psu import Output

STEPS = (
    '[[step]]\ndo = "power on"\nsupply = "USB"\nlimit = "100 mA"\nwhy = "a test"\n{more}[[step]]\ndo = "power off"\n'
)
LIGHT = ("R3:open", "R1:open", "U1:missing")  # the board draws less than the supply's readback can tell


class Welded(Output):
    """Its relay is welded: told to be off it says so, and goes on feeding."""

    def switch(self, on: bool) -> None:
        if on:
            super().switch(on)
        self.on = on

    def true_amps(self) -> float:
        return -self.stage.current(self.part, "P") if self.part is not None else 0.0


def run(toy: Any, plants: tuple[str, ...] = LIGHT, welded: bool = True, more: str = "", bleed: bool = True) -> Result:
    sequence = load_sequence(toy.steps(STEPS.format(more=more)))
    with open_virtual(sequence.board, unit="T-1", plants=plants) as bench:
        output = bench.virtual.psus[0].supply.outputs[0]
        if welded:
            output.__class__ = Welded
        if not bleed:
            bench.probing._loads.clear()
        bench.self_check = False  # the comparison at low voltages would notice by itself
        result = Runner(sequence, bench, run_start(sequence, bench, "T-1")).run()
        output.__class__ = Output
        output.on = True
    return result


def test_at_a_low_current_the_meter_tells_and_it_is_no_failing_board(toy: Any) -> None:
    result = run(toy)
    told = str(result.error)
    assert "what USB was set to" in told
    assert "supply says that its output is off, and it is on" in told
    assert "pull its leads" in told
    assert (result.outcome, exit_code(result)) == ("error", 6)
    assert result.off.states["USB"] == "on"
    assert not [reading for _, reading in result.record.readings() if reading.outcome == "fail"]
    assert result.record.outputs_off is False


def test_at_a_current_that_the_readback_can_tell_the_guard_does(toy: Any) -> None:
    result = run(toy, plants=("+3V3+GND:bridge=100",))
    assert "come out of it" in str(result.error)
    assert exit_code(result) == 6


def test_after_a_run_that_was_broken_off_it_is_told_as_well(toy: Any) -> None:
    text = '[[step]]\ndo = "rails"\nof = "V33"\nexpect = "1 .. 2 V"\non_fail = "stop"\n'
    result = run(toy, more=text)
    assert (result.outcome, exit_code(result)) == ("error", 6)
    assert "says that its output is off, and it is on" in result.record.says


def test_a_charge_is_no_lie(toy: Any) -> None:
    """A supply that is off, and a net that holds its voltage: with a resistor across it goes down."""
    result = run(toy, welded=False)
    assert result.off.confirmed
    assert exit_code(result) in (0, 1)


def test_without_a_resistor_it_is_unknown(toy: Any) -> None:
    """A minute at what it was set to is no discharge; whether the supply feeds it or something else nobody can tell."""
    result = run(toy, bleed=False)
    assert "has not moved from 5.0" in str(result.error)
    assert "or its supply is on whatever it says" in str(result.error)
    assert (result.outcome, exit_code(result)) == ("error", 6)
    assert result.off.states["USB"] == "unknown"
    assert not [reading for _, reading in result.record.readings() if reading.outcome == "fail"]


def test_without_a_resistor_a_slow_discharge_is_one(toy: Any) -> None:
    result = run(toy, welded=False, bleed=False)
    assert result.off.confirmed
    assert exit_code(result) in (0, 1)


@pytest.mark.parametrize(("volts", "seen", "fits"), [(5.0, 4.75, True), (5.0, 4.6, False), (3.3, 3.35, True)])
def test_what_counts_as_the_set_voltage(volts: float, seen: float, fits: bool) -> None:
    from wakeboard.harness.run.steps._discharge import _is_set_to

    assert _is_set_to(volts, seen) is fits
