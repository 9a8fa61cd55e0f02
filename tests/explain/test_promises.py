"""What slopes at the drawn values promise, and what the board that was solved gives: like is held against like.

Numbers by hand; a way that was gone is stood for by what it found.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from wakeboard.harness.explain.rank.candidate import Candidate
from wakeboard.harness.explain.rank.expansion import promises_kept, unproved
from wakeboard.harness.explain.rank.suspects import Suspect, suspects
from wakeboard.instruments.virtual.circuit import Circuit, Part

BOARD = Circuit([Part(f"R{k}", "resistor", {"1": "A", "2": f"N{k}"}, {"value": 1e3}) for k in range(1, 6)], ground="A")
FAULTS = {s.text: s for s in suspects(BOARD)}


def candidate(log_likelihood: float, fault: str = "", log_prior: float = -8.0) -> Candidate:
    found: tuple[Suspect, ...] = (FAULTS[fault],) if fault else ()
    return Candidate(
        found, (None,) * len(found), np.zeros(1), np.eye(1), log_prior if fault else 0.0, log_likelihood
    )  # fmt: skip


def way(made: Candidate, firm: float, broken: bool) -> Any:
    """A way that was gone: `firm` is what its solved boards gave."""
    return SimpleNamespace(firm=candidate(firm, *made.texts), broken=broken)


def fits(made: list[Candidate], ways: dict[int, Any]) -> list[float]:
    return [c.log_likelihood for c in promises_kept(made, ways)]


def test_a_fault_that_did_not_keep_what_slopes_promised_is_held_to_what_it_gave() -> None:
    made = [candidate(100.0), candidate(120.0, "R1:missing"), candidate(118.0, "R2:missing")]
    kept = {0: way(made[0], 100.0, False), 1: way(made[1], 104.0, True), 2: way(made[2], 118.0, False)}
    assert fits(made, kept) == [100.0, 104.0, 118.0]


def test_but_no_less_likely_than_the_drawn_board() -> None:
    made = [candidate(100.0), candidate(120.0, "R1:missing")]
    assert fits(made, {0: way(made[0], 100.0, False), 1: way(made[1], 60.0, True)}) == [100.0, 100.0]


def test_where_the_drawn_board_did_not_keep_it_either_the_fault_is_forgiven_as_much() -> None:
    """A bridge of two dividers on a board whose type leaks: 16 less for both, and the fault stays as far ahead as its
    solved board is."""
    made = [candidate(528.5), candidate(552.9, "R1:missing")]
    assert fits(made, {0: way(made[0], 512.5, True), 1: way(made[1], 537.0, True)}) == [528.5, pytest.approx(553.0)]
    assert fits(made, {0: way(made[0], 512.5, True), 1: way(made[1], 530.0, True)}) == [528.5, pytest.approx(546.0)]


def test_nor_does_the_drawn_board_win_by_a_promise_where_the_fault_kept_its_own() -> None:
    """A leak that explains a missing resistor by its slope alone: 12 less for the drawn board that has it."""
    made = [candidate(534.8), candidate(541.1, "R1:missing"), candidate(530.0, "R2:missing")]
    kept = {0: way(made[0], 522.4, True), 1: way(made[1], 539.6, False)}
    assert fits(made, kept) == [534.8, pytest.approx(552.0), 530.0]


def test_where_no_board_as_drawn_is_in_reach_faults_are_held_against_each_other() -> None:
    """The likeliest by solved boards is the measure: R9 of another value, and not R9 missing."""
    made = [candidate(-195.0), candidate(538.1, "R1:missing"), candidate(538.3, "R2:missing")]
    kept = {1: way(made[1], 484.7, True), 2: way(made[2], 528.0, True)}
    assert fits(made, kept) == [-195.0, pytest.approx(484.7 + 10.3), 538.3]


def test_what_is_told_then_is_the_board_that_was_solved() -> None:
    made = [candidate(100.0), candidate(120.0, "R1:missing")]
    gone = way(made[1], 104.0, True)
    gone.firm = Candidate(gone.firm.suspects, (None,), np.ones(1), 2 * np.eye(1), -8.0, 104.0, scale=2)
    _, told = promises_kept(made, {0: way(made[0], 100.0, False), 1: gone})
    assert (told.scale, told.mean.tolist(), told.covariance.tolist()) == (2, [1.0], [[2.0]])


def test_who_was_not_put_anywhere_keeps_its_own() -> None:
    made = [candidate(100.0), candidate(120.0, "R1:missing")]
    assert fits(made, {}) == [100.0, 120.0]
    nowhere = SimpleNamespace(firm=None, broken=True)
    assert fits(made, {1: nowhere}) == [100.0, 120.0]


def test_who_wins_or_loses_by_little_is_put_where_the_readings_want_it() -> None:
    made = [
        candidate(500.0), candidate(512.0, "R1:missing"), candidate(505.0, "R2:missing"), candidate(480.0, "R3:missing")
    ]  # fmt: skip
    assert unproved(made, {}) == [1, 0], "4 and 0 ahead; the third is 7 behind, the fourth out of reach"
    assert unproved(made, {1: way(made[1], 512.0, False)}) == [0]


def test_who_wins_by_far_is_not_asked_to_prove_it() -> None:
    made = [candidate(500.0), candidate(500.5, "R1:missing"), candidate(470.0, "R2:missing")]
    assert unproved(made, {}) == []
    assert unproved([candidate(1.0)], {}) == []
