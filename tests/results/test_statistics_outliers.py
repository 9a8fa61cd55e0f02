"""Outlier rules against published examples."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from wakeboard.results.statistics import StatisticsError, grubbs, outliers, power_of_few, rare_cut_off
from wakeboard.results.statistics.outliers import FALSE_ALARMS

DATA = Path(__file__).resolve().parent.parent / "data"


def example(name: str) -> list[float]:
    with (DATA / "outlier_examples.csv").open(encoding="utf-8") as stream:
        lines = csv.DictReader(line for line in stream if not line.startswith("#"))
        return [float(row["y"]) for row in lines if row["set"] == name]


def test_modified_z_of_the_iglewicz_hoaglin_set() -> None:
    # Iglewicz and Hoaglin, How to Detect and Handle Outliers (1993): median 2.45, MAD 0.15, two outliers at the end,
    # which a plain z-score hides (its largest is 1.91).
    found = outliers(example("iglewicz_hoaglin"))
    assert found.median == pytest.approx(2.45)
    assert found.mad == pytest.approx(0.15)
    published = [-1.57383, 0.6745, -0.22483, 0.22483, -0.6745, -1.57383, -0.6745, 0.6745, 25.85583, 26.3055]
    assert found.scores == pytest.approx(published, abs=5e-5)
    assert found.odd == (8, 9)


@pytest.mark.parametrize(("two_sided", "critical"), [(False, 2.031652), (True, 2.126645)])
def test_grubbs_of_the_handbooks_example(two_sided: bool, critical: float) -> None:
    # NIST/SEMATECH e-Handbook 1.3.5.17.1 (Tietjen and Moore 1972): G = 2.4687 (truncated there), one-sided 2.032.
    found = grubbs(example("grubbs_nist"), two_sided=two_sided)
    assert found.index == 7
    assert found.g == pytest.approx(2.468765, abs=1e-6)
    assert found.critical == pytest.approx(critical, abs=1e-6)
    assert found.odd
    # The p-value usually printed with it, 1.55e-7, belongs to the truncated G; the full one gives 1.50e-7.
    assert found.p == pytest.approx(1.55e-7 * (2 if two_sided else 1), rel=0.04)


def test_a_mild_outlier_is_not_one_at_five_percent() -> None:
    # Rorabacher, Anal. Chem. 63 (1991) 139: Q = 0.4545 for 0.167 passes 90 % (0.412) only; Grubbs agrees at 5 %.
    values = example("dixon_rorabacher")
    assert values[grubbs(values).index] == 0.167
    assert 0.01 < grubbs(values).p < 0.10


def test_what_the_meter_cannot_see_is_not_odd() -> None:
    values = [3.3000, 3.3001, 3.2999, 3.3000, 3.3006]
    assert outliers(values).odd
    assert outliers(values, floor=0.0003).odd == ()


def test_over_half_equal_values_still_give_a_scale() -> None:
    found = outliers([0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0])
    assert found.mad == 0.0
    assert found.odd == (8,)
    assert outliers([2.0] * 5).odd == ()


def test_one_of_five_is_found_and_three_are_not() -> None:
    assert outliers([3.30, 3.31, 3.29, 3.30, 2.80]).odd == (4,)
    assert outliers([3.30, 3.31, 2.80, 2.81, 2.79]).odd == (0, 1)  # three of five are the norm, whatever they are


def test_words_for_few_units() -> None:
    assert "cannot tell" in power_of_few(3)
    words = power_of_few(5)
    assert "up to 2" in words
    assert "1.79" in words  # (n - 1)/√n, the largest plain z-score of five values (Shiffler 1988, from memory)
    assert "never exceed" not in power_of_few(30)
    assert outliers([1.0, 1.0, 9.0]).odd == ()


@pytest.mark.parametrize("n", [5, 8, 20])
def test_false_alarms_and_rare_cut_off_are_as_measured(n: int) -> None:
    # Other random numbers than those of the table; 20,000 groups, five standard errors wide.
    groups = np.random.default_rng(7).standard_normal((20_000, n))
    largest = np.array([max(abs(z) for z in outliers(group.tolist()).scores) for group in groups[:4000]])
    share, rare = FALSE_ALARMS[n]
    assert (largest > 3.5).mean() == pytest.approx(share, abs=5 * math.sqrt(share / 4000))
    assert (largest > rare).mean() == pytest.approx(0.01, abs=5 * math.sqrt(0.01 / 4000))
    assert rare_cut_off(n) == rare


def test_few_units_have_no_rare_cut_off() -> None:
    # the tool's own rule: where no cut-off is rare enough, none is given; 3.5 is Iglewicz and Hoaglin's
    assert rare_cut_off(3) == math.inf
    assert rare_cut_off(1000) > 3.5


def test_grubbs_refuses_equal_or_too_few_values() -> None:
    with pytest.raises(StatisticsError, match="at least 3"):
        grubbs([1.0, 2.0])
    with pytest.raises(StatisticsError, match="differ"):
        grubbs([1.0, 1.0, 1.0])
    assert grubbs([1.0, 1.0, 1.0, 2.0]).p == 0.0  # closed form: G is at its greatest possible, (n - 1)/√n
