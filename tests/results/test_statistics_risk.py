"""Global risks of a guard band, and coverage from few samples, against JCGM 106, the GUM and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from wakeboard.instruments.coverage import coverage_factor, effective_degrees, half_expanded, of_mean
from wakeboard.results.statistics import StatisticsError, global_risk


# --- risk -------------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("guard", [-0.04, 0.0, 0.04, 0.08])
@pytest.mark.parametrize(("low", "high"), [(1499.8, 1500.2), (None, 1500.1), (1499.9, None)])
def test_risks_against_the_bivariate_normal(low: float | None, high: float | None, guard: float) -> None:
    """JCGM 106:2012, 9.5.3 and 9.5.4: probabilities of (true value, reading), which are jointly normal."""
    mean, sd, u = 1500.02, 0.12, 0.04
    joint = stats.multivariate_normal([mean, mean], [[sd**2, sd**2], [sd**2, sd**2 + u**2]])

    def within(a: float, b: float, c: float, d: float) -> float:
        corners = ((b, d, 1), (a, d, -1), (b, c, -1), (a, c, 1))
        return float(sum(sign * joint.cdf([x, y]) for x, y, sign in corners))

    below, above = (mean - 5 if low is None else low), (mean + 5 if high is None else high)
    good_and_passed = within(below, above, below + guard, above - guard)
    good = float(np.diff(stats.norm(mean, sd).cdf([below, above]))[0])
    passed = float(np.diff(stats.norm(mean, math.hypot(sd, u)).cdf([below + guard, above - guard]))[0])
    risk = global_risk(mean, sd, u, low, high, guard)
    assert risk.passed_bad == pytest.approx(passed - good_and_passed, abs=2e-6)
    assert risk.refused_good == pytest.approx(good - good_and_passed, abs=2e-6)
    assert risk.bad == pytest.approx(1 - good, abs=1e-9)


def test_risks_against_simulation() -> None:
    draw = np.random.default_rng(1)
    true = draw.normal(5.0, 0.05, 400_000)
    read = true + draw.normal(0, 0.02, true.size)
    bad, passed = np.abs(true - 5.0) > 0.1, np.abs(read - 5.0) <= 0.1 - 0.04
    risk = global_risk(5.0, 0.05, 0.02, 4.9, 5.1, 0.04)
    assert risk.passed_bad == pytest.approx((bad & passed).mean(), abs=2e-4)
    assert risk.refused_good == pytest.approx((~bad & ~passed).mean(), abs=3e-3)
    assert "bad units" in risk.says


def test_a_wider_band_passes_fewer_bad_units_and_refuses_more_good_ones() -> None:
    risks = [global_risk(0.0, 1.0, 0.3, -1.5, 1.5, g) for g in (0.0, 0.3, 0.6)]
    assert sorted((r.passed_bad for r in risks), reverse=True) == [r.passed_bad for r in risks]
    assert sorted(r.refused_good for r in risks) == [r.refused_good for r in risks]


@pytest.mark.parametrize("given", [(0.0, 1.0), (1.0, 0.0)])
def test_no_risk_without_spread_or_uncertainty(given: tuple[float, float]) -> None:
    with pytest.raises(StatisticsError):
        global_risk(0.0, *given, -1.0, 1.0, 0.0)


# --- coverage ---------------------------------------------------------------------------------------------------------
def test_gum_h1_end_gauge() -> None:
    """JCGM 100:2008, H.1.6 and table H.1: u in nm and degrees of freedom of six parts; ν 16, t99 2.92, U99 93 nm."""
    parts = [(25.0, 18), (5.8, 24), (3.9, 5), (6.7, 8), (2.9, 50), (16.6, 2)]
    degrees = effective_degrees(parts)
    assert math.floor(degrees) == 16
    assert coverage_factor(degrees, 0.99) == pytest.approx(2.92, abs=5e-3)
    combined = math.hypot(*(u for u, _ in parts))
    assert combined == pytest.approx(32, abs=0.5)
    assert round(coverage_factor(degrees, 0.99) * round(combined)) == 93


# JCGM 100:2008, table G.2, column 95.45 % (from memory)
@pytest.mark.parametrize(
    ("degrees", "t"), [(1, 13.97), (2, 4.53), (3, 3.31), (4, 2.87), (10, 2.28), (20, 2.13), (50, 2.05), (math.inf, 2.0)]
)
def test_gum_table_g2(degrees: float, t: float) -> None:
    assert coverage_factor(degrees) == pytest.approx(t, abs=5e-3)


def test_four_samples_are_covered_as_often_as_said() -> None:
    """Twice the plain standard uncertainty of the mean of four covers 86 %."""
    draw = np.random.default_rng(2)
    plain = full = 0
    for sample in draw.normal(0.0, 1.0, (20_000, 4)).tolist():
        mean, part = of_mean(sample)
        plain += abs(mean) <= 2 * part[0]
        full += abs(mean) <= 2 * half_expanded([(0.0, math.inf), part])
    assert plain / 20_000 == pytest.approx(0.861, abs=0.01)
    assert full / 20_000 == pytest.approx(0.9545, abs=0.006)


def test_well_known_parts_alone_are_combined_as_ever() -> None:
    assert half_expanded([(3.0, math.inf), (4.0, math.inf), (0.0, 3)]) == 5.0
    assert of_mean([2.5]) == (2.5, (0.0, math.inf))
