"""A transistor whose gate never gets what it needs to conduct."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study.study import Study
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.part import Part

ENOUGH = 0.75
"""Share of the gate drive for which its resistance is given that it should get; common practice, no source."""

SURE = 1.25  # times the threshold: below, it may not conduct at all


def find(study: Study) -> Iterator[Concern]:
    board = study.board
    fixed = {board.ground, *(r.net for r in board.rails.values()), *(s.net for s in board.supplies.values())}
    for part in board.parts.values():
        # one whose source is no rail passes a signal: its gate is not meant to be driven hard
        if part.kind == "mosfet" and part.pins["S"] in fixed:
            yield from _drive(study, part)


def _can_drive(study: Study, k: int) -> bool:
    """Whether the chips that drive pins in a case are meant to have their rails there."""
    case = study.cases[k]
    rails = [study.rails_on(net) for pin in case.drives for net in study.driver_nets(pin)]
    return all(any(study.rail_should_be_on(rail.name, case) for rail in each) for each in rails if each)


def _drive(study: Study, part: Part) -> Iterator[Concern]:
    sign = -1.0 if part.values.get("channel") == "p" else 1.0
    gate, source = (study.points.pin_volts(part.name, pin) for pin in ("G", "S"))
    drive = sign * (gate - source)
    k = int(np.argmax([volts if _can_drive(study, k) else 0.0 for k, volts in enumerate(drive)]))
    best, threshold = float(drive[k]), abs(float(part.values.get("threshold", 1.0)))
    wanted = float(part.values.get("at", threshold * SURE / ENOUGH))
    if best < 0.1 or best >= ENOUGH * wanted or study.floating(part.pins["G"], k):
        return  # never driven in any state that was drawn, or driven well
    serious = best < SURE * threshold
    yield Concern(
        "gate-drive", serious, (part.pins["G"],), path=(part.name,), state=study.cases[k].state, value=best, unit="V",
        says=f"{part.name}'s gate gets {show(best, 'V')} at most; "
        + (f"its threshold is {show(threshold, 'V')}: it may not conduct" if serious
           else f"its resistance is given for {show(wanted, 'V')}: it conducts less than drawn"),
        settles="" if {"threshold", "at", "beta"} & set(part.values) else f"{part.name}'s data sheet: threshold",
        do="choose a transistor with a lower threshold, or drive its gate from a higher voltage",
    )  # fmt: skip
