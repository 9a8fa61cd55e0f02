"""A fault dictionary in one batch: every fault in every state, each begun at its state's fault-free point."""

from __future__ import annotations

import numpy as np
from circuit_build import board

from wakeboard.instruments.virtual.circuit import Points, Variant
from wakeboard.instruments.virtual.circuit.faults.library import library

STATES: tuple[dict[str, float | str | bool], ...] = (
    {},
    {"bench_USB.on": False, "bench_CELL.on": True},
    {"U1.IO1.drive": "high", "bench_USB.limit": 0.05},
)


def test_one_batch_gives_the_answers_of_one_at_a_time() -> None:
    # independent solution: each fault solved alone
    model = board().compile()
    faults = library(model.circuit, [("+3V3", "GND"), ("VSYS", "+3V3")], ["EN"])[::3]
    variants = [Variant((fault,), state) for state in STATES for fault in faults]
    model.lift(variants)
    free = model.solve([Variant(values=state) for state in STATES]).require()
    start = Points.gathered([(free, state) for state in range(len(STATES)) for _ in faults])
    batch = model.solve(variants, start=start).require()
    assert len(variants) > 80
    for member in range(0, len(variants), 7):
        alone = model.solve([variants[member]], start=Points.gathered([(free, member // len(faults))])).require()
        used = [net for net in model.circuit.nets if net not in alone.floating()]
        for net in used:
            want = float(alone.net(net)[0])
            assert abs(float(batch.net(net)[member]) - want) <= 1e-9 * max(1.0, abs(want)), (variants[member], net)


def test_room_for_lifted_pins_is_made_once() -> None:
    model = board().compile()
    pins = [fault for fault in library(model.circuit) if fault.category == "lifted"]
    variants = [Variant((fault,)) for fault in pins]
    model.lift(variants)
    layout = model.layout
    points = model.solve(variants).require()
    assert model.layout is layout
    assert len(pins) > 3
    assert np.isfinite(points.volts).all()


def test_a_plan_is_ones_own() -> None:
    """What plan() hands out may be changed without touching other variants."""
    model = board().compile()
    variant = Variant(values={"R2.value": 50e3})
    model.plan(variant).overrides[model.part_index["R2"]]["value"] = 1.0
    assert model.plan(variant).overrides[model.part_index["R2"]]["value"] == 50e3
