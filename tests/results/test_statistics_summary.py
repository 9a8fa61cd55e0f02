"""Moments and analysis of variance against NIST's Statistical Reference Datasets (StRD): certified values."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from wakeboard.results.statistics import StatisticsError, one_way, summarise

DATA = Path(__file__).resolve().parent.parent / "data"


def column(name: str, key: str) -> list[str]:
    with (DATA / name).open(encoding="utf-8") as stream:
        return [row[key] for row in csv.DictReader(line for line in stream if not line.startswith("#"))]


def alternating(first: float, low: float, high: float, pairs: int) -> list[float]:
    return [first, *[low, high] * pairs]


# NIST/ITL StRD, univariate summary statistics; NumAcc1..4 are generated as their files describe. The last column is
# the relative error allowed to the sd: decimals such as 10000000.2 cannot be held exactly, which costs NumAcc4 digits.
UNIVARIATE = {
    "Michelso": (None, 299.852400000000, 0.0790105478190518, 1e-12),
    "Lew": (None, -177.435000000000, 277.332168044316, 1e-13),
    "NumAcc1": ([10000001.0, 10000003.0, 10000002.0], 10000002.0, 1.0, 1e-15),
    "NumAcc2": (alternating(1.2, 1.1, 1.3, 500), 1.2, 0.1, 1e-12),
    "NumAcc3": (alternating(1000000.2, 1000000.1, 1000000.3, 500), 1000000.2, 0.1, 1e-8),
    "NumAcc4": (alternating(10000000.2, 10000000.1, 10000000.3, 500), 10000000.2, 0.1, 2e-8),
}


@pytest.mark.parametrize("name", UNIVARIATE)
def test_mean_and_sd_are_nists_certified_values(name: str) -> None:
    given, mean, sd, allowed = UNIVARIATE[name]
    values = given or [float(v) for v in column(f"nist_strd_univ_{name}.csv", "y")]
    found = summarise(values)
    assert found.n == {"Michelso": 100, "Lew": 200, "NumAcc1": 3}.get(name, 1001)
    assert found.mean == pytest.approx(mean, rel=1e-14)
    assert found.sd == pytest.approx(sd, rel=allowed)


def test_one_way_analysis_of_the_sirstv_wafers() -> None:
    # NIST/ITL StRD, analysis of variance, SiRstv (resistivity of silicon wafers by five instruments).
    groups: dict[str, list[float]] = {}
    for group, y in zip(
        column("nist_strd_anova_SiRstv.csv", "instrument"), column("nist_strd_anova_SiRstv.csv", "y"), strict=True
    ):
        groups.setdefault(group, []).append(float(y))
    found = one_way(list(groups.values()))
    assert (found.df_between, found.df_within) == (4, 20)
    assert found.f == pytest.approx(1.18046237440255, rel=1e-11)
    assert found.ss_between == pytest.approx(5.11462616e-2, rel=1e-11)
    assert found.ss_within == pytest.approx(0.21663656, rel=1e-11)
    assert found.sd_within == pytest.approx(0.104076068334656, rel=1e-11)
    assert found.r_squared == pytest.approx(0.190999039051129, rel=1e-11)
    assert found.p == pytest.approx(0.349447, abs=5e-7)  # computed with an independent F distribution


def smls(base: float, repeats: int) -> list[list[float]]:
    """The simulated sets SmLs01..09 as their files describe: nine treatments around base + 0.4, 0.3, 0.5, 0.3 …"""
    groups = []
    for treatment in range(1, 10):
        centre = base + (0.4 if treatment == 1 else 0.3 if treatment % 2 == 0 else 0.5)
        tenth = 0.1
        low, high = centre - tenth, centre + tenth
        groups.append(alternating(centre, low, high, (repeats - 1) // 2))
    return groups


# Certified F: 21, 201, 2001. At a base of 1e12 doubles hold steps of 1.2e-4, so the data themselves are off by that
# much: `scipy.stats.f_oneway` gives 21.0008 and 2001.13 there.
@pytest.mark.parametrize(
    ("base", "repeats", "allowed"),
    [
        (1.0, 21, 1e-12),
        (1.0, 201, 1e-12),
        (1.0, 2001, 1e-11),
        (1e6, 21, 1e-9),
        (1e6, 201, 1e-9),
        (1e6, 2001, 1e-9),
        (1e12, 21, 2e-4),
        (1e12, 201, 2e-4),
        (1e12, 2001, 2e-4),
    ],
    ids=[f"SmLs0{i}" for i in range(1, 10)],
)
def test_one_way_analysis_of_nists_simulated_sets(base: float, repeats: int, allowed: float) -> None:
    found = one_way(smls(base, repeats))
    assert found.f == pytest.approx(repeats, rel=allowed)
    assert (found.df_between, found.df_within) == (8, 9 * (repeats - 1))


def test_one_value_has_no_spread() -> None:
    found = summarise([3.3])
    assert (found.mean, found.sd, found.sem) == (3.3, None, None)


@pytest.mark.parametrize(
    ("wrong", "says"),
    [([], "at least 1"), ([1.0, float("nan")], "finite"), ([1.0, float("inf")], "finite")],
)
def test_a_summary_refuses_what_is_no_number(wrong: list[float], says: str) -> None:
    with pytest.raises(StatisticsError, match=says):
        summarise(wrong)


@pytest.mark.parametrize(
    ("groups", "says"),
    [
        ([[1.0, 2.0]], "2 groups"),
        ([[1.0], [2.0]], "know the scatter"),
        ([[1.0, 1.0], [2.0, 2.0]], "all repeats are equal"),
    ],
)
def test_groups_without_scatter_are_refused(groups: list[list[float]], says: str) -> None:
    with pytest.raises(StatisticsError, match=says):
        one_way(groups)
