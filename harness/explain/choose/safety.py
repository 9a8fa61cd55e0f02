"""Which bench states may be entered: none in which a fault that is still likely burns a part at rest."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from wakeboard.harness.describe.state import BenchState
from wakeboard.harness.explain.evidence.predict import Predictor
from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.instruments.virtual.circuit import Part, Points
from wakeboard.instruments.virtual.circuit.bench.change import Change, Scene
from wakeboard.instruments.virtual.circuit.bench.state import state_values

MARGIN = 1.0
"""Share of an absolute maximum rating that may be reached."""


def unsafe(predictor: Predictor, states: Sequence[BenchState], live: Sequence[Change]) -> dict[str, str]:
    """Key of each state that is not safe -> why: the first part that one of the `live` boards would overstress."""
    if not states or not live:
        return {}
    scenes = [Scene(state_values(state)) for state in states]
    points = predictor.stand.points(scenes, [predictor.fixed.plus(change) for change in live])
    rated = [part for part in predictor.circuit.parts if part.ratings or _pin_ratings(part)]
    why: dict[str, str] = {}
    for part in rated:
        for rating, reached, allowed in _stress(points, part):
            over = (reached > MARGIN * allowed).reshape(len(states), len(live))
            for k in np.flatnonzero(over.any(axis=1)).tolist():
                why.setdefault(states[k].key, f"{part.name} past its {rating}")
    failed = ~np.array([status == "ok" for status in points.status]).reshape(len(states), len(live))
    for k in np.flatnonzero(failed.any(axis=1)).tolist():
        why.setdefault(states[k].key, "the circuit has no answer there")
    return why


def _pin_ratings(part: Part) -> dict[str, float]:
    io = part.values.get("io", {})
    return {pin: float(entry["max"]) for pin, entry in io.items() if isinstance(entry.get("max"), int | float)}


def _stress(points: Points, part: Part) -> list[tuple[str, Array, float]]:
    """(rating, reached, allowed) of a part, over all points; NaN never counts as beyond."""
    out: list[tuple[str, Array, float]] = []
    if "power" in part.ratings:
        out.append(("power", np.nan_to_num(points.power(part.name)), part.ratings["power"]))
    if "current" in part.ratings:
        most = np.max([np.abs(np.nan_to_num(points.current(part.name, pin))) for pin in part.pins], axis=0)
        out.append(("current", most, part.ratings["current"]))
    if "voltage" in part.ratings:
        volts = np.array([np.nan_to_num(points.pin_volts(part.name, pin)) for pin in part.pins])
        out.append(("voltage", volts.max(axis=0) - volts.min(axis=0), part.ratings["voltage"]))
    for pin, allowed in _pin_ratings(part).items():
        out.append((f"current at {pin}", np.abs(np.nan_to_num(points.current(part.name, pin))), allowed))
    return out
