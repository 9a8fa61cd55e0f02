"""A clamping diode on a supply or rail that conducts while the voltage is as it should be."""

from __future__ import annotations

from collections.abc import Iterator

from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study.study import Study
from wakeboard.instruments.quantity import show


def find(study: Study) -> Iterator[Concern]:
    """Only straight across: one behind a resistor makes a voltage, and is drawn to conduct."""
    for part in study.board.parts.values():
        volts = part.values.get("volts") if part.kind == "zener" else None
        if volts is None or part.pins["A"] != study.board.ground:
            continue
        net = part.pins["K"]
        for name, given, high in _given(study):
            if high >= float(volts) and (net == given or net in _behind(study, given)):
                yield Concern(
                    "rating", True, tuple(dict.fromkeys((net, given))), path=(part.name,), value=float(volts),
                    unit="V", weight=high / float(volts),
                    says=f"{part.name} clamps {net} at {show(float(volts), 'V')}, and {name} may be {show(high, 'V')}: "
                    "it conducts all the time",
                    do=f"choose one that clamps well above {show(high, 'V')} and below what the parts stand",
                )  # fmt: skip
                break


def _given(study: Study) -> Iterator[tuple[str, str, float]]:
    """(name, net, highest V) of each supply and rail."""
    for supply in study.board.supplies.values():
        yield supply.name, supply.net, supply.limits.high or supply.volts.nominal
    for rail in study.board.rails.values():
        if rail.limits is not None and rail.limits.high is not None:
            yield rail.name, rail.net, rail.limits.high


def _behind(study: Study, net: str) -> set[str]:
    """The nets that a fuse, a bead or a link joins to one."""
    found = {net}
    for part in study.board.parts.values():
        if part.kind in ("fuse", "ptc", "inductor") and net in part.pins.values():
            found |= set(part.pins.values())
    return found
