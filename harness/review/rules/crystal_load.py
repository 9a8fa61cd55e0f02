"""A crystal whose capacitors load it with another capacitance than it is cut for."""

from __future__ import annotations

from collections.abc import Iterator

from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study.study import Study
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.part import Part

STRAY = 3e-12
"""F of pads, pins and traces across a crystal; 2 pF to 5 pF is common practice, no source."""

OFF = 0.4
"""Relative: how far the load may be from what the crystal is cut for, the stray being a guess."""


def find(study: Study) -> Iterator[Concern]:
    for part in study.board.parts.values():
        if part.kind == "crystal" and part.values.get("load"):
            yield from _judge(study, part, float(part.values["load"]))


def _judge(study: Study, part: Part, load: float) -> Iterator[Concern]:
    fitted = {net: _to_ground(study, net) for net in part.pins.values()}
    bare = [net for net, farads in fitted.items() if not farads]
    each = show(2 * (load - STRAY), "F")
    if len(bare) == 1:
        yield Concern(
            "crystal-load", True, (bare[0],), path=(part.name,),
            says=f"{part.name} has a capacitor on one side only: {bare[0]} has none to ground",
            do=f"fit about {each} from {bare[0]} to ground",
        )  # fmt: skip
    elif bare:
        yield Concern(
            "crystal-load", False, tuple(bare), path=(part.name,),
            says=f"{part.name} is cut for {show(load, 'F')} and has no capacitor on either side",
            do=f"fit about {each} on each side, unless the chip brings its own: then write load out of the drawing",
        )  # fmt: skip
    else:
        first, second = fitted.values()
        seen = first * second / (first + second) + STRAY
        if abs(seen - load) > OFF * load:
            yield Concern(
                "crystal-load", False, tuple(part.pins.values()), path=(part.name,), value=seen, unit="F",
                beyond=abs(seen - load),
                says=f"{part.name} is cut for {show(load, 'F')} and sees about {show(seen, 'F')} "
                f"({show(first, 'F')} and {show(second, 'F')} in series, {show(STRAY, 'F')} of the board): it may run "
                "off its frequency, or not start", do=f"fit about {each} on each side",
            )  # fmt: skip


def _to_ground(study: Study, net: str) -> float:
    ground = study.board.ground
    return sum(
        float(other.values["value"])
        for other in study.board.parts.values()
        if other.kind == "capacitor" and set(other.pins.values()) == {net, ground}
    )
