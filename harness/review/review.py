"""`review_board`: all rules over one solved study, the worst state of each concern kept."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from wakeboard.harness.review.concern import RULES, Concern

if TYPE_CHECKING:
    from wakeboard.harness.describe.board import Board


def review_board(board: Board) -> list[Concern]:
    """Every concern of a design, serious ones first, then by rule.

    Raises ValueError for a board without parts, CircuitError where the circuit cannot be solved, FileProblems for a
    pin table with mistakes.
    """
    from wakeboard.harness.review.rules import rules
    from wakeboard.harness.review.study import Study

    study = Study.of(board)
    return in_order(concern for rule in rules().values() for concern in rule(study))


def in_order(concerns: Iterable[Concern]) -> list[Concern]:
    """One concern a key, in its worst state; serious first, then in the rules' order, then by net."""
    worst: dict[tuple[object, ...], Concern] = {}
    for concern in concerns:
        known = worst.get(concern.key)
        if known is None or (concern.serious, concern.weight) > (known.serious, known.weight):
            worst[concern.key] = concern
    return sorted(worst.values(), key=lambda c: (not c.serious, _place(c.rule), c.nets))


def as_json(board: Board, concerns: list[Concern]) -> dict[str, Any]:
    """The document of `wakeboard review --json`."""
    return {"board": board.name, "revision": board.revision, "concerns": [concern.as_json() for concern in concerns]}


def _place(rule: str) -> int:
    """Ours in their order; then whatever a board or a package brought."""
    return RULES.index(rule) if rule in RULES else len(RULES)
