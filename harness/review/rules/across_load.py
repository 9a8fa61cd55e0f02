"""A diode that should catch what a coil or a motor gives back when switched off: the other way round, or left out."""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np

from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study.study import Study
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.part import Part

LOADS = ("load", "motor", "speaker", "inductor")
SWITCHES = ("mosfet", "bjt")
CATCH = ("diode", "schottky", "zener", "esd_array")
COIL = re.compile(r"\b(coil|relay|valve|solenoid|electromagnet|contactor|magnet)", re.IGNORECASE)
CONDUCTS = 1e-3  # A from which it is no leakage


def find(study: Study) -> Iterator[Concern]:
    yield from _uncaught(study)
    loads = [part for part in study.board.parts.values() if part.kind in LOADS]
    for diode in study.board.parts.values():
        if diode.kind in ("diode", "schottky"):
            for load in loads:
                if set(load.pins.values()) == set(diode.pins.values()):
                    yield from (
                        _conducting(study, diode, load) if _ever_on(study, load) else _forward(study, diode, load)
                    )


def _uncaught(study: Study) -> Iterator[Concern]:
    """A motor or coil that one transistor switches, with no diode on the switched side to catch what it gives back."""
    parts = list(study.board.parts.values())
    fixed = {study.board.ground, *(rail.net for rail in study.board.rails.values())}
    for motor in (part for part in parts if part.kind == "motor" or _is_coil(study, part)):
        for net in set(motor.pins.values()) - fixed:
            on_net = [part for part in parts if net in part.pins.values()]
            switch = next((p for p in on_net if net in (p.pins.get("D"), p.pins.get("C")) and p.kind in SWITCHES), None)
            if (
                switch
                and not _bridged(on_net, net)
                and not any(p.kind in (*CATCH, "chip", "capacitor") for p in on_net)
            ):
                yield Concern(
                    "rating", True, (net,), path=(switch.name, motor.name),
                    says=f"nothing catches what {motor.name} gives back when {switch.name} switches it off: {net} "
                    f"rises until {switch.name} breaks down",
                    do=f"fit a diode across {motor.name}, its cathode on the side of the supply",
                )  # fmt: skip


def _is_coil(study: Study, part: Part) -> bool:
    """Whether a load is said to be one that keeps its current when it is switched off."""
    return part.kind == "load" and COIL.search(study.board.note(part.name).says) is not None


def _bridged(on_net: list[Part], net: str) -> bool:
    """Whether two MOSFETs stand on a net, one to each side: the body diode of the other catches what one lets go."""
    fets = [part for part in on_net if part.kind == "mosfet"]
    others = {side for part in fets for side in (part.pins["D"], part.pins["S"])} - {net}
    return len(fets) > 1 and len(others) > 1


def _ever_on(study: Study, load: Part) -> bool:
    """Whether a load carries current in any state that was drawn."""
    return any(float(np.abs(study.points.current(load.name, pin)).max()) > CONDUCTS for pin in load.pins)


def _forward(study: Study, diode: Part, load: Part) -> Iterator[Concern]:
    """One across a load that no drawn state switches on: it would conduct with the transistor that pulls it down."""
    rails = {rail.net for rail in study.board.rails.values()}
    anode, cathode = diode.pins["A"], diode.pins["K"]
    for switch in study.board.parts.values():
        low = switch.kind in SWITCHES and "p" not in (switch.values.get("channel"), str(switch.values.get("type"))[:1])
        pulled = (switch.pins.get("C"), switch.pins.get("E")) if switch.kind == "bjt" else (
            switch.pins.get("D"), switch.pins.get("S"))  # fmt: skip
        if low and anode in rails and pulled == (cathode, study.board.ground):
            yield Concern(
                "reverse-path", True, (cathode, anode), path=(diode.name, load.name),
                says=f"{diode.name} lies across {load.name} with its anode on {anode}: it conducts as soon as "
                f"{switch.name} is on, and {load.name} is shorted",
                do=f"turn {diode.name} round: it conducts only when {load.name} is let go",
            )  # fmt: skip
            return


def _conducting(study: Study, diode: Part, load: Part) -> Iterator[Concern]:
    amps = study.points.current(diode.name, "A")
    k = int(np.argmax(amps))
    if amps[k] > CONDUCTS:
        yield Concern(
            "reverse-path", True, tuple(diode.pins.values()), path=(diode.name, load.name), state=study.cases[k].state,
            value=float(amps[k]), unit="A", weight=float(amps[k]),
            says=f"{diode.name} lies across {load.name} and conducts {show(float(amps[k]), 'A')} while it is switched "
            f"on: {load.name} is shorted", do=f"turn {diode.name} round: it conducts only when {load.name} is let go",
        )  # fmt: skip
