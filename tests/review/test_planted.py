"""Twelve drawings of different kinds: clean as drawn, and a few of the mistakes planted in each are raised once.

All mistakes are counted by tests/benchmarks/review_planted.py. Boards, parts and mistakes are invented; what each rule
goes by has its source beside the rule's own test.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from planted import drawing, mistakes, names, outcome, reviewed

EVERY = 7  # of the mistakes of a board, one in so many is tried here


def test_there_are_twelve_drawings_and_a_dozen_mistakes_in_each() -> None:
    assert len(names()) == 12
    for name in names():
        assert len(list(mistakes(name))) >= 12, name
        assert 30 <= drawing(name).count('kind = "') <= 80, name


@pytest.mark.parametrize("name", names())
def test_a_clean_drawing_raises_nothing(tmp_path: Path, name: str) -> None:
    concerns, _ = reviewed(drawing(name), tmp_path)
    assert [(concern.rule, concern.nets) for concern in concerns] == []


@pytest.mark.parametrize("name", names())
def test_planted_mistakes_are_raised_once(tmp_path: Path, name: str) -> None:
    for mistake in list(mistakes(name))[names().index(name) % EVERY :: EVERY]:
        found = outcome(mistake, tmp_path)
        assert found.raised, mistake.says
        assert found.false <= 1, (mistake.says, found.says)


def test_a_mistake_whose_text_is_not_there_is_refused() -> None:
    first = next(mistakes("tern"))
    with pytest.raises(ValueError, match="0 times"):
        first.apply("nothing")
