"""Faults that a settled circuit cannot tell apart: what is called alike must have the same operating points, to the
bit, and what differs in anything that a bench may set later must not be called alike."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from circuit_build import board

from wakeboard.instruments.virtual.circuit import CircuitError, Variant, parse_fault
from wakeboard.instruments.virtual.circuit.faults.alike import alike
from wakeboard.instruments.virtual.circuit.faults.library import library

STATES: tuple[dict[str, float | str | bool], ...] = (
    {},
    {"bench_USB.on": False, "bench_CELL.on": True},
    {"U1.IO1.drive": "high", "bench_USB.limit": 0.05},
)


def test_what_is_alike_has_the_same_operating_points() -> None:
    circuit = board()
    faults = library(circuit, [("+3V3", "GND"), ("VSYS", "+3V3")], ["EN"])
    kinds = {alike(circuit, []): [()]}
    for fault in faults:
        kinds.setdefault(alike(circuit, [fault]), []).append((fault,))  # type: ignore[arg-type]
    groups = [group for group in kinds.values() if len(group) > 1]
    assert groups
    assert len(kinds) > len(faults) / 2  # most are not
    for group, state in itertools.product(groups, STATES):
        model = circuit.compile()
        first, *others = (model.solve([Variant(planted, state)]).require() for planted in group)
        for other in others:
            assert np.array_equal(first.volts, other.volts)


def test_a_capacitor_is_alike_with_any_other_and_a_shorted_one_is_not() -> None:
    circuit = board()
    name = next(part.name for part in circuit.parts if part.kind == "capacitor")
    drawn = alike(circuit, [])
    assert alike(circuit, [parse_fault(f"{name}:missing")]) == drawn
    assert alike(circuit, [parse_fault(f"{name}:value=1 nF")]) == drawn
    assert alike(circuit, [parse_fault(f"{name}:short")]) != drawn


def test_a_resistor_is_not_and_two_faults_are_not_one() -> None:
    circuit = board()
    name = next(part.name for part in circuit.parts if part.kind == "resistor")
    missing, other = parse_fault(f"{name}:missing"), parse_fault(f"{name}:value=1 MΩ")
    assert len({alike(circuit, planted) for planted in ([], [missing], [other], [missing, other])}) >= 3


def test_a_chip_that_is_dead_is_not_a_chip_that_is_missing() -> None:
    """Its pins may be told to drive later."""
    circuit = board()
    assert alike(circuit, [parse_fault("U1:dead")]) != alike(circuit, [parse_fault("U1:missing")])


def test_a_fault_that_does_not_fit_is_refused() -> None:
    with pytest.raises(CircuitError, match="R999"):
        alike(board(), [parse_fault("R999:missing")])
