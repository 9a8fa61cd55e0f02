"""Small drawings for the rules: a board file from a few tables."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from wakeboard.harness.describe.load import load_board
from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.review import review, review_board

sys.path.insert(0, str(Path(__file__).parent))

HEAD = '[board]\nname = "Drawing"\nrevision = "1"\n'

Draw = Callable[[str], list[Concern]]


@pytest.fixture
def draw(tmp_path: Path) -> Draw:
    """Review a drawing given as TOML text without its [board] table."""

    def concerns(text: str) -> list[Concern]:
        file = tmp_path / "board.toml"
        file.write_text(HEAD + text, encoding="utf-8")
        return review_board(load_board(str(file)))

    return concerns


@pytest.fixture
def ask(tmp_path: Path) -> Draw:
    """The questions that the review of such a drawing leaves open."""

    def asked(text: str) -> list[Concern]:
        file = tmp_path / "board.toml"
        file.write_text(HEAD + text, encoding="utf-8")
        return review(load_board(str(file))).questions

    return asked


def rules_of(concerns: list[Concern]) -> set[str]:
    return {concern.rule for concern in concerns}
