"""A motor that is stalled, against what drives it and what feeds it."""

from __future__ import annotations

from collections.abc import Iterator

from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study.study import Study
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.model import Variant
from wakeboard.instruments.virtual.circuit.part import Part


def find(study: Study) -> Iterator[Concern]:
    for part in study.board.parts.values():
        if part.kind == "motor":
            yield from _pins(study, part)
            yield from _switches(study, part)


def _pins(study: Study, motor: Part) -> Iterator[Concern]:
    """Chips' outputs on the motor that say what they stand."""
    for part, pin, entry in study.chips():
        if part.pins[pin] not in motor.pins.values() or not entry.get("max"):
            continue
        volts = max(study.volts(study.rail_net(part, entry)))
        amps = volts / (float(motor.values["ohms"]) + 2 * float(entry.get("ohms", 40.0)))
        if amps > float(entry["max"]):
            yield _concern(motor, part.pins[pin], f"{part.name}.{pin}", part.name, amps, float(entry["max"]), "")


def _switches(study: Study, motor: Part) -> Iterator[Concern]:
    """Transistors on the motor, in the states that have it run."""
    parts = [
        part
        for part in study.board.parts.values()
        if part.kind in ("mosfet", "bjt", "load_switch")
        and part.ratings.get("current")
        and set(part.pins.values()) & set(motor.pins.values()) - {study.board.ground}
    ]
    running = study.points.current(motor.name, "1")
    cases = [k for k, case in study.each() if case.corner == "nominal" and abs(running[k]) > 1e-3]
    if not parts or not cases:
        return
    stalled = {f"{motor.name}.stalled": True}
    points = study.model.solve([Variant(values={**study.cases[k].values(), **stalled}) for k in cases]).require()
    for part in parts:
        allowed = part.ratings["current"]
        for row, k in enumerate(cases):
            amps = max(abs(float(points.current(part.name, pin)[row])) for pin in part.pins)
            if amps > allowed:
                net = next(net for net in motor.pins.values() if net in part.pins.values())
                yield _concern(motor, net, part.name, part.name, amps, allowed, study.cases[k].state)


def _concern(motor: Part, net: str, at: str, part: str, amps: float, allowed: float, state: str) -> Concern:
    return Concern(
        "rating", True, (net,), path=(motor.name, part), state=state, value=amps, unit="A", weight=amps / allowed,
        says=f"{motor.name}, stalled, takes {show(amps, 'A')} through {at}; it stands {show(allowed, 'A')}",
        do="choose a driver for the motor's stall current, or one that limits it",
    )  # fmt: skip
