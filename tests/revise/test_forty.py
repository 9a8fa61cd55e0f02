"""Changes whose effect is known by hand (forty.toml, twenty.toml, ten.toml); margins at the worst corners."""

from __future__ import annotations

from pathlib import Path

import pytest
from forty import DRAWINGS, LATER, LATEST, Drawing

from wakeboard.harness.describe.load import load_board
from wakeboard.harness.revise.judging import judge
from wakeboard.harness.revise.plan import load_plan

WORDS = {"mends": "mends", "nothing": "mends nothing", "worse": "makes worse", "breaks": "breaks"}


def test_there_are_ten_drawings_and_forty_changes_of_every_effect() -> None:
    effects = [truth for each in DRAWINGS for truth, _, _ in each.changes]
    assert len(DRAWINGS) == 10
    assert len(effects) == 40
    assert min(effects.count(word) for word in ("mends", "nothing", "breaks")) >= 9


@pytest.mark.parametrize("drawing", [*DRAWINGS, *LATER, *LATEST], ids=lambda each: each.name)
def test_the_effect_is_the_one_that_was_worked_out_by_hand(drawing: Drawing, tmp_path: Path) -> None:
    board = load_board(drawing.board(tmp_path))
    for number, (truth, change, why) in enumerate(drawing.changes):
        found = judge(board, load_plan(drawing.plan(tmp_path, number))).verdicts[0]
        assert found.effect == WORDS[truth], (change, why)


def test_a_margin_is_that_of_the_worst_corner(tmp_path: Path) -> None:
    """1 kΩ ± 1 % against a pull-up of 13 kΩ ± 25 % to 3.3 V ± 2 %: 3.366 V · 1.01/(1.01 + 9.75) = 0.316 V at most; a
    low of lvcmos-3v3 is at most 0.8 V (JESD8C)."""
    alder = DRAWINGS[0]
    found = judge(load_board(alder.board(tmp_path)), load_plan(alder.plan(tmp_path, 0)))
    after = {each.level: each.after for each in found.margins}
    assert after["boot: low"] == pytest.approx(0.8 - 0.316, abs=0.004)
