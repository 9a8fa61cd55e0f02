"""`review_board`: all rules over one solved study, the worst state of each concern kept."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from wakeboard.harness.review.concern import RULES, Concern

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.review.rules import Rule
    from wakeboard.harness.review.study.study import Study


@dataclass(frozen=True)
class Review:
    """What a review found: the concerns, serious first; the questions that the drawing leaves open; how many states
    were solved, and those that could not be."""

    concerns: list[Concern]
    questions: list[Concern]
    states: int
    unsolved: tuple[str, ...]


def review_board(board: Board) -> list[Concern]:
    """Every concern of a design, serious ones first, then by rule; raises as `review`."""
    return review(board).concerns


def review(board: Board) -> Review:
    """All rules over all states of a design.

    Raises ValueError for a board without parts, CircuitError where the circuit cannot be solved, FileProblems for a
    pin table with mistakes.
    """
    from wakeboard.harness.review.study.study import Study

    study = Study.of(board)
    found = _all(study)
    questions = [each for each in found if each.settles]
    return Review(
        [each for each in found if not each.settles],
        questions,
        len(study.cases),
        (*(case.state for case in study.unsolved), *study.unjudged),
    )


def review_study(study: Study) -> list[Concern]:
    """All rules over a design that is solved already; no questions."""
    return [each for each in _all(study) if not each.settles]


def _all(study: Study) -> list[Concern]:
    from wakeboard.harness.review.grouping import grouped
    from wakeboard.harness.review.rules import rules

    return in_order(grouped(study, [concern for rule in rules().values() for concern in _of(rule, study)]))


def _of(rule: Rule, study: Study) -> Iterator[Concern]:
    """What a rule finds, up to a state of its own that has no operating point: that ends the rule, not the review."""
    from wakeboard.instruments.virtual.circuit.errors import SolveError

    try:
        yield from rule(study)
    except SolveError as error:
        study.unjudged.append(str(error))


def in_order(concerns: Iterable[Concern]) -> list[Concern]:
    """Serious first, then in the rules' order, then by net."""
    return sorted(concerns, key=lambda c: (not c.serious, _place(c.rule), c.nets))


def as_json(board: Board, concerns: list[Concern]) -> dict[str, object]:
    """The document of `wakeboard review --json`."""
    return {"board": board.name, "revision": board.revision, "concerns": [concern.as_json() for concern in concerns]}


def _place(rule: str) -> int:
    """Ours in their order; then whatever a board or a package brought."""
    return RULES.index(rule) if rule in RULES else len(RULES)
