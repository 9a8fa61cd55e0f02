"""A transistor whose gate never gets what it needs to conduct; a reverse-polarity transistor drawn the other way round."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study import Study
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.part import Part

ENOUGH = 0.75
"""Share of the gate drive for which its resistance is given that a transistor should get; common practice, no source."""

SURE = 1.25  # times the threshold: below, it may not conduct at all


def find(study: Study) -> Iterator[Concern]:
    for part in study.board.parts.values():
        if part.kind == "mosfet":
            yield from _drive(study, part)
            yield from _turned(study, part)


def _drive(study: Study, part: Part) -> Iterator[Concern]:
    sign = -1.0 if part.values.get("channel") == "p" else 1.0
    gate, source = (study.points.pin_volts(part.name, pin) for pin in ("G", "S"))
    drive = sign * (gate - source)
    k = int(np.argmax(drive))
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
        do="choose a transistor with a lower threshold, or drive its gate from a higher voltage",
    )  # fmt: skip


def _turned(study: Study, part: Part) -> Iterator[Concern]:
    """One whose gate is tied down for good carries current all the time: its body diode has to point along it."""
    if not _gate_is_tied(study, part) or part.values.get("channel") != "p":
        return
    into_source = study.points.current(part.name, "S")
    k = int(np.argmax(into_source))
    supplies = {supply.net for supply in study.board.supplies.values()}
    if into_source[k] > 1e-3 and len(study.board.supplies) == 1 and _leads_to(study, part.pins["S"], supplies):
        yield Concern(
            "gate-drive", True, (part.pins["D"], part.pins["S"]), path=(part.name,), state=study.cases[k].state,
            says=f"{part.name} lies in the supply's path with its gate tied down and its body diode against the current: "
            "it passes a supply connected the wrong way round as well as the right one",
            do=f"exchange drain and source of {part.name}: the drain belongs on the supply's side",
        )  # fmt: skip


def _gate_is_tied(study: Study, part: Part) -> bool:
    """Whether only resistors, capacitors and zeners are on the gate, none of them on a supply."""
    net = part.pins["G"]
    others = [other for other in study.board.parts.values() if other is not part and net in other.pins.values()]
    grounded = any(study.board.ground in o.pins.values() for o in others if o.kind == "resistor")
    return grounded and all(other.kind in ("resistor", "capacitor", "zener") for other in others)


def _leads_to(study: Study, net: str, supplies: set[str]) -> bool:
    """Whether a net is a supply's, or joined to it by a fuse."""
    if net in supplies:
        return True
    fuses = (p for p in study.board.parts.values() if p.kind in ("fuse", "ptc") and net in p.pins.values())
    return any(set(fuse.pins.values()) & supplies for fuse in fuses)
