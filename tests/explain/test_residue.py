"""Between which nets flux may lie: pads side by side, whichever part's (harness/describe/board/spreads.py)."""

from __future__ import annotations

import pytest

from wakeboard.harness.describe.board.spreads import table, unknowns
from wakeboard.instruments.quantity import parse
from wakeboard.instruments.virtual.circuit import Circuit, Part

CHIP = {"io": {"X": {"type": "input"}, "Y": {"type": "input"}}, "supply": {"VDD": {"draws": 1e-3, "above": 1.5}}}


def residues(*parts: Part, adjacent: tuple[tuple[str, str], ...] = ()) -> dict[str, float]:
    """ "NET+NET" -> S of one standard deviation."""
    found = unknowns(Circuit(list(parts), ground="GND"), adjacent)
    return {u.path: u.stray.size for u in found if u.stray is not None and u.says == "residue of flux"}


@pytest.mark.parametrize(
    ("part", "near"),
    [
        (Part("R1", "resistor", {"1": "A", "2": "B"}, {"value": 20e3}), {"A+B"}),
        (Part("R1", "resistor", {"1": "B", "2": "A"}, {"value": 1e6}), {"A+B"}),
        (Part("R1", "resistor", {"1": "A", "2": "B"}, {"value": 19e3}), set()),  # nothing shows beside it
        (Part("R1", "resistor", {"1": "A", "2": "GND"}, {"value": 20e3}), {"A+GND"}),
        (Part("R1", "resistor", {"1": "A", "2": "A"}, {"value": 1e6}), set()),
        (Part("C1", "capacitor", {"1": "A", "2": "B"}, {"value": 1e-6}), set()),  # its own leakage is in the table
        (Part("F1", "fuse", {"1": "A", "2": "B"}, {"ohms": 0.1}), set()),
        (
            Part("Q1", "mosfet", {"G": "A", "D": "B", "S": "C"}, {"channel": "n", "threshold": 1.2, "ohms": 0.05}),
            {"A+B", "A+C", "B+C"},
        ),
        # of more than three pins those that follow each other
        (Part("U1", "chip", {"VDD": "V", "X": "A", "Y": "B", "GND": "GND"}, CHIP), {"A+V", "A+B", "B+GND"}),
        (Part("U1", "chip", {"VDD": "V", "Y": "B", "GND": "GND", "X": "A"}, CHIP), {"B+V", "B+GND", "A+GND"}),
    ],
)
def test_pads_of_a_part_that_lie_side_by_side(part: Part, near: set[str]) -> None:
    nets = {net for net in part.pins.values() if net != "GND"}
    sizes = {each: parse(table()["nets"][each]["siemens"], "S") for each in ("adjacent", "ground")}
    expected = {f"{net}+GND": sizes["ground"] for net in nets} | dict.fromkeys(near, sizes["adjacent"])
    assert residues(part) == expected


def test_once_for_any_two_nets() -> None:
    one = Part("R1", "resistor", {"1": "A", "2": "B"}, {"value": 1e6})
    other = Part("D1", "diode", {"A": "B", "K": "A"}, {"drop": 0.7, "at": 1e-3})
    assert sorted(residues(one, other, adjacent=(("B", "A"),))) == ["A+B", "A+GND", "B+GND"]
