"""A transistor that should stop a supply connected the wrong way round, drawn the other way round itself."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study import Study
from wakeboard.instruments.virtual.circuit.part import Part


def find(study: Study) -> Iterator[Concern]:
    for part in study.board.parts.values():
        if part.kind == "mosfet":
            yield from _turned(study, part)


def _turned(study: Study, part: Part) -> Iterator[Concern]:
    """One whose gate is tied down for good carries current all the time: its body diode has to point along it."""
    if not _gate_is_tied(study, part) or part.values.get("channel") != "p":
        return
    into_source = study.points.current(part.name, "S")
    k = int(np.argmax(into_source))
    supplies = {supply.net for supply in study.board.supplies.values()}
    if into_source[k] > 1e-3 and len(study.board.supplies) == 1 and _leads_to(study, part.pins["S"], supplies):
        yield Concern(
            "reverse-path", True, (part.pins["D"], part.pins["S"]), path=(part.name,), state=study.cases[k].state,
            says=f"{part.name} lies in the supply's path with its gate tied down and its body diode against the "
            "current: it passes a supply connected the wrong way round as well as the right one",
            do=f"draw {part.name} the other way round: the drain belongs on the supply's side",
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
