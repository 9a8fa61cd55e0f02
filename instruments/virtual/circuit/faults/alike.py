"""Which faults are one and the same to a circuit that has settled.

    alike(circuit, [parse_fault("C3:missing")]) == alike(circuit, [])          no operating point tells them apart

A fault is compared by the elements that it makes of its parts, without what only holds charge or flux: at rest a
capacitor is its leakage and a coil its winding. What it joins and where it puts pins counts as it is.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping

from wakeboard.instruments.virtual.circuit.draft import Draft
from wakeboard.instruments.virtual.circuit.faults.effects import Place, effects
from wakeboard.instruments.virtual.circuit.faults.fault import Fault
from wakeboard.instruments.virtual.circuit.part import Circuit, Part, Value
from wakeboard.instruments.virtual.circuit.parts import kind_of

STORES = ("farads", "henries")  # parameters of elements that no operating point depends on


def alike(circuit: Circuit, faults: Iterable[Fault]) -> Hashable:
    """Equal for sets of faults that give the same equations at rest. CircuitError for one that does not fit."""
    values: dict[str, dict[str, Value]] = {}
    moves: dict[str, str] = {}
    joined: list[tuple[Place, Place, float]] = []
    for fault in faults:
        effect = effects(circuit, fault)
        for name, changed in effect.values.items():
            values.setdefault(name, {}).update(changed)
        moves.update(effect.moves)
        joined += effect.bridges
    between = sorted((_joint(circuit, bridge, moves) for bridge in joined), key=repr)
    parts = {name: _made(circuit.part(name), changed) for name, changed in values.items()}
    other = frozenset((name, made) for name, made in parts.items() if made != _made(circuit.part(name), {}))
    return other, frozenset(moves.items()), tuple(between)


def _joint(circuit: Circuit, bridge: tuple[Place, Place, float], moves: Mapping[str, str]) -> Hashable:
    """The nets that a bridge joins, whichever parts' pins it is at; a pin that was moved stands for itself."""
    ends = [
        end if isinstance(end, str) or ".".join(end) in moves else circuit.part(end[0]).net(end[1])
        for end in bridge[:2]
    ]
    return frozenset(ends), bridge[2]


def _made(part: Part, changed: Mapping[str, Value]) -> Hashable:
    """What a part becomes. A chip is compared by its settings: what its pins do may be changed later."""
    return frozenset(changed.items()) if kind_of(part).nested else _elements(part, changed)


def _elements(part: Part, changed: Mapping[str, Value]) -> Hashable:
    """Device, ports and resting parameters of each element that a part is made of."""
    kind = kind_of(part)
    defaults = {name: quantity.default for name, quantity in kind.values.items() if quantity.default is not None}
    draft = Draft(part, changed, defaults)
    kind.expand(draft)
    return tuple(
        (
            element.device.name,
            element.ports,
            tuple(v for p, v in zip(element.device.parameters, element.values, strict=True) if p not in STORES),
        )
        for element in draft.elements
    )
