"""What plain Python says of a design while the solver is being compiled is what the review says, in fewer cases."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from wakeboard.harness.describe.load import load_board
from wakeboard.harness.review.first_look import begin, look, seen
from wakeboard.harness.review.review import review_board


def test_skeps_first_look_is_part_of_its_review(tmp_path: Path) -> None:
    file = tmp_path / "board.toml"
    text = resources.files("wakeboard.sequences").joinpath("demo", "skep", "board.toml").read_text(encoding="utf-8")
    file.write_text(text, encoding="utf-8")
    process = begin(file)  # without the compiler
    board = load_board(file)
    compiled = [concern.as_json() for concern in look(board)]
    assert [(c["rule"], c["nets"], c["path"]) for c in compiled] == [("phantom-power", ["+3V3_SENS"], ["R16", "U8"])]
    assert {c["says"] for c in compiled} <= {c.says for c in review_board(board)}
    document = seen(process)
    assert document is not None
    assert document["concerns"] == compiled  # to the last bit


def test_a_board_that_cannot_be_looked_at_is_left_to_the_review(tmp_path: Path) -> None:
    file = tmp_path / "board.toml"
    file.write_text("[board\n", encoding="utf-8")
    assert seen(begin(file)) is None
