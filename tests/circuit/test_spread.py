"""Tolerances: worst case and Monte Carlo."""

from __future__ import annotations

import math

import numpy as np
import pytest
from circuit_build import R, V, board

from wakeboard.instruments.virtual.circuit import Circuit, Variant
from wakeboard.instruments.virtual.circuit.bench.spread import spread


def divider() -> Circuit:
    tolerance = {"value": 0.01}
    return Circuit(
        [V("B", "v", 3.3), R("RU", "v", "n", 10e3, tolerance=tolerance), R("RD", "n", "GND", 20e3, tolerance=tolerance)]
    )


def test_worst_case_of_a_divider_is_exact() -> None:
    # closed form: the extremes are at opposite corners
    found = spread(divider().compile(), Variant(), ["n"], n=400, seed=3)
    nominal, low, high = found.of("n")
    assert nominal == pytest.approx(2.2, rel=1e-9)
    assert low == pytest.approx(3.3 * 19.8 / (19.8 + 10.1), rel=1e-9)
    assert high == pytest.approx(3.3 * 20.2 / (20.2 + 9.9), rel=1e-9)
    assert low < found.specimens.min()
    assert found.specimens.max() < high


def test_monte_carlo_deviation_agrees_with_propagation() -> None:
    # JCGM 100:2008, 5.1.2: u² = Σ(∂v/∂ln R·a/√3)², rectangular; ∂v/∂ln RD = -∂v/∂ln RU = V·RU·RD/(RU+RD)²
    found = spread(divider().compile(), Variant(), ["n"], n=4000, seed=5)
    slope = 3.3 * 10 * 20 / 30**2
    assert found.deviation[0] == pytest.approx(slope * 0.01 / math.sqrt(3) * math.sqrt(2), rel=0.04)
    assert found.mean[0] == pytest.approx(2.2, abs=1e-3)


def test_covariance_of_nets_that_share_a_part() -> None:
    found = spread(board().compile(), Variant(), ["+3V3", "LED", "+1V8"], n=300, seed=2)
    correlation = found.covariance / np.outer(found.deviation, found.deviation).clip(1e-300)
    assert correlation[0, 1] > 0.9
    assert np.allclose(found.covariance, found.covariance.T)
    assert (found.low <= found.nominal).all()
    assert (found.nominal <= found.high).all()
    assert abs(found.sensitivity["U2.volts"][0] - 3.3 * 0.02) < 1e-3


def test_seeded() -> None:
    model = divider().compile()
    one, two, three = (spread(model, Variant(), ["n"], n=20, seed=s).specimens for s in (1, 1, 2))
    assert (one == two).all()
    assert (one != three).any()
