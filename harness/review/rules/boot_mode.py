"""Straps that start a chip another way than the drawing wants, or leave open how it starts."""

from __future__ import annotations

from collections.abc import Iterator

from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study.straps import Straps, every_strap, level_of
from wakeboard.harness.review.study.study import Study
from wakeboard.instruments.quantity import show

ALIVE = 1.0  # V on its rail from which a chip is looked at


def find(study: Study) -> Iterator[Concern]:
    for straps in every_strap(study):
        for k, case in study.undriven():
            if case.corner == "nominal":
                yield from _judge(study, straps, k)


def _judge(study: Study, straps: Straps, k: int) -> Iterator[Concern]:
    part = straps.part
    io = part.values.get("io", {})
    levels: dict[str, str] = {}
    for pin in straps.pins:
        rail = float(study.points.net(study.rail_net(part, io.get(pin, {})))[k])
        if rail < ALIVE:
            return
        volts = float(study.points.pin_volts(part.name, pin)[k])
        held = not study.floating(part.pins[pin], k)
        levels[pin] = level_of(part, pin, volts, rail) if held else "undefined"
    modes = straps.modes(levels)
    if modes == [straps.starts]:
        return
    wanted = straps.boots[straps.starts]
    wrong = [pin for pin, level in wanted.items() if levels[pin] != level]
    if not wrong:  # another way of starting asks for nothing that this one does not
        return
    net = part.pins[wrong[0]]
    sits = ", ".join(_sits(study, straps, pin, levels[pin], k) for pin in wrong)
    result = f"starts {' or '.join(modes)}" if modes else "starts in no way that the drawing knows"
    yield Concern(
        "boot-mode", True, tuple(part.pins[pin] for pin in wrong), path=tuple(f"{part.name}.{pin}" for pin in wrong),
        state=study.cases[k].state, value=float(study.points.net(net)[k]), unit="V",
        weight=0.0 if straps.starts in modes else 1.0,
        says=f"{part.name} {result}, not surely {straps.starts}: {sits}"
        if straps.starts in modes else f"{part.name} {result} instead of {straps.starts}: {sits}",
        do="; ".join(f"hold {part.pins[pin]} {wanted[pin]} until reset is released" for pin in wrong),
    )  # fmt: skip


def _sits(study: Study, straps: Straps, pin: str, level: str, k: int) -> str:
    net = straps.part.pins[pin]
    if study.floating(net, k):
        return f"{pin} floats"
    volts = show(float(study.points.net(net)[k]), "V")
    sits = f"{pin} sits at {volts} ({'between the levels' if level == 'undefined' else level})"
    others = [text for text in study.circuit.on_net(net) if text.endswith((".EN", ".G"))]
    return sits + (f", shared with {' and '.join(others)}" if others else "")
