"""The bench's own parts at a board's circuit, and their names.

A bench supply stands across each supply's net; a probe (a switched resistor to ground) at each net is a voltmeter's
input or a known resistor there; one meter is moved to where it is needed. Everything is off until a state sets it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

from ..part import Circuit, Part, Value
from . import figures

METER: Final = "meter"
_SUPPLY: Final = "bench_"


def supply_name(supply: str) -> str:
    """The part that stands for the bench supply at a board's supply."""
    return f"{_SUPPLY}{supply}"


def is_supply(part: str) -> bool:
    """Whether a part is a bench supply, or a path to a value is one's."""
    return part.startswith(_SUPPLY)


def probe_name(net: str) -> str:
    """The part that stands for what is put from a net to ground: a voltmeter's input, a known resistor."""
    return f"probe_{net}"


def supply(name: str, net: str, ground: str, **values: Value) -> Part:
    """A bench supply across a board's supply: off, unless `values` say otherwise."""
    off: dict[str, Value] = {"volts": 0.0, "on": False}
    return Part(supply_name(name), "bench_supply", {"P": net, "N": ground}, {**off, **values})


def supplies(nets: Mapping[str, str], ground: str, **values: Value) -> list[Part]:
    """One for each supply of the board; nets: supply -> net."""
    return [supply(name, net, ground, **values) for name, net in nets.items()]


def probes(nets: Iterable[str], ground: str) -> list[Part]:
    """A probe for each net, open. Ground has one too, that does nothing: a board has test points there as well."""
    open_one: dict[str, Value] = {"value": figures.VOLTMETER_OHMS, "on": False}
    return [Part(probe_name(net), "bleed", {"1": net, "2": ground}, open_one) for net in nets]


def meter(ground: str, idle: str | None = None, ohms: float = figures.NO_INPUT_OHMS) -> Part:
    """The meter, its leads nowhere: both on ground, or the plus one on `idle`."""
    return Part(METER, "meter", {"HI": idle or ground, "LO": ground}, {"ohms": ohms})


def powered(circuit: Circuit, nets: Mapping[str, str], **values: Value) -> Circuit:
    """The circuit with its bench supplies, and nothing else."""
    return circuit.plus(*supplies(nets, circuit.ground, **values))


def on_bench(circuit: Circuit, nets: Mapping[str, str], *, probed: Iterable[str] | None = None) -> Circuit:
    """The circuit with its supplies, a probe at each of the `probed` nets (None: every net), and the meter."""
    at = sorted(circuit.nets) if probed is None else list(probed)
    return powered(circuit, nets).plus(*probes(at, circuit.ground), meter(circuit.ground))
