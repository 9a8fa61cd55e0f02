"""Ways that begin where all conducts that differs by decades (expansion.py): who goes them, and how far.

Ways are made up here, with what each promises after so many steps: an invented board, on which nothing is solved.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from wakeboard.harness.explain.rank import expansion
from wakeboard.harness.explain.rank.candidate import Candidate

DRAWN, FAULT = 0, 1


@dataclass
class Way:
    """A way of one candidate. there: what its board gives where it arrives; first: what its first step promises."""

    first: float
    there: float
    firm: Any = None
    promised: float = 0.0
    best: object | None = None
    steps: Counter[str] = field(default_factory=Counter)
    from_drawn: bool = False

    def begun_from(self, t: Any, scale: int) -> Way:
        assert list(t) == [expansion.CONDUCTING, 0.0], "only what differs by decades, wherever it lies"
        return Way(self.first, self.there, steps=self.steps)

    def begun_at(self, other: Way, scale: int) -> Way:
        return Way(self.first, self.there, steps=self.steps, from_drawn=True)

    def promises(self) -> float:
        return self.first

    def made(self, candidate: Candidate, spread: object) -> Candidate:
        self.firm = replace(candidate, log_likelihood=self.there)
        return self.firm


@pytest.fixture
def gone(monkeypatch: pytest.MonkeyPatch) -> Any:
    """What is told after the ways were gone, and how many steps each took: of the drawn board and of one fault."""

    def climb(likelihood: object, candidates: object, climbs: Mapping[int, Way], rounds: int) -> None:
        for way in climbs.values():
            way.best = way
            way.steps["from the drawn board's place" if way.from_drawn else "from where all conducts"] += rounds

    monkeypatch.setattr(expansion, "_climb", climb)

    def go(drawn: float, fault: float, ways: dict[int, Way]) -> tuple[list[float], list[dict[str, int]]]:
        unknowns = [SimpleNamespace(anywhere=True, share=2.3), SimpleNamespace(anywhere=False, share=2.3)]
        suspect = SimpleNamespace(key="R1", text="R1:missing")
        out = [
            Candidate(faults, (), np.zeros(1), np.eye(1), 0.0, fit)  # type: ignore[arg-type]
            for faults, fit in (((), drawn), ((suspect,), fault))
        ]
        expansion._conducting(SimpleNamespace(unknowns=unknowns), list(out), [None, None], ways, out)  # type: ignore[arg-type]
        return [c.log_likelihood for c in out], [dict(way.steps) for way in ways.values()]

    return go


def test_a_board_that_does_not_conduct_costs_one_step(gone: Any) -> None:
    ways = {DRAWN: Way(first=378.0, there=600.0), FAULT: Way(first=900.0, there=900.0)}
    assert gone(404.0, 520.0, ways) == ([404.0, 520.0], [{"from where all conducts": 1}, {}])


def test_the_drawn_board_within_reach_goes_to_the_end_and_the_fault_from_its_place(gone: Any) -> None:
    ways = {DRAWN: Way(first=413.0, there=408.0), FAULT: Way(first=421.0, there=415.0)}
    told, steps = gone(236.0, 408.0, ways)
    assert told == [408.0, 415.0]
    assert steps[DRAWN] == {"from where all conducts": expansion.ROUNDS}
    assert steps[FAULT] == {"from the drawn board's place": expansion.AGAIN}


def test_a_fault_that_is_promised_nothing_there_takes_one_step(gone: Any) -> None:
    ways = {DRAWN: Way(first=413.0, there=408.0), FAULT: Way(first=408.0, there=900.0)}
    assert gone(236.0, 408.0, ways) == (
        [408.0, 408.0],
        [{"from where all conducts": expansion.ROUNDS}, {"from the drawn board's place": 1}],
    )


@pytest.mark.parametrize("first", [-1352.0, -1978.0])
def test_beyond_reach_the_fault_begins_where_all_conducts_and_the_drawn_board_is_left(gone: Any, first: float) -> None:
    """Whether or not the drawn board is likelier there: far too unlikely it is in any case."""
    ways = {DRAWN: Way(first=first, there=900.0), FAULT: Way(first=281.0, there=213.0)}
    assert gone(-1433.0, 198.0, ways) == (
        [-1433.0, 213.0],
        [{"from where all conducts": 1}, {"from where all conducts": expansion.ROUNDS}],
    )


def test_where_the_drawn_board_is_likeliest_nothing_is_tried(gone: Any) -> None:
    ways = {DRAWN: Way(first=900.0, there=900.0)}
    assert gone(500.0, 400.0, ways) == ([500.0, 400.0], [{}])


@pytest.mark.parametrize(
    ("drawn", "fault", "gained", "off", "rests"),
    [
        (549.0, 541.0, 0.1, 3.5, True),
        (549.0, 541.0, 2.0, 3.5, False),  # a place was found
        (541.0, 549.0, 0.1, 3.5, False),  # a fault may have won by its slopes alone
        (549.0, 541.0, 0.1, 4.5, False),  # what it misses may lie beyond a knee
    ],
)
def test_a_drawn_board_that_gained_nothing_and_misses_little_leaves_the_others_where_they_are(
    drawn: float, fault: float, gained: float, off: float, rests: bool
) -> None:
    """At rest in four standard deviations, as a second fault is looked for from there."""
    suspect = SimpleNamespace(key="R1", text="R1:missing")
    made = [
        Candidate(faults, (), np.zeros(2), np.eye(2), 0.0, fit)  # type: ignore[arg-type]
        for faults, fit in (((), drawn), ((suspect,), fault))
    ]
    before = [replace(c, log_likelihood=c.log_likelihood - gained) for c in made]
    assert expansion._rests(before, {DRAWN: None}, made, np.array([off, 0.0])) is rests  # type: ignore[dict-item]
