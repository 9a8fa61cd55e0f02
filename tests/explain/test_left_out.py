"""What a drawing leaves out of a part: a tolerance, a value, what is inside a pin (sequences/spreads.toml)."""

from __future__ import annotations

import math

import pytest

from wakeboard.harness.describe.board.spreads import unknowns
from wakeboard.instruments.virtual.circuit import Circuit, Part
from wakeboard.instruments.virtual.circuit.bench.unknowns import Unknown
from wakeboard.instruments.virtual.circuit.faults.effects import effects
from wakeboard.instruments.virtual.circuit.faults.library import library


def unknown(*parts: Part) -> dict[str, Unknown]:
    return {each.path: each for each in unknowns(Circuit(list(parts), ground="GND"))}


def resistor(**more: object) -> Part:
    return Part("R1", "resistor", {"1": "A", "2": "GND"}, {"value": 10e3}, **more)  # type: ignore[arg-type]


def test_a_resistor_without_a_tolerance_is_not_exact() -> None:
    """Common practice, no source: 1 % chip resistors, some of 5 %; 2 % is one standard deviation between the two."""
    (bare,) = (each for path, each in unknown(resistor()).items() if path == "R1.value")
    assert bare.factor(1.0) == pytest.approx(1.02)
    assert bare.tails
    assert not bare.stated
    stated = unknown(resistor(tolerance={"value": 0.001}))["R1.value"]
    assert stated.share == pytest.approx(0.001 / math.sqrt(3))
    assert stated.stated
    ranged = unknown(resistor(bounds={"value": (9e3, 11e3)}))["R1.value"]
    assert ranged.share == pytest.approx(0.1 / math.sqrt(3))
    assert ranged.stated


@pytest.mark.parametrize(
    ("kind", "values", "main"),
    [
        ("ldo", {"volts": 3.3}, "volts"),
        ("buck", {"volts": 5.0}, "volts"),
        ("boost", {"volts": 12.0}, "volts"),
        ("adjustable_ldo", {"reference": 0.6}, "reference"),
        ("adjustable_buck", {"reference": 0.8}, "reference"),
        ("adjustable_boost", {"reference": 1.2}, "reference"),
    ],
)
def test_a_regulator_without_a_tolerance_is_not_exact(kind: str, values: dict[str, float], main: str) -> None:
    pins = {"IN": "VIN", "OUT": "VOUT", "GND": "GND", **({"FB": "FB"} if "adjustable" in kind else {})}
    bare, stated = unknown(Part("U1", kind, pins, values)), unknown(Part("U1", kind, pins, values, {main: 0.02}))
    assert 1.005 < bare[f"U1.{main}"].factor(1.0) < 1.02
    assert stated[f"U1.{main}"].stated
    assert {"U1.divider"} <= set(bare) or kind.endswith("boost"), "what its kind is like has that"
    assert ("U1.feedback_leak" in bare) is ("FB" in pins)


def chip(ground: str, **io: object) -> Part:
    pins = {"VDD": "V", ground: "GND", "X": "A", "Y": "B"}
    values = {"io": {"X": {"type": "io"}, **io}, "supply": {"VDD": {"draws": 1e-3, "above": 1.5}}}
    return Part("U1", "chip", pins, values)


@pytest.mark.parametrize("ground", ["VSS", "AGND", "EP", "VSS_2"])
def test_a_chip_leaks_to_its_ground_whatever_its_maker_calls_it(ground: str) -> None:
    named = {path: each.stray for path, each in unknown(chip(ground)).items()}
    assert named == {path: each.stray for path, each in unknown(chip("GND")).items()}
    assert named["U1.X.leak"] is not None


def test_a_pull_without_a_tolerance_is_not_exact_and_none_is_none() -> None:
    found = unknown(chip("GND", Y={"type": "input", "pull_up": 40e3}))
    assert found["U1.Y.pull_up"].factor(1.0) == pytest.approx(1.2)
    assert "U1.X.pull_up" not in found


def test_a_default_is_less_certain_than_what_is_drawn() -> None:
    pins, at = {"A": "A", "K": "GND"}, {"at": 1e-3}
    drawn = unknown(Part("D1", "schottky", pins, {"drop": 0.3, **at}))["D1.drop"]
    default = unknown(Part("D1", "schottky", pins, at))["D1.drop"]
    assert default.share * default.drawn > 2 * drawn.share * drawn.drawn


UNKNOWN = Part("U9", "unmodelled", {"1": "V", "2": "GND", "3": "A", "4": "A", "5": "B"})
FEEDS = Part("U8", "ldo", {"IN": "VIN", "OUT": "V", "GND": "GND"}, {"volts": 3.3})


def ends(found: dict[str, Unknown]) -> set[tuple[str, str]]:
    return {(each.stray.start, each.stray.end) for path, each in found.items() if path.startswith("U9") and each.stray}


def test_a_part_that_nobody_described_may_do_what_parts_do() -> None:
    assert ends(unknown(UNKNOWN, FEEDS)) == {
        ("V", "GND"), ("GND", "V"), ("A", "GND"), ("GND", "A"), ("B", "GND"), ("GND", "B"), ("V", "A"), ("V", "B"),
        ("A", "V"), ("B", "V"),
    }  # fmt: skip
    assert ("V", "A") not in ends(unknown(UNKNOWN)), "which of its nets is a rail is not known"


def test_so_may_a_pin_that_the_tables_of_a_chip_do_not_have() -> None:
    told = {path for path in unknown(chip("GND")) if path.startswith("U1.B ")}
    assert told == {"U1.B holds_down", "U1.B clamps_below"}, "which of its nets is a rail is not known"
    fed = {path for path in unknown(chip("GND"), FEEDS) if path.startswith("U1.B ")}
    assert fed == {"U1.B holds_down", "U1.B holds_up", "U1.B clamps", "U1.B clamps_below"}
    assert not any(path.startswith("U1.B ") for path in unknown(chip("GND", Y={"type": "io"})))


def test_it_may_hold_a_line_and_is_named() -> None:
    two_pins = Part("X9", "unmodelled", {"1": "A", "2": "B"})
    circuit = Circuit([UNKNOWN, FEEDS, resistor(), two_pins], ground="GND")
    named = [fault for fault in library(circuit) if fault.part in ("U9", "X9")]
    assert {str(fault) for fault in named} == {f"U9.{pin}:stuck=low" for pin in "1345"}
    for fault in named:
        ((_, _, siemens),) = effects(circuit, fault).bridges
        assert siemens == pytest.approx(1 / 25)
