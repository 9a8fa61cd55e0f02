"""Ratings watched over time.

Figures are the test's own; the step response of a first-order filter is a closed form, stated beside its check.
"""

from __future__ import annotations

import math

import pytest
from circuit_build import C, R, V, board, supply

from wakeboard.instruments.virtual.circuit import Circuit, Part, Simulation, Variant, parse_fault


def test_voltage_counts_at_once() -> None:
    cap = C("C1", "a", "GND", 1e-6, ratings={"voltage": 6.3})
    simulation = Simulation(Circuit([supply("P", "a", 5.0, 0.1), cap]).compile())
    simulation.settle(1.0)
    assert simulation.overstress == []
    simulation.change({"P.volts": 9.0})
    simulation.settle(1.0)
    (found,) = simulation.overstress
    assert (found.part, found.rating, found.allowed) == ("C1", "voltage", 6.3)
    assert found.reached == pytest.approx(9.0, rel=1e-4)


def test_power_goes_through_the_heat_filter() -> None:
    # a step of power P behind a first-order filter crosses its limit at t = tau·ln(P/(P - limit))
    hot = R("R1", "a", "GND", 25.0, ratings={"power": 0.25})
    simulation = Simulation(Circuit([V("B", "a", 0.0), hot]).compile())
    simulation.change({"B.volts": 5.0})
    simulation.advance(0.01)
    assert simulation.overstress == []
    simulation.advance(10.0)
    (found,) = simulation.overstress
    assert found.reached == pytest.approx(1.0, rel=0.02)
    assert found.time == pytest.approx(2.0 * math.log(1 / 0.75), rel=0.02)


def test_charging_current_burns_nothing_but_a_short_does() -> None:
    model = board().compile()
    good = Simulation(model, Variant(values={"bench_USB.limit": 2.0}))
    good.advance(10.0)
    assert good.overstress == []
    bad = Simulation(model, Variant((parse_fault("+3V3+GND:bridge=0.3"),), {"bench_USB.limit": 2.0}))
    bad.advance(10.0)
    assert {(o.part, o.rating) for o in bad.overstress} >= {("U2", "power"), ("U2", "current")}
    saved = Simulation(model, Variant((parse_fault("+3V3+GND:bridge=0.3"),), {"bench_USB.limit": 0.05}))
    saved.advance(10.0)
    assert saved.overstress == []


def test_pin_of_a_chip_has_a_rating_of_its_own() -> None:
    simulation = Simulation(board().compile(), Variant((parse_fault("EN+GND:bridge=1"),)))
    simulation.change({"U1.IO1.drive": "high"})
    simulation.advance(10.0)
    assert ("U1", "current IO1") in {(o.part, o.rating) for o in simulation.overstress}


def test_rating_of_a_moved_pin_is_where_it_sits() -> None:
    cap = C("C1", "a", "GND", 1e-6, ratings={"voltage": 6.3})
    parts = [supply("P", "a", 5.0, 0.1), supply("Q", "b", 9.0, 0.1), cap]
    part = Part("X", "resistor", {"1": "b", "2": "GND"}, {"value": 1e3})
    simulation = Simulation(Circuit([*parts, part]).compile(), Variant((parse_fault("C1.1:net=b"),)))
    simulation.settle(1.0)
    assert [o.part for o in simulation.overstress] == ["C1"]
