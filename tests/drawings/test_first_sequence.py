"""The first sequence of a drawing is one that a good board of its kind can pass.

What stands above zero while its source is off: a charger's output without a cell, and a boost's output, which its coil
and diode join to its input (common practice, no source).
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from heron import STYLES

from wakeboard.harness.cli import execute
from wakeboard.harness.drawings.boardfile import first_sequence
from wakeboard.harness.drawings.boardfile.draft import Draft
from wakeboard.harness.drawings.boardfile.proposal import Proposal, Row
from wakeboard.harness.drawings.design import Design
from wakeboard.harness.drawings.parts.kinds import PartLine


def _line(name: str, kind: str, **pins: str) -> PartLine:
    return PartLine(name, {"kind": kind, "pins": pins}, "drawn")


def _steps(*lines: PartLine) -> list[dict[str, Any]]:
    proposal = Proposal()
    proposal.supplies += [
        Row("USB", {"net": "VUSB", "kind": "usb"}, "drawn"),
        Row("CELL", {"net": "VBAT", "kind": "cell"}, "drawn"),
    ]
    proposal.rails += [
        Row("V33", {"net": "+3V3"}, "drawn"),
        Row("12V", {"net": "+12V"}, "drawn"),
        Row("12V_OUT", {"net": "OUT12"}, "drawn"),
    ]
    draft = Draft("X", "GND", Design(), {line.name: line for line in lines}, proposal)
    found: list[dict[str, Any]] = tomllib.loads(first_sequence.first_sequence(draft))["step"]
    return found


CHARGER = _line("U1", "programmed_charger", IN="VUSB", BAT="VBAT", PROG="P", GND="GND")
COIL = _line("L1", "inductor", **{"1": "+3V3", "2": "SW"})
RECTIFIER = _line("D1", "schottky", A="SW", K="+12V")
FUSE = _line("F1", "ptc", **{"1": "+12V", "2": "OUT12"})


def test_without_either_all_is_looked_at() -> None:
    looks = [step for step in _steps(FUSE) if step["do"] == "back-feed"]
    assert looks == [{"do": "back-feed", "expect": "< 0.3 V"}] * 2


def test_a_cell_that_a_charger_charges_may_stand_at_the_end_of_charge() -> None:
    steps = _steps(CHARGER)
    assert [step.get("of") for step in steps if step["do"] == "back-feed"] == [
        ["V33", "12V", "12V_OUT"],
        None,  # with the cell's own supply on, nothing charges
    ]
    (charged,) = [step for step in steps if step["do"] == "volts"]
    assert charged == {"do": "volts", "of": "CELL", "expect": "< 4.28 V"}


@pytest.mark.parametrize("boost", [(COIL, RECTIFIER), (_line("U2", "boost", IN="+3V3", OUT="+12V", GND="GND"),)])
def test_what_a_boost_feeds_may_stand_at_its_input(boost: tuple[PartLine, ...]) -> None:
    looks = [step["of"] for step in _steps(*boost, FUSE) if step["do"] == "back-feed"]
    assert looks == [["CELL", "V33"], ["USB", "V33"]]


def test_a_drawing_with_a_charger_makes_such_a_sequence(tmp_path: Path) -> None:
    files = STYLES["plain"](tmp_path)
    given = [word for role, file in files.items() for word in (f"--{role}", str(file))]
    assert execute(["new", str(tmp_path / "board"), *given]) == 0
    assert execute(["check", str(tmp_path / "board" / "first-power-on.toml")]) == 0
