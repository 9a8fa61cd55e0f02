"""Which scenes are screened, and who takes a place there: what is odd only given the other readings, and what shows in
nothing at rest.

Other figures are those of the invented board.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from wakeboard.harness.explain.evidence.whiten import Whitener
from wakeboard.harness.explain.explaining import explain_case
from wakeboard.harness.explain.rank.candidate import Candidate
from wakeboard.harness.explain.rank.expansion import part_of
from wakeboard.harness.explain.rank.fitting import inwards
from wakeboard.harness.explain.rank.pairs import Pairing
from wakeboard.harness.explain.rank.rank import given_others
from wakeboard.harness.explain.rank.screening import Screened, places
from wakeboard.harness.explain.rank.suspects import AT_REST, Suspect
from wakeboard.harness.explain.unit.cases import BoardModel, Case


def test_what_two_readings_share_is_not_odd_and_where_they_part_is() -> None:
    """A rail's tolerance moves both by 40 mV, each has 3 mV of its own. Of two normal variables the one given the other
    has the mean ρ·y and the variance σ²(1 - ρ²) (any textbook of statistics)."""
    own, common = 3e-3**2, 40e-3**2
    covariance = np.full((2, 2), common) + own * np.eye(2)
    rho, sigma = common / (common + own), np.sqrt(common + own)
    for y in ([0.06, 0.06], [0.0, -0.06]):
        found = given_others(np.array(y), np.zeros(2), covariance)
        by_hand = [(a - rho * b) / (sigma * np.sqrt(1 - rho**2)) for a, b in (y, y[::-1])]
        assert found == pytest.approx(by_hand, rel=1e-9)
    assert np.abs(given_others(np.array([0.06, 0.06]), np.zeros(2), covariance)).max() < 1.5
    assert np.abs(given_others(np.array([0.0, -0.06]), np.zeros(2), covariance)).max() > 10


def test_those_that_predict_the_same_share_a_place() -> None:
    def one(text: str, same_as: str = "") -> Screened:
        return Screened(Suspect(text, "value", 1e-3, same_as=same_as), None, [None], np.zeros((1, 1)), 0.0)

    found = [one("C1:value=1 nF", AT_REST), one("R1:missing"), one("C2:value=1 nF", AT_REST), one("R2:missing")]
    assert places(found) == {AT_REST: 0, "R1:missing": 1, "R2:missing": 2}


def test_a_wrong_or_missing_capacitor_is_as_likely_as_the_drawn_board(
    wren: BoardModel, case: Callable[..., Case]
) -> None:
    """At rest no current flows through it, so no reading of a board at rest can speak for or against it."""
    stores = [s for s in wren.suspects if s.same_as == AT_REST]
    assert {s.text.partition(":")[2].partition("=")[0] for s in stores} == {"value", "missing"}
    weighing = explain_case(case(), ask_next=False, pairs=False).weighing
    assert weighing is not None
    same = [c for c in weighing.candidates if c.suspects[0].same_as == AT_REST]
    assert same
    assert [c.log_likelihood for c in same] == pytest.approx([weighing.none.log_likelihood] * len(same), abs=1e-9)


def test_what_no_reading_shows_makes_no_pair() -> None:
    """Beside a fault that shows it would only be that fault, tried once more."""
    white = Whitener(np.eye(2) * 1e-4)
    blank = Candidate((), (), np.zeros(2), white.covariance, 0.0)
    pairing = Pairing([0, 1], np.array([1.0, 0.5]), np.zeros(2), white, {"D1:reversed"}, blank)

    def one(text: str, *means: float) -> Screened:
        suspect = Suspect(text, "missing", 1e-3)
        return Screened(
            suspect, None, [None], np.array([means]), float(white.log_likelihoods(pairing.y, np.array([means]))[0])
        )

    shows = [one("R1:missing", 1.0, 0.0), one("R2:missing", 0.0, 0.5)]
    found = pairing.best([], [*shows, one("D1:reversed", 0.0, 0.0)])
    assert [set(c.texts_open) for c in found] == [{"R1:missing", "R2:missing"}]


def test_each_fault_of_two_and_none_at_all_are_parts_of_them() -> None:
    def of(*texts: str) -> Candidate:
        suspects = tuple(Suspect(text, "missing", 1e-3) for text in texts)
        return Candidate(suspects, (None,) * len(texts), np.zeros(1), np.eye(1), 0.0)

    both = of("R1:missing", "R2:missing")
    assert part_of(of("R2:missing"), both)
    assert part_of(of(), both)
    assert not part_of(of("R3:missing"), both)
    assert not part_of(both, both)


def test_at_the_upper_end_of_its_range_a_value_has_a_slope_too() -> None:
    """A step further would be none, so that no value ever came back from there."""
    suspect = Suspect("U5.NRST:pull_up={}", "pull", 1e-3, 1e3, 600e3)
    at = [Candidate((suspect,), (value,), np.zeros(1), np.eye(1), 0.0) for value in (1e3, 599e3, 600e3)]
    moved = [c.moved({0: inwards(c, 0)}).values[0] for c in at]
    assert [m / v for m, v in zip(moved, (1e3, 599e3, 600e3), strict=True) if m] == pytest.approx(
        [math.exp(0.05), math.exp(-0.05), math.exp(-0.05)]
    )
