"""What a fault does to a circuit, in the solver's terms."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from .fault import Fault
from .part import Circuit, Value

Place = str | tuple[str, str]
"""A net by name, or a pin as (part, pin): wherever that pin sits."""


@dataclass(frozen=True)
class Effects:
    """values: overrides a part; moves: PART.PIN -> net; bridges: conductances (S) between two places."""

    values: Mapping[str, Mapping[str, Value]] = field(default_factory=dict)
    moves: Mapping[str, str] = field(default_factory=dict)
    bridges: tuple[tuple[Place, Place, float], ...] = ()


def effects(circuit: Circuit, fault: Fault) -> Effects:
    """The changes that a fault makes; CircuitError when it does not fit the circuit."""
    raise NotImplementedError
