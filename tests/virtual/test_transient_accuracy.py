"""How near the virtual bench follows a transient: closed forms of a capacitor behind a resistor and a current limit."""

import math

import pytest

from wakeboard.instruments.virtual.bench import RESOLUTION, TOLERANCE
from wakeboard.instruments.virtual.circuit import Circuit, Part, Simulation

TIMES = [2e-4, 5e-4, 1e-3, 2e-3, 3e-3, 5e-3, 0.01, 0.02, 0.03]


def followed(*parts: Part, **values: object) -> list[float]:
    simulation = Simulation(Circuit(parts).compile(), resolution=RESOLUTION, tolerance=TOLERANCE)
    simulation.settle(0.1)
    began = simulation.time
    simulation.change(values)
    found = []
    for at in TIMES:
        simulation.advance(began + at - simulation.time)
        found.append(simulation.volts("OUT"))
    return found


def supply(limit: float) -> Part:
    return Part("S", "bench_supply", {"P": "IN", "N": "GND"}, {"volts": 5.0, "limit": limit, "on": False})


@pytest.mark.parametrize(("tau", "within"), [(5e-4, 6e-3), (2e-3, 2.5e-3), (8e-3, 1e-3)])
def test_charging_through_a_resistor(tau, within):
    """1 ms steps were up to 27 % off here."""
    resistor = Part("R1", "resistor", {"1": "IN", "2": "OUT"}, {"value": 100.0})
    capacitor = Part("C1", "capacitor", {"1": "OUT", "2": "GND"}, {"value": tau / 100.01})
    found = followed(supply(10.0), resistor, capacitor, **{"S.on": True})
    want = [5.0 * (1 - math.exp(-at / tau)) for at in TIMES]
    assert found == pytest.approx(want, abs=5.0 * within)


def test_charging_under_a_current_limit():
    """0.1 A into 100 µF: a straight line, and its corner at 5 ms."""
    lead = Part("R1", "resistor", {"1": "IN", "2": "OUT"}, {"value": 0.01})
    capacitor = Part("C1", "capacitor", {"1": "OUT", "2": "GND"}, {"value": 100e-6})
    found = followed(supply(0.1), lead, capacitor, **{"S.on": True})
    want = [min(0.1 * at / 100e-6, 5.0) for at in TIMES]
    assert found == pytest.approx(want, abs=5.0 * 2.5e-3)
