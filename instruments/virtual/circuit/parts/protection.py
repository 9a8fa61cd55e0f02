"""Fuse, resettable fuse (ptc), switch, connector."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from ..draft import GROUND, Draft
from ..kind import Kind, Quantity
from ..part import Part, Value

if TYPE_CHECKING:
    from wakeboard.instruments.virtual.circuit.solver.transient import Probe

TWO = ("1", "2")
HEAT_S = 0.2  # time constant of a fuse element's heat


def _fuse(d: Draft) -> None:
    d.conductance("1", "2", 0.0 if d.value("blown") else 1 / d.positive("ohms"))


def _ptc(d: Draft) -> None:
    """Cold: `ohms`. Tripped: the heat that keeps it tripped, as a resistance."""
    d.resistance("1", "2", d.positive("tripped_ohms") if d.value("tripped") else d.positive("ohms"))


def _warm(probe: Probe, memory: dict[str, Any]) -> float:
    """Square of the current behind the element's heat filter, A²."""
    now, last = probe.time, memory.get("time", probe.time)
    share = min(1.0, (now - last) / HEAT_S)
    heat = memory.get("heat", 0.0)
    heat += (memory.get("square", 0.0) - heat) * share
    memory.update(time=now, heat=heat, square=probe.current("1") ** 2)
    return float(heat)


def _blow(part: Part, probe: Probe, memory: dict[str, object]) -> Mapping[str, Value]:
    rating = part.values.get("blows")
    if memory.get("blown") or (rating and _warm(probe, memory) > float(rating) ** 2):
        memory["blown"] = True
        return {"blown": True}
    return {}


def _trip(part: Part, probe: Probe, memory: dict[str, object]) -> Mapping[str, Value]:
    trip = part.values.get("trip")
    if not trip:
        return {}
    heat = _warm(probe, memory)
    if memory.get("tripped"):
        if probe.volts("1") - probe.volts("2") == 0 or abs(probe.volts("1") - probe.volts("2")) < 0.05:
            memory["tripped"] = False
    elif heat > float(trip) ** 2:
        memory["tripped"] = True
    return {"tripped": True} if memory.get("tripped") else {}


def _switch(d: Draft) -> None:
    d.conductance("1", "2", 1 / d.positive("ohms") if d.value("on") else 0.0)


def _connector(d: Draft) -> None:
    """A connector is where things meet; it conducts nothing of its own, but for a leak where one is given."""
    if d.value("leak_ohms") is not None:
        for pin in d.part.pins:
            d.resistance(pin, GROUND, d.positive("leak_ohms"))


KINDS = (
    Kind(
        "fuse",
        TWO,
        {
            "ohms": Quantity("Ω", 0.05, "cold resistance"),
            "blows": Quantity("A", None, "current above which it opens for good (time constant 0.2 s)"),
            "blown": Quantity("", False, "open"),
        },
        _fuse,
        "a fuse",
        short=(TWO,),
        main="ohms",
        faults=("missing", "short"),
        react=_blow,
    ),
    Kind(
        "ptc",
        TWO,
        {
            "ohms": Quantity("Ω", 0.2, "cold resistance"),
            "hold": Quantity("A", 0.5, "current that it carries for ever"),
            "trip": Quantity("A", None, "current above which it trips (time constant 0.2 s)"),
            "tripped_ohms": Quantity("Ω", 100.0, "resistance once tripped"),
            "tripped": Quantity("", False, "hot; it recovers once nothing drives it"),
        },
        _ptc,
        "a resettable fuse",
        short=(TWO,),
        main="ohms",
        faults=("missing", "short"),
        react=_trip,
    ),
    Kind(
        "switch",
        TWO,
        {"ohms": Quantity("Ω", 0.02, "contact resistance"), "on": Quantity("", False, "closed")},
        _switch,
        "a mechanical switch or relay contact",
        short=(TWO,),
        faults=("missing", "short"),
    ),
    Kind(
        "connector",
        (),
        {"leak_ohms": Quantity("Ω", None, "from each pin to ground: lets a net be solved that only capacitors reach")},
        _connector,
        "a connector: pins with names, no elements",
        any_pins=True,
        faults=(),
    ),
)
