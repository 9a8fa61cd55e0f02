"""What a second fault, and a board that lacks something, must give to be told: readings that are made up, nothing is
solved."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from wakeboard.harness.explain.rank import structure
from wakeboard.harness.explain.rank.candidate import Candidate, Weighing
from wakeboard.harness.explain.rank.expansion import LEFT, misses
from wakeboard.harness.explain.rank.likelihood import ONE_OFF, Likelihood
from wakeboard.harness.explain.rank.weigh import CLEARER, Weigher

SIGMA, WIDTH = 0.01, 2.0


def suspect(text: str) -> Any:
    return SimpleNamespace(text=text, key=text, fitted=False, write=lambda value, digits: text)


def candidate(*faults: str, mean: tuple[float, ...] = (0.0, 0.0), prior: float = 0.0, fit: float = 0.0) -> Candidate:
    covariance = SIGMA**2 * np.eye(len(mean))
    return Candidate(tuple(map(suspect, faults)), (None,) * len(faults), np.array(mean), covariance, prior, fit)


def likelihood_of(y: tuple[float, ...]) -> Any:
    evidence = SimpleNamespace(y=np.array(y), widths=np.full(len(y), WIDTH))
    likelihood = SimpleNamespace(evidence=evidence)
    likelihood.with_one_off = lambda c: Likelihood.with_one_off(likelihood, c)
    return likelihood


def test_one_reading_that_may_be_anywhere_gains_what_two_normal_densities_say() -> None:
    """Six standard deviations off: the wide density for the narrow one, by scipy; the chance that it is this one of
    two."""
    off = 6 * SIGMA
    wide, narrow = (stats.norm.logpdf(off, scale=s) for s in (math.hypot(SIGMA, WIDTH), SIGMA))
    by_hand = math.log1p(ONE_OFF / 2 * math.exp(wide - narrow))
    assert likelihood_of((off, 0.0)).with_one_off(candidate("A:dead")) == pytest.approx(by_hand, rel=1e-6)


def test_where_all_fits_it_gains_next_to_nothing() -> None:
    assert likelihood_of((SIGMA, 0.0)).with_one_off(candidate("A:dead")) < 1e-3


def one_off(y: tuple[float, ...], single: Candidate, *others: Candidate) -> list[float]:
    """What is told of single faults beside others, pairs among these."""
    weigher = SimpleNamespace(likelihood=likelihood_of(y))
    pairs = [c for c in others if len(c.suspects) > 1]
    alone = [single, *(c for c in others if len(c.suspects) == 1)]
    return [c.log_likelihood for c in Weigher._one_off(weigher, alone, pairs)]  # type: ignore[arg-type]


def test_a_second_fault_for_one_reading_is_not_told_for_sure() -> None:
    """Six deviations (18 natural logarithms) against a second fault's prior of 8.5: 7 are left, and fewer with one
    reading off."""
    off = 6 * SIGMA
    first = candidate("A:short", prior=-9.0, fit=-18.0)
    both = candidate("A:short", "B:stuck", mean=(off, 0.0), prior=-17.5)
    (told,) = one_off((off, 0.0), first, both)
    gained = likelihood_of((off, 0.0)).with_one_off(first)
    assert both.score - first.score == pytest.approx(9.5)
    assert told == pytest.approx(first.log_likelihood + gained)
    assert abs(both.score - (first.score + gained)) < 1.0


def test_what_no_reading_tells_from_the_first_gains_as_much() -> None:
    off = 6 * SIGMA
    first, same = (candidate(text, prior=-9.0, fit=-18.0) for text in ("A:short", "P+Q:bridge=1"))
    both = candidate("A:short", "B:stuck", mean=(off, 0.0), prior=-17.5)
    told = one_off((off, 0.0), first, same, both)
    assert told[0] == told[1] > -18.0


def test_two_readings_speak_for_a_second_fault_as_before() -> None:
    off = 6 * SIGMA
    first = candidate("A:short", prior=-9.0, fit=-36.0)
    both = candidate("A:short", "B:stuck", mean=(off, off), prior=-17.5)
    (told,) = one_off((off, off), first, both)
    assert both.score - (first.log_prior + told) > 10.0


def test_without_a_pair_nothing_is_gained_and_with_one_not_more_than_it_allows() -> None:
    """Forty deviations are as good a proof of "not in this model"."""
    off = 40 * SIGMA
    first = candidate("A:short", prior=-9.0, fit=-800.0)
    assert one_off((off, 0.0), first) == [-800.0]
    both = candidate("A:short", "B:stuck", mean=(off, 0.0), prior=-17.5, fit=-700.0)
    (told,) = one_off((off, 0.0), first, both)
    assert first.log_prior + told == pytest.approx(both.score + CLEARER)


def weighing(best: Candidate, none: Candidate) -> Weighing:
    return Weighing([best], np.array([0.5]), none, 0.5, 0.0, frozenset(), log_other=-50.0)


def test_boards_are_held_against_each_other_by_what_they_gave_where_they_were_solved() -> None:
    """On the drawn board two faults are promised 358 and give 338; on one that lacks a diode one fault, which gives
    338 and is told so."""
    two = replace(candidate("A:open", "B:pull", prior=-16.2, fit=358.0), firm=338.0)
    one = replace(candidate("B:pull", prior=-10.3, fit=338.2), firm=338.0)
    none = replace(candidate(fit=326.0), firm=326.0)
    board = SimpleNamespace(likelihood=None)  # all that leads was solved already
    tried: Any = [((), board, weighing(two, candidate(fit=-334.0))), ((), board, weighing(one, none))]
    drawn, lacking = structure._on_one_footing(tried)
    assert drawn.candidates[0].score == pytest.approx(338.0 - 16.2)
    assert drawn.none.score == pytest.approx(-354.0)
    assert drawn.log_other == pytest.approx(-70.0)
    assert lacking.candidates[0].score > drawn.candidates[0].score


def test_a_board_far_behind_or_alone_is_left_as_it_is() -> None:
    one = replace(candidate("B:pull", prior=-10.3, fit=358.2), firm=338.0)
    far = replace(candidate("A:open", prior=-8.0, fit=258.0), firm=200.0)
    alone: Any = [((), SimpleNamespace(likelihood=None), weighing(one, candidate(fit=320.0)))]
    both: Any = [*alone, ((), SimpleNamespace(likelihood=None), weighing(far, candidate(fit=-334.0)))]
    assert structure._on_one_footing(alone)[0].candidates[0].score == one.score
    assert structure._on_one_footing(both)[1].candidates[0].score == far.score


@pytest.mark.parametrize(
    ("y", "missed", "beside_one"),
    [
        ((5 * SIGMA, 0.0, 0.0), True, False),  # the model may have that one wrong
        ((5 * SIGMA, -5 * SIGMA, 0.0), True, True),
        ((3 * SIGMA, 3 * SIGMA, 0.0), False, False),
    ],
)
def test_one_reading_that_is_left_over_calls_for_no_second_fault(
    y: tuple[float, ...], missed: bool, beside_one: bool
) -> None:
    one = candidate("A:dead", mean=(0.0,) * len(y))
    assert misses(one, np.array(y), LEFT) is missed
    assert misses(one, np.array(y), LEFT, but_one=True) is beside_one


def test_a_reading_far_off_is_left_out_before_others_are_judged_by_it() -> None:
    """Two readings that go together by 0.99: the second lies 5 off given the first, which is the one that is off."""
    covariance = SIGMA**2 * np.array([[1.0, 0.99], [0.99, 1.0]])
    one = replace(candidate("A:dead"), covariance=covariance)
    y = np.array([6 * SIGMA, 0.0])
    assert misses(one, y, LEFT)
    assert not misses(one, y, LEFT, but_one=True)
