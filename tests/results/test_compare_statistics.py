"""What `wakeboard compare --statistics` says of a check: each number on its own.

Figures are invented, and what comes of them is bounded only: the numbers have their sources in test_statistics_*.
"""

from types import SimpleNamespace

import pytest

from wakeboard.harness.cli.compare_statistics import statistics_of


def row(values, low=None, high=None, u=None):
    return SimpleNamespace(values=values, low=low, high=high, u=u, check=SimpleNamespace(text="3V3", unit="V"))


def numbers(one):
    return statistics_of([one], lambda row: row.values)


def test_limits_are_proposed_where_the_design_has_none():
    [found] = numbers(row([3.30, 3.31, 3.29, 3.30, 3.32]))
    assert found["cpk"] is None
    assert found["low"] < 3.29 < 3.32 < found["high"]


def test_limits_are_proposed_where_all_values_are_equal():
    [found] = numbers(row([3.3] * 5, 3.2, 3.4, u=0.001))
    assert found["cpk"] is None
    assert (found["low"], found["high"]) == (pytest.approx(3.3, abs=0.01), pytest.approx(3.3, abs=0.01))
    assert "all are equal" in found["says"]


def test_one_limit_of_the_design_gives_one_limit():
    [found] = numbers(row([0.11, 0.12, 0.115, 0.112, 0.118], high=0.3))
    assert found["low"] is None
    assert found["high"] > 0.12


def test_limits_come_from_good_units_and_the_mean_from_all():
    everyone = row([3.30, 3.31, 3.29, 3.30, 3.32, 0.4])
    [found] = statistics_of([everyone], lambda row: [v for v in row.values if v > 1.0])
    assert found["n"] == 6
    assert found["mean"] < 3.0 < found["low"]


def test_four_good_units_give_no_limits_and_that_is_said():
    [found] = numbers(row([3.30, 3.31, 3.29, 3.30]))
    assert (found["low"], found["high"]) == (None, None)
    assert "limits need 5 good units, and there are 4" in found["says"]


def test_what_the_guard_band_costs():
    [found] = numbers(row([3.25, 3.31, 3.29, 3.36, 3.32], 3.2, 3.4, u=0.01))
    assert 0 < found["passed_bad"] < found["refused_good"] < 0.5
