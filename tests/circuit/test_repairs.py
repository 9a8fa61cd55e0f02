"""`TARGET:as_drawn`: what a repair makes of a place takes back what was wrong there, and changes nothing else."""

from __future__ import annotations

import pytest
from circuit_build import board

from wakeboard.instruments.virtual.circuit import CircuitError, Variant, parse_fault
from wakeboard.instruments.virtual.circuit.faults.effects import Effects, effects
from wakeboard.instruments.virtual.circuit.faults.fault import in_force


@pytest.mark.parametrize("text", ["R1:as_drawn", "U1.IO1:as_drawn", "VSYS+GND:as_drawn", "+3V3+GND:as_drawn"])
def test_a_repair_reads_back_and_changes_nothing_by_itself(text: str) -> None:
    fault = parse_fault(text)
    assert str(fault) == text
    assert effects(board(), fault) == Effects()
    board().compile().solve([Variant((fault,))]).require()


@pytest.mark.parametrize(
    ("texts", "left"),
    [
        (["D1:reversed", "D1:as_drawn"], []),
        (["U2:variant=2.8 V", "R1:missing", "U2:as_drawn"], ["R1:missing"]),
        (["VSYS+GND:bridge=3", "VSYS+GND:as_drawn"], []),
        (["VSYS+GND:bridge=3", "GND+VSYS:as_drawn"], []),  # a bridge has no direction
        (["+3V3+GND:bridge=2", "GND++3V3:as_drawn"], []),
        (["VSYS+GND:bridge=3", "VSYS++3V3:as_drawn"], ["VSYS+GND:bridge=3"]),
        (["U1.IO1:stuck=high", "U1.IO2:as_drawn"], ["U1.IO1:stuck=high"]),
        (["U1.RST:pull_up=13k", "U1:as_drawn"], ["U1.RST:pull_up=13k"]),  # a hidden property: a new part has it, too
        (["R1:as_drawn", "R1:value=470k"], ["R1:value=470k"]),  # in order: what comes after is in force
        (["R1:value=470k", "R1:as_drawn", "R1:value=1k"], ["R1:value=1k"]),
    ],
)
def test_what_is_left_of_faults_and_repairs_in_order(texts: list[str], left: list[str]) -> None:
    assert [str(fault) for fault in in_force(map(parse_fault, texts))] == left


@pytest.mark.parametrize(
    ("text", "says"),
    [("R11:as_drawn", "nearest: R1"), ("U1.IO3:as_drawn", "nearest: IO"), ("VSIS+GND:as_drawn", "nearest: VSYS")],
)
def test_a_repair_of_what_is_not_there_says_so(text: str, says: str) -> None:
    with pytest.raises(CircuitError, match=says):
        effects(board(), parse_fault(text))


def test_it_takes_no_value() -> None:
    with pytest.raises(CircuitError, match="takes no value"):
        parse_fault("R1:as_drawn=3")
