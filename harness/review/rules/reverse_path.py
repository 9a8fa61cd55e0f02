"""A transistor that should stop a supply connected the wrong way round, drawn the other way round itself."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study.study import Study
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.part import Part

BACKWARDS = 0.5  # V that a polarised capacitor stands the wrong way round; common practice, no source
BODY = 0.4  # V across a body diode from which it conducts
SIGNAL = 20e-6  # A through the body diode of one that passes a signal: what pull-ups bring, and more than a leak


def find(study: Study) -> Iterator[Concern]:
    for part in study.board.parts.values():
        if part.kind == "mosfet":
            yield from _turned(study, part)
            yield from _through_body(study, part)
            yield from _never_off(study, part)
            yield from _tied_to_drain(study, part)
        elif part.kind == "bjt":
            yield from _exchanged(study, part)
        elif part.kind == "zener":
            yield from _forward(study, part)
        elif part.kind == "led":
            yield from _backwards(study, part)
        elif part.kind == "capacitor" and part.values.get("polarised"):
            yield from _polarised(study, part)


def _polarised(study: Study, part: Part) -> Iterator[Concern]:
    """An electrolytic or tantalum capacitor whose pin 2 stands above its pin 1."""
    above = study.points.pin_volts(part.name, "2") - study.points.pin_volts(part.name, "1")
    k = max((k for k, _ in study.undriven()), key=above.__getitem__, default=None)
    if k is not None and above[k] > BACKWARDS:
        nets = (part.pins["2"], part.pins["1"])
        yield Concern(
            "reverse-path", True, nets if nets[0] != study.board.ground else nets[::-1], path=(part.name,),
            state=study.cases[k].state, value=float(above[k]), unit="V", weight=float(above[k]),
            says=f"{part.name} is polarised and stands {show(float(above[k]), 'V')} the wrong way round: its pin 1, "
            f"the plus, is on {part.pins['1']}", do=f"turn {part.name} round",
        )  # fmt: skip


def _turned(study: Study, part: Part) -> Iterator[Concern]:
    """One whose gate is tied down for good carries current all the time: its body diode has to point along it."""
    if not _gate_is_tied(study, part) or part.values.get("channel") != "p":
        return
    into_source = study.points.current(part.name, "S")
    k = int(np.argmax(into_source))
    supplies = {supply.net for supply in study.board.supplies.values()}
    if into_source[k] > 1e-3 and _leads_to(study, part.pins["S"], supplies):
        yield Concern(
            "reverse-path", True, (part.pins["D"], part.pins["S"]), path=(part.name,), state=study.cases[k].state,
            says=f"{part.name} lies in the supply's path with its gate tied down and its body diode against the "
            "current: it passes a supply connected the wrong way round as well as the right one",
            do=f"draw {part.name} the other way round: the drain belongs on the supply's side",
        )  # fmt: skip


def _through_body(study: Study, part: Part) -> Iterator[Concern]:
    """One that switches a load and conducts through its body diode while its gate holds it off."""
    power = {study.board.ground, *(r.net for r in study.board.rails.values())}
    power |= {s.net for s in study.board.supplies.values()}
    if {part.pins["S"], part.pins["D"]} <= power:  # between rails: what is fed there is told as that
        return
    sign = -1.0 if part.values.get("channel") == "p" else 1.0
    volts = {pin: study.points.pin_volts(part.name, pin) for pin in ("G", "S", "D")}
    drive, body = sign * (volts["G"] - volts["S"]), sign * (volts["S"] - volts["D"])
    amps = np.abs(study.points.current(part.name, "S"))
    threshold = abs(float(part.values.get("threshold", 1.0)))
    least = SIGNAL if {part.pins["S"], part.pins["D"]}.isdisjoint(power) else 1e-3
    found = np.where((drive < threshold / 2) & (body > BODY) & (amps > least), amps, 0.0)
    k = int(np.argmax(found))
    if found[k] > 0.0:
        nets = [part.pins[pin] for pin in ("S", "D") if part.pins[pin] not in power]
        yield Concern(
            "reverse-path", True, (*nets, part.pins["G"]), path=(part.name,), state=study.cases[k].state,
            value=float(found[k]), unit="A", weight=float(found[k]),
            says=f"{part.name} is off and conducts {show(float(found[k]), 'A')} through its body diode",
            do=f"exchange drain and source of {part.name}",
        )  # fmt: skip


def _never_off(study: Study, part: Part) -> Iterator[Concern]:
    """One whose body diode leads from a rail to what it should switch: off, it conducts all the same."""
    low = part.values.get("channel") == "p"
    anode, cathode = (part.pins[pin] for pin in (("D", "S") if low else ("S", "D")))
    high = {*(r.net for r in study.board.rails.values()), *(s.net for s in study.board.supplies.values())}
    if anode not in high or cathode in high or cathode == study.board.ground or _back_to_back(study, part, cathode):
        return
    if max(b - a for a, b in zip(study.volts(anode), study.volts(cathode), strict=True)) > BODY:
        return  # power comes from there
    if not _held_off(study, part, anode):
        return  # it passes the supply all the time, as one that blocks a supply the wrong way round does
    yield Concern(
        "reverse-path", True, (cathode, anode), path=(part.name,),
        says=f"{part.name}'s body diode leads from {anode} to {cathode}: switched off, it conducts all the same",
        do=f"exchange drain and source of {part.name}",
    )  # fmt: skip


def _tied_to_drain(study: Study, part: Part) -> Iterator[Concern]:
    """One whose gate resistor leads to its drain: what should hold it off goes to the source."""
    ends = [set(o.pins.values()) for o in study.board.parts.values() if o.kind == "resistor"]
    to = {other for each in ends if part.pins["G"] in each for other in each - {part.pins["G"]}}
    if part.pins["D"] in to and part.pins["S"] not in to and study.board.ground not in to | {part.pins["S"]}:
        yield Concern(
            "reverse-path", True, (part.pins["D"], part.pins["S"]), path=(part.name,),
            says=f"the resistor at {part.name}'s gate goes to its drain {part.pins['D']}: that holds it off only with "
            "the source there; as drawn its body diode conducts whatever the gate does",
            do=f"exchange drain and source of {part.name}",
        )  # fmt: skip


def _held_off(study: Study, part: Part, net: str) -> bool:
    """Whether its gate holds it off in some state in which a net is up."""
    sign = -1.0 if part.values.get("channel") == "p" else 1.0
    gate, source = (study.points.pin_volts(part.name, pin) for pin in ("G", "S"))
    off = sign * (gate - source) < abs(float(part.values.get("threshold", 1.0))) / 2
    return bool(np.any(off & (np.array(study.volts(net)) > BODY)))


def _back_to_back(study: Study, part: Part, net: str) -> bool:
    """Whether a second transistor with its body diode the other way follows, to something that may be up."""
    for other in study.board.parts.values():
        if other.kind == "mosfet" and other is not part and net in (other.pins["S"], other.pins["D"]):
            far = next((other.pins[pin] for pin in ("S", "D") if other.pins[pin] != net), net)
            if far == study.board.ground or not _held_up(study, far):
                continue
            return True
    return False


def _exchanged(study: Study, part: Part) -> Iterator[Concern]:
    """A switching transistor whose collector is on the side that its emitter belongs to."""
    board = study.board
    high = {*(r.net for r in board.rails.values()), *(s.net for s in board.supplies.values())}
    common = high if part.values.get("type") == "pnp" else {board.ground}
    if part.pins["C"] in common and part.pins["E"] not in {board.ground, *high}:
        if part.values.get("type") != "pnp" and _held_up(study, part.pins["E"]) is False:
            return
        yield Concern(
            "reverse-path", True, (part.pins["E"], part.pins["C"]), path=(part.name,),
            says=f"{part.name}'s collector is on {part.pins['C']} and its emitter on {part.pins['E']}: it hardly "
            "amplifies that way round, and its base junction breaks down at some 5 V",
            do=f"exchange collector and emitter of {part.name}",
        )  # fmt: skip


def _held_up(study: Study, net: str) -> bool:
    """Whether a net stands above ground in some state."""
    return max(study.volts(net)) > BODY


def _forward(study: Study, part: Part) -> Iterator[Concern]:
    """A zener diode that conducts forward in a state of the design as drawn."""
    amps = study.points.current(part.name, "A")
    k = int(np.argmax(amps))
    if amps[k] > 1e-3:
        yield Concern(
            "reverse-path", True, (part.pins["A"], part.pins["K"]), path=(part.name,), state=study.cases[k].state,
            value=float(amps[k]), unit="A", weight=float(amps[k]),
            says=f"{part.name} conducts {show(float(amps[k]), 'A')} forward and holds {part.pins['A']} at "
            f"{show(float(study.points.net(part.pins['A'])[k]), 'V')}: it is drawn the wrong way round",
            do=f"exchange anode and cathode of {part.name}",
        )  # fmt: skip


def _backwards(study: Study, part: Part) -> Iterator[Concern]:
    """An LED that has voltage across it the wrong way only."""
    volts = study.points.pin_volts(part.name, "A") - study.points.pin_volts(part.name, "K")
    k = int(np.argmin(volts))
    if volts[k] < -BODY and float(volts.max()) < BODY:
        yield Concern(
            "reverse-path", False, (part.pins["A"], part.pins["K"]), path=(part.name,), state=study.cases[k].state,
            value=float(volts[k]), unit="V", weight=-float(volts[k]),
            says=f"{part.name} has {show(-float(volts[k]), 'V')} across it backwards and never lights: it is drawn the "
            "wrong way round", do=f"exchange anode and cathode of {part.name}",
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
