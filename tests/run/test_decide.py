"""Decisions against ILAC-G8:09/2019, JCGM 106:2012, JCGM 100:2008 annex H.2 and EA-4/02 M, as restated in the project's
reference values."""

from __future__ import annotations

import csv
import math
import statistics
from pathlib import Path

import pytest

from wakeboard.harness.run.decide import (
    OPEN,
    Limits,
    combined,
    decide,
    decide_beyond,
    propagate,
    rectangular,
    worst,
)
from wakeboard.instruments.coverage import of_mean

DATA = Path(__file__).parent.parent / "data"


@pytest.mark.parametrize(
    ("value", "outcome"),
    [
        (0.0, "pass"),
        (9.8, "pass"),  # inside TL - w
        (9.81, "marginal"),  # between the acceptance limit and the tolerance limit: ILAC's conditional pass
        (10.0, "marginal"),
        (10.19, "marginal"),  # between TL and TL + w: ILAC's conditional fail
        (10.21, "fail"),
        (-9.81, "marginal"),
        (-10.21, "fail"),
    ],
)
def test_guard_band_of_ilac_g8(value: float, outcome: str) -> None:
    """ILAC-G8:09/2019, 4.2.3, with w = U = 0.2 about the tolerance limits ±10."""
    assert decide(value, 0.1, Limits(-10.0, 10.0)) == outcome


def test_what_passes_at_the_guarded_limit_is_bad_in_less_than_two_and_a_half_percent() -> None:
    """ILAC-G8:09/2019, table 1: w = U (r = 1) accepts a bad item with less than 2.5 % (2.28 %), r = 0.83 with less than
    5 %: what has more than 2.28 % is no pass. JCGM 106:2012, table 1: inside with 95 % at 1.6449 u, with 99 % at
    2.3263 u of the limit."""
    limit = Limits(None, 10.0)
    assert statistics.NormalDist(9.8, 0.1).cdf(10.0) == pytest.approx(1 - 0.0228, abs=5e-5)
    assert decide(9.8, 0.1, limit) == "pass"
    assert decide(10.0 - 0.83 * 0.2, 0.1, limit) == "marginal"
    assert decide(10.0 - 1.6449 * 0.1, 0.1, limit) == "marginal"
    assert decide(10.0 - 2.3263 * 0.1, 0.1, limit) == "pass"


def test_zener_diode_of_jcgm_106() -> None:
    """JCGM 106:2012, 7.3.3: breakdown voltage -5.47 V, u = 0.05 V, upper limit -5.40 V: inside with 92 %, which is too
    little for a pass."""
    assert decide(-5.47, 0.05, Limits(None, -5.40)) == "marginal"


def test_speed_limit_of_jcgm_106() -> None:
    """JCGM 106:2012, 8.3.3.2: u = 2 % of the reading; above 106.59 km/h the limit of 100 is broken with 99.9 %."""
    assert decide(106.59, 0.02 * 106.59, Limits(None, 100.0)) == "fail"


def test_an_interval_narrower_than_the_guard_bands_never_passes() -> None:
    assert decide(5.0, 1.0, Limits(4.5, 5.5)) == "marginal"


def test_open_limits_and_nonsense() -> None:
    assert decide(1e9, 5.0, OPEN) == "pass"
    assert decide(math.nan, 0.0, OPEN) == "error"
    assert decide(math.inf, 0.0, Limits(1e3, None)) == "pass"
    assert decide(math.inf, 0.0, Limits(None, 1e3)) == "fail"
    assert decide(0.3, None, Limits(None, 0.3)) == "pass"


def test_overload_tells_only_that_the_value_is_above() -> None:
    assert decide_beyond(10e3, Limits(1e3, None)) == "pass"
    assert decide_beyond(10e3, Limits(1e6, None)) == "marginal"
    assert decide_beyond(10e3, Limits(None, 5e3)) == "fail"
    assert decide_beyond(10e3, Limits(None, 50e3)) == "marginal"


def test_worst_outcome() -> None:
    assert worst([]) == "pass"
    assert worst(["pass", "marginal", "pass"]) == "marginal"
    assert worst(["skipped", "skipped"]) == "skipped"
    assert worst(["skipped", "pass"]) == "pass"
    assert worst(["fail", "marginal"]) == "fail"
    assert worst(["fail", "error", "tripped"]) == "error"


def test_gum_h2() -> None:
    """JCGM 100:2008, annex H.2: resistance, reactance and impedance from simultaneous observations, correlated.

    Published: R = 127.732 (u 0.071), X = 219.847 (u 0.295), Z = 254.260 (u 0.236) ohm.
    """
    rows = [line for line in (DATA / "gum_h2.csv").read_text().splitlines() if not line.startswith("#")]
    columns = [[float(row[key]) for row in csv.DictReader(rows)] for key in ("V_volt", "I_milliampere", "phi_rad")]
    columns[1] = [each / 1000 for each in columns[1]]
    means = [of_mean(column)[0] for column in columns]
    covariance = [[_covariance_of_means(a, b) for b in columns] for a in columns]
    published = [
        (lambda v, i, phi: v / i * math.cos(phi), 127.732, 0.071),
        (lambda v, i, phi: v / i * math.sin(phi), 219.847, 0.295),
        (lambda v, i, phi: v / i, 254.260, 0.236),
    ]
    for function, value, u in published:
        found, found_u = propagate(function, means, covariance)
        assert found == pytest.approx(value, abs=6e-4)
        assert found_u == pytest.approx(u, abs=8e-4)


def _covariance_of_means(a: list[float], b: list[float]) -> float:
    n = len(a)
    mean_a, mean_b = sum(a) / n, sum(b) / n
    return sum((x - mean_a) * (y - mean_b) for x, y in zip(a, b, strict=True)) / (n * (n - 1))


def test_scatter_of_gum_h2() -> None:
    """JCGM 100:2008, table H.2: s(V) = 0.0032 V of the mean of five."""
    mean, (u, degrees) = of_mean([5.007, 4.994, 5.005, 4.990, 4.999])
    assert degrees == 4
    assert mean == pytest.approx(4.9990)
    assert u == pytest.approx(0.0032, abs=5e-5)


def test_hand_held_meter_of_ea_4_02() -> None:
    """EA-4/02 M, example S9: 0.001 V normal, 0.05 V and 0.011 V rectangular: u = 0.030 V."""
    assert combined(0.001, rectangular(0.05), rectangular(0.011)) == pytest.approx(0.030, abs=5e-4)


def test_meter_accuracy_to_standard_uncertainty() -> None:
    """34401A class, one year: 5 V on the 10 V range is ±225 µV, u = 129.90 µV (computed in the reference values)."""
    assert rectangular(0.0035e-2 * 5 + 0.0005e-2 * 10) == pytest.approx(129.90e-6, rel=1e-4)


@pytest.mark.parametrize(("value", "outcome"), [(9.9, "pass"), (10.1, "fail")])
def test_without_uncertainty_a_value_is_inside_or_it_is_not(value: float, outcome: str) -> None:
    assert decide(value, 0.0, Limits(None, 10.0)) == outcome


def test_an_input_that_is_known_exactly_adds_nothing() -> None:
    """JCGM 100:2008, 5.1.2: its term has the factor u² = 0; numerically, 0 / 0."""
    value, u = propagate(lambda a, b: a * b, [3.0, 2.0], [[0.01, 0.0], [0.0, 0.0]])
    assert value == pytest.approx(6.0)
    assert u == pytest.approx(0.2)
    assert propagate(lambda a: a, [3.0], [[0.0]]) == (3.0, 0.0)
    correlated = propagate(lambda a, b: a + b, [3.0, 2.0], [[0.01, 0.5], [0.5, 0.0]])
    assert correlated[1] == pytest.approx(0.1), "what is known exactly is correlated with nothing"
