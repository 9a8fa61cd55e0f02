"""The configuration pins of a USB-C socket that takes power: each its own 5.1 kΩ to ground."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.standards import TYPE_C_RD, type_c_seen_as
from wakeboard.harness.review.study.study import Study
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.part import Part

PINS = ("CC1", "CC2")
NUMBERS = {"A5": "CC1", "B5": "CC2", "A4": "VBUS", "A9": "VBUS", "B4": "VBUS", "B9": "VBUS"}
"""The contacts of a socket by their numbers (USB Type-C, table 3-4; from memory)."""


def find(study: Study) -> Iterator[Concern]:
    for drawn in study.board.parts.values():
        part = _named(drawn)
        if part.kind == "connector" and any(pin in part.pins for pin in PINS) and _takes_power(study, part):
            if part.pins.get("CC1") == part.pins.get("CC2"):
                yield _shared(part)
                yield from _unseen(study, part)
            else:
                yield from (c for pin in PINS if pin in part.pins for c in _termination(study, part, pin))


def _named(part: Part) -> Part:
    """A socket whose contacts are named by their function, however they are drawn."""
    if part.kind != "connector" or not {"A5", "B5"} <= set(part.pins):
        return part
    return replace(part, pins={NUMBERS.get(pin, pin): net for pin, net in part.pins.items()})


def _takes_power(study: Study, part: Part) -> bool:
    """Not where its VBUS is a rail of the board: then it is a source, with pull-ups instead."""
    supplies = {supply.net for supply in study.board.supplies.values()}
    bus = part.pins.get("VBUS")
    return bus is None or bus in supplies or not study.rails_on(bus)


def _shared(part: Part) -> Concern:
    return Concern(
        "weak-pull", True, (part.pins["CC1"],), path=(part.name,),
        says=f"{part.name}: CC1 and CC2 share the net {part.pins['CC1']}; an electronically marked cable pulls the "
        "other one to ground as well, and no source switches on then (USB Type-C: a resistor for each)",
        do=f"give CC1 and CC2 a net and a resistor of {show(TYPE_C_RD, 'Ω')} to ground each",
    )  # fmt: skip


def _unseen(study: Study, part: Part) -> Iterator[Concern]:
    """With any cable: a sink that shares its resistor is seen with a plain one, and one that has none by nobody."""
    net, bus = part.pins["CC1"], part.pins.get("VBUS")
    ohms, others = _to_ground(study, net)
    if bus is not None and not _is_sink(ohms, others):
        yield Concern(
            "weak-pull", True, (bus, net), path=(part.name,), value=ohms, unit="Ω" if ohms else "", beyond=_off(ohms),
            says=f"{part.name}: {_found(net, ohms, others)}: no USB-C source gives {bus} power, with any cable",
            do=f"fit {show(TYPE_C_RD, 'Ω')} from each of CC1 and CC2 to ground, and nothing else",
        )  # fmt: skip


def _off(ohms: float | None) -> float | None:
    """How far a resistor is from what a sink has."""
    return None if ohms is None else abs(ohms - TYPE_C_RD)


def _is_sink(ohms: float | None, others: list[str]) -> bool:
    return not others and ohms is not None and type_c_seen_as(ohms) == ["default", "1.5 A", "3 A"]


def _found(what: str, ohms: float | None, others: list[str]) -> str:
    found = f"{what} sees {show(ohms, 'Ω')} to ground" if ohms else f"{what} has nothing to ground"
    return found + (f" and is pulled to {' and '.join(others)}" if others else "")


def _termination(study: Study, part: Part, pin: str) -> Iterator[Concern]:
    net = part.pins[pin]
    ohms, others = _to_ground(study, net)
    if _is_sink(ohms, others):
        return
    found = _found(f"{part.name}.{pin}", ohms, others)
    yield Concern(
        "weak-pull", True, (net,), path=(part.name,), value=ohms, unit="Ω" if ohms else "", beyond=_off(ohms),
        says=f"{found}: a USB-C source switches on for {show(TYPE_C_RD, 'Ω')} only",
        do=f"fit {show(TYPE_C_RD, 'Ω')} from {net} to ground" + (", and nothing else" if others else ""),
    )  # fmt: skip


def _to_ground(study: Study, net: str) -> tuple[float | None, list[str]]:
    """Ω to ground, and the other nets to which resistors lead."""
    siemens, others = 0.0, []
    for part in study.board.parts.values():
        nets = set(part.pins.values())
        if part.kind == "resistor" and net in nets:
            if study.board.ground in nets:
                siemens += 1 / max(float(part.values["value"]), 1e-3)
            else:
                others += sorted(nets - {net})
    return (1 / siemens if siemens else None), others
