"""Circuits in time: closed forms, convergence order, settling, behaviour in time."""

from __future__ import annotations

import math

import numpy as np
import pytest
from circuit_build import C, R, V, board, supply

from wakeboard.instruments.virtual.circuit import Circuit, Part, Simulation, Variant

# Kuphaldt, Lessons In Electric Circuits vol. I, ch. 16: 15 V, 10 kΩ, 100 µF (from memory, recomputed)
RC_TABLE = [(0.5, 5.902), (1, 9.482), (2, 12.970), (3, 14.253), (4, 14.725), (5, 14.899), (6, 14.963), (10, 14.999)]


def rc() -> Circuit:
    return Circuit([V("B", "a", 0.0), R("R1", "a", "c", 10e3), C("C1", "c", "GND", 100e-6)])


def test_rc_step_table() -> None:
    simulation = Simulation(rc().compile(), tolerance=2e-6)
    simulation.change({"B.volts": 15.0})
    for seconds, volts in RC_TABLE:
        simulation.advance(seconds - simulation.time)
        assert simulation.volts("c") == pytest.approx(volts, abs=2e-3)


def test_default_tolerance_is_good_to_a_thousandth() -> None:
    # as above: Kuphaldt's table of the RC step
    simulation = Simulation(rc().compile())
    simulation.change({"B.volts": 15.0})
    for seconds, volts in RC_TABLE:
        simulation.advance(seconds - simulation.time)
        assert simulation.volts("c") == pytest.approx(volts, rel=1.2e-3)


@pytest.mark.parametrize(
    ("farads", "amps", "milliseconds"), [(470e-6, 0.1, 23.5), (10e-6, 0.1, 0.5), (1.0, 1.0, 5000.0)]
)
def test_constant_current_charging(farads: float, amps: float, milliseconds: float) -> None:
    # t = C·V/I to 5 V
    parts = [supply("P", "a", 6.0, amps, on=False, off_ohms=1e9), C("C1", "a", "GND", farads)]
    simulation = Simulation(Circuit(parts).compile())
    simulation.change({"P.on": True})
    simulation.advance(milliseconds * 1e-3)
    assert simulation.volts("a") == pytest.approx(5.0, rel=1e-3)
    assert simulation.settle(60.0)
    assert simulation.volts("a") == pytest.approx(6.0, rel=1e-5)


def error_at(step: float, seconds: float = 1.0) -> float:
    """Error of the fixed-step solution after one second of the RC's discharge from its operating point."""
    simulation = Simulation(rc().compile(), Variant(values={"B.volts": 15.0}), settled=True, step=step)
    simulation.change({"B.volts": 0.0})
    simulation.advance(seconds)
    return abs(simulation.volts("c") - 15 * math.exp(-seconds))


def test_convergence_order_is_two() -> None:
    # the variable-step second-order backward difference, begun by one step of backward Euler: order 2 globally
    steps = np.array([0.1, 0.05, 0.025, 0.0125])
    errors = np.array([error_at(step) for step in steps])
    order = np.polyfit(np.log(steps), np.log(errors), 1)[0]
    assert order == pytest.approx(2.0, abs=0.15)


def test_inductor_step() -> None:
    # i = V/R·(1 - exp(-t·R/L)): 1 V, 1 Ω in all, 10 mH: 63.2 % after 10 ms
    coil = Part("L1", "inductor", {"1": "a", "2": "b"}, {"value": 10e-3, "ohms": 0.4})
    simulation = Simulation(Circuit([V("B", "a", 0.0), coil, R("R1", "b", "GND", 0.6)]).compile(), tolerance=1e-5)
    simulation.change({"B.volts": 1.0})
    simulation.advance(10e-3)
    assert simulation.current("L1", "1") == pytest.approx(1 - math.exp(-1), rel=2e-3)
    assert simulation.settle(1.0)
    assert simulation.current("L1", "1") == pytest.approx(1.0, rel=1e-5)


def test_charge_is_conserved() -> None:
    """Two capacitors joined by a resistor share their charge: 10 µF at 5 V onto 30 µF -> 1.25 V on both."""
    parts = [
        supply("P", "a", 5.0, 1.0, off_ohms=1e12),
        C("C1", "a", "GND", 10e-6),
        Part("S", "switch", {"1": "a", "2": "b"}, {"on": False, "ohms": 100.0}),
        C("C2", "b", "GND", 30e-6),
        R("R", "b", "GND", 1e12),
    ]
    simulation = Simulation(Circuit(parts).compile(), tolerance=1e-5)
    simulation.settle(1.0)
    simulation.change({"P.on": False, "S.on": True})
    simulation.advance(0.05)
    assert simulation.volts("a") == pytest.approx(1.25, rel=1e-3)
    assert simulation.volts("b") == pytest.approx(1.25, rel=1e-3)


def test_capacitor_holds_at_the_instant_of_a_change() -> None:
    # closed form: the voltage of a capacitor is continuous; 15 V over 10 kΩ
    simulation = Simulation(rc().compile(), Variant(values={"B.volts": 15.0}), settled=True)
    simulation.change({"B.volts": 0.0})
    assert simulation.volts("c") == pytest.approx(15.0, rel=1e-6)
    assert simulation.current("R1", "2") == pytest.approx(1.5e-3, rel=1e-6)


def test_settled_time_costs_nothing_and_ends_with_a_change() -> None:
    simulation = Simulation(board().compile(), Variant())
    assert simulation.settle(5.0)
    steps = simulation.steps_taken
    simulation.advance(1e6)
    assert simulation.steps_taken == steps
    assert simulation.time > 1e6
    simulation.change({"bench_USB.volts": 4.5})
    assert not simulation.settled
    simulation.change({})
    assert simulation.settle(5.0)
    simulation.change({"bench_USB.volts": 4.5})
    assert simulation.settled, "nothing new was set"


def test_settles_where_the_operating_point_is() -> None:
    # at rest no capacitor carries current: the transient ends in the operating point
    model = board().compile()
    simulation = Simulation(model)
    assert simulation.settle(10.0)
    points = model.solve([Variant()]).require()
    for net in model.circuit.nets:
        assert simulation.volts(net) == pytest.approx(points.net(net)[0], abs=1e-4)


def test_supervisor_holds_for_its_delay() -> None:
    # invented part: its own delay comes back
    parts = [
        supply("P", "v", 3.3, 0.5),
        Part("U", "supervisor", {"VDD": "v", "OUT": "r", "GND": "GND"}, {"threshold": 2.9, "delay": 0.2}),
        R("R", "v", "r", 10e3),
    ]
    simulation = Simulation(Circuit(parts).compile())
    simulation.advance(0.1)
    assert simulation.volts("r") < 0.1
    simulation.advance(0.2)
    assert simulation.volts("r") > 3.2
    simulation.change({"P.volts": 2.5})
    simulation.advance(0.01)
    assert simulation.volts("r") < 0.1


def test_fuse_blows_and_ptc_trips() -> None:
    # closed form of the divider with a tripped PTC; a fuse opens well above its rating: common practice, no source
    fuse = Part("F", "fuse", {"1": "a", "2": "b"}, {"ohms": 0.05, "blows": 0.5})
    simulation = Simulation(Circuit([V("B", "a", 5.0, ohms=0.1), fuse, R("R", "b", "GND", 2.0)]).compile())
    simulation.advance(5.0)
    assert abs(simulation.volts("b")) < 1e-6
    ptc = Part("F", "ptc", {"1": "a", "2": "b"}, {"ohms": 0.2, "trip": 1.0, "tripped_ohms": 100.0})
    simulation = Simulation(Circuit([V("B", "a", 5.0, ohms=0.1), ptc, R("R", "b", "GND", 2.0)]).compile())
    simulation.advance(5.0)
    assert simulation.volts("b") == pytest.approx(5 * 2 / 102.1, rel=1e-3)
