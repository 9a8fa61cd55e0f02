"""What a board without power conducts: diodes and fixed pulls, no transistor that has no gate voltage.

Common practice, no source: an output of a CMOS part without supply is high-impedance but for its diodes; a part's own
circuits draw nothing below a transistor's threshold.
"""

from __future__ import annotations

import pytest

from wakeboard.instruments.virtual.circuit import Circuit, Part, Variant

IO = {"Y": {"type": "output", "drive": "low", "ohms": 80.0}, "P": {"drive": "up", "pull_ohms": 40e3}}


def ohms(circuit: Circuit, net: str, amps: float, **values: float | str) -> float:
    """What a meter's test current sees of a net."""
    meter = Part("meter", "meter", {"HI": net, "LO": "GND"}, {"ohms": 1e12, "test_amps": amps})
    model = circuit.plus(meter).compile()
    return float(model.solve([Variant((), dict(values))]).require().net(net)[0]) / amps


def chip(volts: float) -> Circuit:
    """A chip on a rail that a source holds, a resistor from its output to ground."""
    pins = {"VDD": "V", "GND": "GND", "Y": "Y", "P": "P"}
    return Circuit(
        [
            Part("U1", "chip", pins, {"io": IO, "supply": {"VDD": {"draws": 1e-3, "above": 1.5}}}),
            Part("V1", "v_source", {"P": "V", "N": "GND"}, {"volts": volts}),
            Part("R1", "resistor", {"1": "Y", "2": "GND"}, {"value": 10e3}),
            Part("R2", "resistor", {"1": "P", "2": "GND"}, {"value": 100e3}),
        ]
    )


def test_an_output_without_power_does_not_drive() -> None:
    # closed form: 80 Ω beside 10 kΩ; that it does not drive without supply: common practice, no source
    assert ohms(chip(0.0), "Y", 10e-6) == pytest.approx(10e3, rel=1e-3)
    assert ohms(chip(3.3), "Y", 10e-6) == pytest.approx(1 / (1 / 80 + 1 / 10e3), rel=1e-3)


def test_a_pull_that_the_pin_switches_needs_power() -> None:
    # closed form: the divider of 100 kΩ and 40 kΩ
    assert ohms(chip(0.0), "P", 1e-6) == pytest.approx(100e3, rel=1e-2)
    model = chip(3.3).compile()
    assert model.solve([Variant()]).require().net("P")[0] == pytest.approx(3.3 * 100 / 140, rel=1e-3)


@pytest.mark.parametrize("kind", ["supervisor", "ideal_diode"])
def test_a_supply_current_begins_at_a_transistors_threshold(kind: str) -> None:
    pins = {"VDD": "V", "OUT": "O", "GND": "GND"} if kind == "supervisor" else {"A": "O", "K": "V", "GND": "GND"}
    values = {"threshold": 2.93, "quiescent": 5e-6} if kind == "supervisor" else {"quiescent": 5e-6}
    part = Part("U1", kind, pins, values)
    rest = [Part("R1", "resistor", {"1": "V", "2": "GND"}, {"value": 1e6})]
    rest += [Part("R2", "resistor", {"1": "O", "2": "GND"}, {"value": 1e3})]
    circuit = Circuit([part, *rest])
    assert ohms(circuit, "V", 0.3e-6) == pytest.approx(1e6, rel=1e-2)
    held = circuit.plus(Part("V1", "v_source", {"P": "V", "N": "GND"}, {"volts": 3.3})).compile().solve([Variant()])
    assert -held.require().current("V1", "P")[0] == pytest.approx(5e-6 + 3.3e-6, rel=1e-2)
