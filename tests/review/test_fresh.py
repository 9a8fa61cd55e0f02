"""Drawings in the styles of different hands, written and reviewed once before any rule was mended on them.

What the first try gave stands in `fresh/first-try.md`; all of their mistakes are counted by
`tests/benchmarks/review_planted.py NAME`. Here each clean drawing raises nothing, and one mistake of each is raised
once.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from planted import FRESH, drawing, mistakes, names, outcome, reviewed


def test_there_are_ten_drawings_and_a_dozen_mistakes_in_each() -> None:
    assert len(names(FRESH)) >= 10
    for name in names(FRESH):
        assert len(list(mistakes(name))) >= 12, name
        assert 25 <= drawing(name).count("kind = ") <= 100, name


@pytest.mark.parametrize("name", names(FRESH))
def test_a_clean_drawing_raises_nothing_and_a_mistake_in_it_one_concern(tmp_path: Path, name: str) -> None:
    concerns, notes = reviewed(drawing(name), tmp_path)
    assert [(concern.rule, concern.nets) for concern in concerns] == []
    assert notes == []
    every = list(mistakes(name))
    mistake = every[(5 * names(FRESH).index(name) + 2) % len(every)]
    found = outcome(mistake, tmp_path)
    assert found.raised, mistake.says
    assert found.false == 0, (mistake.says, found.says)
