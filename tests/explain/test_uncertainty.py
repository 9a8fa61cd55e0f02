"""Uncertainty against GUM H.2, the uncertainties library, and closed forms."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from uncertainties import correlated_values

from wakeboard.harness.explain.evidence.uncertainty import Input, draw, estimate, propagate

H2 = Path(__file__).parent.parent / "data" / "gum_h2.csv"


def impedance(v: float, i: float, phi: float) -> list[float]:
    return [v / i * math.cos(phi), v / i * math.sin(phi), v / i]


def means_and_covariance() -> tuple[dict[str, float], np.ndarray]:
    lines = [line for line in H2.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    data = np.array([[float(x) for x in row[1:]] for row in list(csv.reader(lines))[1:]])
    data[:, 1] *= 1e-3
    means = dict(zip(("v", "i", "phi"), data.mean(axis=0), strict=True))
    return means, np.cov(data.T) / len(data)


def test_gum_h2_correlated_impedance() -> None:
    """JCGM 100:2008 H.2, table H.4: R, X, Z with u, and their correlations (approach 1)."""
    means, covariance = means_and_covariance()
    values, out = propagate(impedance, means, covariance, ["R", "X", "Z"])
    u = np.sqrt(np.diag(out))
    assert [values[k] for k in "RXZ"] == pytest.approx([127.732, 219.847, 254.260], abs=5e-4)
    assert u == pytest.approx([0.071, 0.295, 0.236], abs=1e-3)
    r = out / np.outer(u, u)
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=1e-3)


def test_gum_h2_without_correlation_would_be_far_off() -> None:
    """The regression that a careless implementation shows: u = 0.195, 0.201, 0.204 (recomputed from the same data)."""
    means, covariance = means_and_covariance()
    _, out = propagate(impedance, means, np.diag(np.diag(covariance)), ["R", "X", "Z"])
    assert np.sqrt(np.diag(out)) == pytest.approx([0.195, 0.201, 0.204], abs=1e-3)


def test_propagation_agrees_with_the_uncertainties_library() -> None:
    means, covariance = means_and_covariance()
    v, i, phi = correlated_values(list(means.values()), covariance)
    from uncertainties.umath import cos  # a library that derives analytically

    resistance = v / i * cos(phi)
    _, out = propagate(impedance, means, covariance, ["R", "X", "Z"])
    assert math.sqrt(out[0, 0]) == pytest.approx(resistance.std_dev, rel=1e-6)


def test_one_rectangular_error_gives_the_rectangular_interval() -> None:
    """EA-4/02 S9: a dominant rectangular error has k = 0.95·√3 = 1.65 for 95 %, not 2."""
    item = Input("x", 10.0, 0.05)
    found = estimate(draw([item], 20000, 3)["x"])
    assert found.u == pytest.approx(0.05 / math.sqrt(3), rel=1e-3)
    assert (found.high - found.low) / 2 / found.u == pytest.approx(0.95 * math.sqrt(3), rel=2e-3)


def test_one_normal_error_gives_two_sigma() -> None:
    found = estimate(draw([Input("x", 0.0, 1.0, "normal")], 20000, 4)["x"])
    assert found.high == pytest.approx(1.95996, abs=0.01)


def test_the_same_name_is_the_same_error() -> None:
    drawn = draw([Input("gain", 0.0, 1.0), Input("gain", 0.0, 1.0), Input("other", 0.0, 1.0)], 500, 1)
    assert list(drawn) == ["gain", "other"]
    assert abs(np.corrcoef(drawn["gain"][1:], drawn["other"][1:])[0, 1]) < 0.2


def test_draws_are_the_same_tomorrow() -> None:
    first, second = (draw([Input("x", 1.0, 0.1)], 50, 9)["x"] for _ in range(2))
    assert np.array_equal(first, second)
