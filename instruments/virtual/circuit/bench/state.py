"""From a state of the bench to what it sets in the circuit, and from one test to what it sets and moves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import inf
from typing import Protocol

from ..part import Value
from . import figures
from .parts import METER, probe_name, supply_name

Values = dict[str, Value]


class Setting(Protocol):
    """A bench state. supplies: name -> (V, limit in A), those that are on; pins: "PART.PIN" -> the level it drives."""

    @property
    def supplies(self) -> Mapping[str, tuple[float, float]]: ...
    @property
    def pins(self) -> Mapping[str, str]: ...


@dataclass(frozen=True)
class Placement:
    """What a test sets, and where it puts leads: to be added to what a state sets."""

    values: Mapping[str, object]
    moves: Mapping[str, str] = field(default_factory=dict)


def state_values(state: Setting) -> Values:
    """The values of the circuit in a bench state. Supplies that it does not name stay off, pins undriven."""
    values: Values = {}
    for name, (volts, limit) in state.supplies.items():
        part = supply_name(name)
        values.update({f"{part}.on": True, f"{part}.volts": volts, f"{part}.limit": limit})
    values.update({f"{pin}.drive": level for pin, level in state.pins.items()})
    return values


def loaded(net: str, ohms: float = figures.VOLTMETER_OHMS) -> Values:
    """A resistor, or a voltmeter's input, from a net to ground."""
    return {f"{probe_name(net)}.on": True, f"{probe_name(net)}.value": ohms}


@dataclass(frozen=True)
class OhmsTest:
    """An unpowered resistance test of a net: A, the most V that the meter puts out, leads reversed or not, Ω of a known
    resistor across the net meanwhile."""

    net: str
    amps: float
    open_volts: float = figures.OPEN_VOLTS
    swapped: bool = False
    shunt: float | None = None

    def placed(self) -> Placement:
        """What it sets and moves. The meter's current runs out of its HI lead."""
        values: Values = {f"{METER}.test_amps": self.amps, f"{METER}.compliance_volts": self.open_volts}
        if self.shunt is not None:
            values |= loaded(self.net, self.shunt)
        return Placement(values, {f"{METER}.{'LO' if self.swapped else 'HI'}": self.net})

    def ohms(self, volts: float) -> float:
        """What the meter shows, the known resistor taken out, where the net stands at `volts`; inf for an open end."""
        across = -volts if self.swapped else volts
        if across > figures.OPEN_SHARE * self.open_volts:
            return inf
        if self.shunt is None or not across > 0:
            return across / self.amps
        siemens = self.amps / across - 1 / self.shunt
        return 1 / siemens if siemens > 0 else inf
