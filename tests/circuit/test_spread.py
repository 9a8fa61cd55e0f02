"""Tolerances: worst case and Monte Carlo."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from circuit_build import R, V, board

from wakeboard.instruments.virtual.circuit import Circuit, Variant
from wakeboard.instruments.virtual.circuit.bench.parts import powered, supply_name
from wakeboard.instruments.virtual.circuit.bench.spread import DEVIATIONS, LEAKS, leaky, spread
from wakeboard.instruments.virtual.circuit.bench.unknowns import Stray, Unknown


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
    # invented circuit: one regulator of ± 2 % feeds both nets
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


def _open(path: str, share: float = 0.0, stray: Stray | None = None) -> Unknown:
    return Unknown(path, "nobody states it", share, stray=stray, drawn=20e3)


def _on_a_supply(open_to: list[Unknown]) -> tuple[float, float, float]:
    """(nominal, low, high) of a divider's middle: 3.3 V, 10 kΩ over 20 kΩ, without tolerances."""
    bare = powered(Circuit([R("RU", "v", "n", 10e3), R("RD", "n", "GND", 20e3)]), {"B": "v"})
    name = supply_name("B")
    on = Variant((), {f"{name}.on": True, f"{name}.volts": 3.3, f"{name}.limit": 0.1})
    return spread(bare.compile(), on, ["n"], n=0, open_to=open_to).of("n")


def test_what_nobody_states_widens_by_so_many_deviations() -> None:
    # closed form: ∂v/∂ln RD = V·RU·RD/(RU+RD)² (JCGM 100:2008, 5.1.2)
    nominal, low, high = _on_a_supply([_open("RD.value", 0.01)])
    slope = 3.3 * 10 * 20 / 30**2
    assert nominal - low == pytest.approx(DEVIATIONS * 0.01 * slope, rel=1e-3)
    assert high - nominal == pytest.approx(DEVIATIONS * 0.01 * slope, rel=1e-3)


def test_a_value_that_bends_far_is_solved_at_its_ends() -> None:
    # closed form: v = V·RD/(RU+RD) with RD ×/÷ 10 to the power of 3.5; its slope would lead to ± 5.9 V
    open_to = replace(_open("RD.value", math.log(10)), log=True)
    nominal, low, high = _on_a_supply([open_to])
    times = 10**DEVIATIONS
    assert nominal == pytest.approx(2.2)
    assert low == pytest.approx(3.3 * 20 / times / (10 + 20 / times), abs=1e-3)
    assert high == pytest.approx(3.3 * 20 * times / (10 + 20 * times), abs=1e-3)


def test_a_leakage_acts_one_way_and_never_past_its_other_end() -> None:
    # closed form: a source of 6.67 kΩ at 2.2 V loaded by G: v = 2.2 / (1 + G·6.67k); the limit is at k·G
    for siemens in (1e-6, 1e-3, 1.0):
        leak = _open("RD.leak", stray=Stray("n", "GND", "ohmic", siemens))
        nominal, low, high = _on_a_supply([leak])
        assert low == pytest.approx(2.2 / (1 + LEAKS * siemens * 20e3 / 3), rel=2e-3)
        assert high == pytest.approx(nominal)


def test_what_a_net_may_leak_is_its_resistance_in_a_corner() -> None:
    # closed form: 1/G, with the leaks to the supplies' nets that are off counted
    strays = [Stray("n", "GND", "ohmic", 3e-6), Stray("n", "GND", "ohmic", 4e-6), Stray("v", "n", "ohmic", 1e-6)]
    found = leaky([_open(f"R{k}.leak", stray=s) for k, s in enumerate(strays)], "GND")
    assert found == {"n": pytest.approx(1 / (LEAKS * 5e-6))}
