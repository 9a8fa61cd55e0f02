"""What two designs share and what became of it: worse, better, or as it was; both figures."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from forty import LATEST

from wakeboard.harness.cli.revise import command
from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.grown import grown

FED = Concern("backfeed", True, ("VBAT",), "", "", path=("R1",), value=1e-3, unit="A", weight=101.0)
MARGIN = Concern("undefined-level", True, ("RST",), "", "", value=1.2, unit="V", weight=0.3)
HOT = Concern("dissipation", True, ("VIN", "V33"), "", "", path=("U1",), value=0.5, unit="W", weight=1.2)


def word(before: Concern, **now: Any) -> str:
    found = grown([before], [replace(before, **now)])
    return "" if not found else "worse" if found[0].worse else "better"


@pytest.mark.parametrize(
    ("before", "now", "expected"),
    [
        (FED, {"value": 40e-3, "weight": 140.0}, "worse"),
        (FED, {"value": 1.02e-3}, ""),  # 2 %: rounding
        (FED, {"value": 0.2e-3}, "better"),
        (MARGIN, {"value": 1.48, "weight": 0.02}, "better"),  # 20 mV from the level
        (MARGIN, {"value": 0.7, "weight": 0.8}, "worse"),
        (MARGIN, {"value": 1.21, "weight": 0.29}, ""),  # 10 mV
        (HOT, {"value": 0.9, "weight": 2.2}, "worse"),
        (HOT, {"value": 0.9, "weight": 0.9, "serious": False}, ""),  # a larger part: gone, as apart.py tells it
        (replace(FED, rule="boot-mode", weight=1.0), {"value": 9.0}, ""),  # a rule whose figure says nothing of worse
        (replace(HOT, rule="weak-pull", beyond=0.4, unit="V"), {"value": 0.2, "beyond": 0.7}, "worse"),
    ],
)
def test_what_became_of_it(before: Concern, now: dict[str, Any], expected: str) -> None:
    assert word(before, **now) == expected


def test_a_part_is_compared_with_itself_and_told_with_both_figures() -> None:
    other = replace(HOT, path=("U2",), value=2.0, weight=4.0)
    found = grown([HOT, other], [replace(HOT, value=0.7, weight=1.7), other])
    assert [(each.worse, each.told) for each in found] == [(True, "500 mW, now 700 mW")]


def test_one_that_stands_under_another_head_is_compared_too() -> None:
    head = replace(HOT, also=(FED,))
    found = grown([head], [HOT, replace(FED, value=40e-3)])
    assert [each.told for each in found] == ["1 mA, now 40 mA"]


def judged(plan: Path) -> Result:
    return CliRunner().invoke(command, ["judge", str(plan), "--no-rehearsal"], standalone_mode=False)


def test_judge_tells_it_and_does_not_end_well(tmp_path: Path) -> None:
    """(4.7 V - 3.7 V) / 22 Ω into the cell instead of through 220 Ω: ten times as much."""
    quince = LATEST[0]
    quince.board(tmp_path)
    done = judged(quince.plan(tmp_path, 1))
    assert done.return_value == 1, done.output
    assert "MAKES WORSE; worse: backfeed VBAT" in " ".join(done.output.split())
    assert "Grown worse" in done.output
    done = judged(quince.plan(tmp_path, 2))
    assert done.return_value == 0, done.output
    assert "Better, and still there" in done.output
