"""A path of operating points against the general solver: the same circuit, the same answers, whatever came before."""

from __future__ import annotations

import random

import numpy as np
import pytest
from circuit_build import board

from wakeboard.instruments.virtual.circuit import CircuitError, Fault, Model, SolveError, Variant, parse_fault
from wakeboard.instruments.virtual.circuit.faults.library import library
from wakeboard.instruments.virtual.circuit.solver.path import Path, Point

SETTINGS: tuple[dict[str, float | str | bool], ...] = (
    {},
    {"bench_USB.volts": 4.4},
    {"bench_USB.volts": 1.0, "bench_USB.limit": 0.02},
    {"bench_USB.on": False},
    {"bench_USB.on": False, "bench_CELL.on": True, "bench_CELL.volts": 3.9},
    {"U1.IO1.drive": "high"},
    {"U1.IO1.drive": "low", "R1.value": 50e3},
)


def _agree(point: Point, model: Model, variant: Variant) -> None:
    alone = model.solve([variant]).require()
    held = [net for net in model.circuit.nets if net not in alone.floating()]
    for net in held:
        want = float(alone.net(net)[0])
        assert abs(point.volts(net) - want) <= 1e-7 * max(1.0, abs(want)), (variant, net)
    for part in model.circuit.parts:
        for pin in part.pins:
            want = float(alone.current(part.name, pin)[0])
            assert abs(point.current(part.name, pin) - want) <= 1e-9 + 1e-6 * abs(want), (variant, part.name, pin)


LATCHES = {"VS+EN:bridge=0.5"}
"""A switch whose output is on its own enable holds itself: a path remembers that, a solution from nothing does not."""


@pytest.mark.parametrize("seed", range(3))
def test_every_fault_under_changing_settings(seed: int) -> None:
    drawn, model = random.Random(seed), board().compile()
    faults = library(model.circuit, [("+3V3", "GND"), ("VSYS", "+3V3")], ["EN"])
    for fault in drawn.sample(faults, 16):
        path, point = Path(model, (fault,)), None
        for settings in drawn.sample(SETTINGS, 4):
            moves = {"R1.2": drawn.choice(["GND", "+3V3", "VSYS"])}
            point = path.point(settings, moves, None if str(fault) in LATCHES else point)
            _agree(point, model, Variant((fault,), settings, None, moves))


def test_a_specimen_keeps_its_values_and_settings_come_before_them() -> None:
    model = board().compile()
    path = Path(model, (), seed=5)
    _agree(path.point({}, {}), model, Variant((), {}, 5))
    _agree(path.point({"R1.value": 123e3}, {}), model, Variant((), {"R1.value": 123e3}, 5))
    fault = parse_fault("R1:value=1 kΩ")
    faulty = Path(model, (fault,), seed=5)
    _agree(faulty.point({"R1.value": 123e3}, {}), model, Variant((fault,), {"R1.value": 123e3}, 5))


def test_paths_of_one_circuit_do_not_disturb_each_other() -> None:
    """The second lifts a pin, which lays the circuit out anew under the first."""
    model = board().compile()
    first = Path(model)
    before = first.point({}, {})
    fault = next(fault for fault in library(model.circuit) if fault.category == "lifted")
    layout = model.layout
    second = Path(model, (fault,))
    assert model.layout is not layout
    _agree(second.point({}, {}), model, Variant((fault,)))
    after = first.point({"bench_USB.volts": 4.5}, {}, before)
    _agree(after, model, Variant(values={"bench_USB.volts": 4.5}))
    assert np.isfinite(after.unknowns).all()


@pytest.mark.parametrize("fault", ["VUSB+GND:bridge=0.5", "D1:short"])
def test_what_a_fault_puts_inside_a_part_counts_as_its_current(fault: str) -> None:
    model = board().compile()
    planted: tuple[Fault, ...] = (parse_fault(fault),)
    _agree(Path(model, planted).point({}, {}), model, Variant(planted))


def test_errors_are_those_of_the_general_solver() -> None:
    model = board().compile()
    with pytest.raises(SolveError, match="no operating point"):
        Path(model).point({"R1.value": float("nan")}, {})
    with pytest.raises(CircuitError, match="R99"):
        Path(model).point({"R99.value": 1.0}, {})
    with pytest.raises(CircuitError, match="no net"):
        Path(model).point({}, {}).volts("VNONE")
    with pytest.raises(CircuitError, match="R99"):
        Path(model, (parse_fault("R99:missing"),))
