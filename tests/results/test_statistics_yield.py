"""Yield intervals against published tables."""

from __future__ import annotations

import pytest

from wakeboard.results.statistics import StatisticsError, proportion, yields

# R. G. Newcombe, Statistics in Medicine 17 (1998) 857-872, table I, 95 %: score (Wilson) and Clopper-Pearson rows.
NEWCOMBE = [
    (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
    (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
    (0, 20, (0.0, 0.1611), (0.0, 0.1684)),
    (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
]


@pytest.mark.parametrize(("passed", "total", "wilson", "exact"), NEWCOMBE)
def test_intervals_are_newcombes(
    passed: int, total: int, wilson: tuple[float, float], exact: tuple[float, float]
) -> None:
    score = proportion(passed, total, method="wilson")
    assert (score.low, score.high) == pytest.approx(wilson, abs=5.1e-5)
    clopper = proportion(passed, total)
    assert (clopper.low, clopper.high) == pytest.approx(exact, abs=5.1e-5)


def test_ninety_five_of_a_hundred() -> None:
    found = proportion(95, 100)  # recomputed from the beta distribution
    assert (found.low, found.high) == pytest.approx((0.8872, 0.9836), abs=5e-5)


@pytest.mark.parametrize(("n", "bound"), [(14, 0.1926), (20, 0.1391), (30, 0.0950), (50, 0.0582), (59, 0.0495)])
def test_no_failure_among_n_bounds_the_failure_rate(n: int, bound: float) -> None:
    # Hanley and Lippman-Hand, JAMA 249 (1983) 1743: exact upper 95 % bound 1 - 0.05^(1/n), near 3/n.
    assert proportion(0, n, confidence=0.90).high == pytest.approx(bound, abs=5e-5)


def test_first_pass_and_final_yield_differ_by_the_rework() -> None:
    runs = [("1", "pass"), ("2", "fail"), ("3", "tripped"), ("2", "pass"), ("3", "marginal")]
    found = yields(runs)
    assert (found.first_pass.passed, found.first_pass.total) == (1, 3)
    assert (found.final.passed, found.final.total) == (2, 3)


def test_a_failing_bench_says_nothing_about_a_unit() -> None:
    found = yields([("1", "error"), ("1", "pass"), ("2", "skipped")])
    assert (found.first_pass.passed, found.first_pass.total) == (1, 1)


def test_no_units_no_yield() -> None:
    found = yields([]).final
    assert found.share is None
    assert (found.low, found.high) == (0.0, 1.0)
    assert "nothing is known" in found.says


def test_more_passed_than_units_is_refused() -> None:
    with pytest.raises(StatisticsError, match="5 passed of 4"):
        proportion(5, 4)
