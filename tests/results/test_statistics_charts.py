"""Control charts against the NIST/SEMATECH e-Handbook 6.3.2 and the chart constants of ASTM E2587."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from wakeboard.results.statistics import StatisticsError, chart_constants, individuals, weighted

DATA = Path(__file__).resolve().parent.parent / "data"

# n: d2, d3, c4, A2, D3, D4. NIST/SEMATECH e-Handbook 6.3.2.1 and ASTM E2587 print these to three digits; the fourth by
# integration (the handbook prints D4(5) = 2.115).
CONSTANTS = {
    2: (1.1284, 0.8525, 0.7979, 1.8800, 0.0, 3.2665),
    3: (1.6926, 0.8884, 0.8862, 1.0233, 0.0, 2.5746),
    4: (2.0588, 0.8798, 0.9213, 0.7286, 0.0, 2.2821),
    5: (2.3259, 0.8641, 0.9400, 0.5768, 0.0, 2.1145),
    6: (2.5344, 0.8480, 0.9515, 0.4832, 0.0, 2.0038),
    7: (2.7044, 0.8332, 0.9594, 0.4193, 0.0757, 1.9243),
    8: (2.8472, 0.8198, 0.9650, 0.3725, 0.1362, 1.8638),
    9: (2.9700, 0.8078, 0.9693, 0.3367, 0.1840, 1.8160),
    10: (3.0775, 0.7971, 0.9727, 0.3083, 0.2230, 1.7770),
}


@pytest.mark.parametrize("n", CONSTANTS)
def test_chart_constants(n: int) -> None:
    c = chart_constants(n)
    assert (c.d2, c.d3, c.c4, c.a2, c.lower_d3, c.upper_d4) == pytest.approx(CONSTANTS[n], abs=6e-5)


def test_factors_for_individuals() -> None:
    assert chart_constants(2).e2 == pytest.approx(2.6587, abs=5e-5)


def handbook() -> list[float]:
    with (DATA / "outlier_examples.csv").open(encoding="utf-8") as stream:
        lines = csv.DictReader(line for line in stream if not line.startswith("#"))
        return [float(row["y"]) for row in lines if row["set"] == "nist_individuals"]


def test_individuals_chart_of_the_handbook() -> None:
    # e-Handbook 6.3.2.2: centre 50.81, mean moving range 1.8778, limits 55.8041 and 45.8159. It divides by d2 = 1.128,
    # rounded; the limits here use 2/√π and so lie 0.0017 nearer.
    chart = individuals(handbook())
    assert chart.centre == pytest.approx(50.81)
    assert chart.mean_range == pytest.approx(1.8778, abs=5e-5)
    assert (chart.upper, chart.lower) == pytest.approx((55.8041, 45.8159), abs=2e-3)
    assert (chart.upper - chart.centre) * 1.1283792 / 1.128 == pytest.approx(55.8041 - 50.81, abs=1e-4)
    assert chart.range_upper == pytest.approx(6.1347, abs=2e-3)
    assert chart.steady
    assert "steady" in chart.says


def test_a_point_a_jump_and_a_run_stand_out() -> None:
    quiet = [10.0, 10.1, 9.9, 10.0, 10.1, 9.9, 10.0, 10.1, 9.9, 10.0]
    spike = individuals([*quiet, 12.0, *quiet])
    assert spike.beyond == (10,)
    assert spike.jumps == (10, 11)
    assert "11" in spike.says
    shifted = individuals([*quiet, *[v + 1 for v in quiet]])
    assert shifted.runs == (9, 19)
    assert not shifted.steady


def test_limits_of_use() -> None:
    with pytest.raises(StatisticsError):
        individuals([1.0])
    with pytest.raises(StatisticsError):
        chart_constants(1)


# NIST/SEMATECH e-Handbook 6.3.2.4, worked example (from memory): λ 0.3, centre 50, s 2.0539; limits 47.4115, 52.5884.
# Averages recomputed from its data by hand to two digits, as it prints them.
EWMA_DATA = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6]
EWMA_DATA += [52.4, 53.6, 52.1]
EWMA = [50.00, 50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38]
EWMA += [49.92, 50.73, 51.23, 51.94, 51.99]


def test_weighted_average_of_the_handbook() -> None:
    chart = weighted(EWMA_DATA, weight=0.3, centre=50.0, sd=2.0539)
    assert chart.averages == pytest.approx(EWMA, abs=6e-3)
    assert (chart.lower[-1], chart.upper[-1]) == pytest.approx((47.4115, 52.5884), abs=2e-3)
    assert chart.beyond == ()


def test_a_small_drift_is_seen_by_the_average_and_not_by_single_values() -> None:
    values = [5.0 + 0.01 * (-1) ** k for k in range(20)] + [5.012 + 0.01 * (-1) ** k for k in range(20)]
    chart = weighted(values, centre=5.0, sd=0.01)
    assert chart.beyond
    assert chart.beyond[0] >= 20
    assert "drifts up" in chart.says
    assert individuals(values).beyond == ()


def test_equal_values_do_not_drift() -> None:
    assert weighted([3.3] * 10).beyond == ()
    with pytest.raises(StatisticsError):
        weighted([1.0, 2.0], weight=0.0)
