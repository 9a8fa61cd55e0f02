"""What a fault does to a circuit, in the solver's terms."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from wakeboard.instruments.quantity import QuantityError, parse
from wakeboard.instruments.virtual.circuit.errors import CircuitError, nearest
from wakeboard.instruments.virtual.circuit.faults.fault import MENDED, Fault
from wakeboard.instruments.virtual.circuit.kind import Kind
from wakeboard.instruments.virtual.circuit.part import Circuit, Part, Value
from wakeboard.instruments.virtual.circuit.parts import kind_of

Place = str | tuple[str, str]
"""A net, or a part's pin."""
Extras = Sequence[tuple[Place, Place, float]]
"""Conductances that faults put between two places, S."""


def into(pin: tuple[str, str], extras: Extras, volts: Callable[[Place], float]) -> float:
    """A into a part through a pin by what faults put inside it; volts: of a place."""
    total = 0.0
    for a, b, siemens in extras:
        if pin in (a, b):
            there = b if a == pin else a
            total += siemens * (volts(pin) - volts(there))
    return total


"""A net by name, or a pin as (part, pin): wherever that pin sits."""

SHORT_SIEMENS = 100.0  # 10 mΩ: a solder short, or a part that failed short
STUCK_SIEMENS = 0.04  # 25 Ω: an output transistor that is always on


@dataclass(frozen=True)
class Effects:
    """values: overrides a part; moves: PART.PIN -> net; bridges: conductances (S) between two places."""

    values: Mapping[str, Mapping[str, Value]] = field(default_factory=dict)
    moves: Mapping[str, str] = field(default_factory=dict)
    bridges: tuple[tuple[Place, Place, float], ...] = ()


def effects(circuit: Circuit, fault: Fault) -> Effects:
    """The changes that a fault makes; CircuitError when it does not fit the circuit."""
    if fault.kind == MENDED:
        return _nothing(circuit, fault)
    if fault.kind == "bridge":
        first, second = bridged(circuit, fault)
        return Effects(bridges=((first, second, 1 / fault.ohms),))
    part = circuit.part(fault.part)
    if fault.on_pin:
        part.net(fault.pin)
        return _of_pin(circuit, part, fault)
    return _of_part(part, kind_of(part), fault)


def _nothing(circuit: Circuit, fault: Fault) -> Effects:
    """A repair: no change of its own, but its place must be there."""
    if fault.on_nets:
        bridged(circuit, fault)
    elif fault.on_pin:
        circuit.part(fault.part).net(fault.pin)
    else:
        circuit.part(fault.part)
    return Effects()


def bridged(circuit: Circuit, fault: Fault) -> tuple[str, str]:
    """The two nets of a bridge: the split at a "+" where both sides are nets."""
    text = fault.target
    splits = [(text[:k], text[k + 1 :]) for k in range(1, len(text) - 1) if text[k] == "+"]
    good = [pair for pair in splits if pair[0] in circuit.nets and pair[1] in circuit.nets]
    if len(good) == 1 and good[0][0] != good[0][1]:
        return good[0]
    if good:
        raise CircuitError(f"{fault}: joins a net to itself, or can be split in more than one way")
    unknown = next(side for pair in splits for side in pair if side not in circuit.nets)
    raise CircuitError(f"{fault}: no net {unknown!r} in the circuit{nearest(unknown, circuit.nets)}")


def rail_pin(part: Part, pin: str) -> str:
    """The supply pin that a hidden pull of `pin` goes up to."""
    rail = part.values.get("io", {}).get(pin, {}).get("rail")
    if rail is None and part.kind == "chip":
        supply = part.values.get("supply", {})
        rail = "VDD" if "VDD" in part.pins else next(iter(supply), None)
    rail = rail or kind_of(part).pulls_to
    if rail is None or rail not in part.pins or rail == pin:
        raise CircuitError(f"{part.name}.{pin}: the part has no supply pin that it could be pulled up to", [part.name])
    return str(rail)


def _of_pin(circuit: Circuit, part: Part, fault: Fault) -> Effects:
    pin, here = fault.pin, (part.name, fault.pin)
    ground = part.ground_pin if part.kind == "chip" else "GND" if "GND" in part.pins else None
    below: Place = (part.name, ground) if ground is not None and pin != ground else circuit.ground
    match fault.kind:
        case "open":
            return Effects(moves={fault.target: f"(lifted {fault.target})"})
        case "net":
            if fault.argument not in circuit.nets:
                raise CircuitError(
                    f"{fault}: no net {fault.argument!r} in the circuit{nearest(fault.argument, circuit.nets)}"
                )
            return Effects(moves={fault.target: fault.argument})
        case "pull_up":
            return Effects(bridges=((here, (part.name, rail_pin(part, pin)), 1 / fault.ohms),))
        case "pull_down":
            return Effects(bridges=((here, below, 1 / fault.ohms),))
        case _:
            to = (part.name, rail_pin(part, pin)) if fault.argument == "high" else below
            return Effects(bridges=((here, to, STUCK_SIEMENS),))


def _of_part(part: Part, kind: Kind, fault: Fault) -> Effects:
    match fault.kind:
        case "open" | "missing":
            return Effects(values={part.name: {"missing": True}})
        case "short":
            return Effects(bridges=_short(part, kind, fault))
        case "reversed":
            return _reversed(part, kind, fault)
        case "dead":
            if "dead" not in kind.values:
                raise CircuitError(f"{fault}: a {kind.name} is not something that goes dead", [part.name])
            return Effects(values={part.name: {"dead": True}})
        case _:
            return Effects(values={part.name: {_main(part, kind, fault): _number(part, kind, fault)}})


def short_pins(part: Part, kind: Kind) -> tuple[tuple[str, str], ...]:
    """The pin pairs that an internal short joins: a chip's is its supply to ground."""
    if part.kind == "chip":
        supply, ground = next(iter(part.values.get("supply", {})), None), part.ground_pin
        return ((supply, ground),) if supply and ground else ()
    return tuple(pair for pair in kind.short if pair[0] in part.pins and pair[1] in part.pins)


def _short(part: Part, kind: Kind, fault: Fault) -> tuple[tuple[Place, Place, float], ...]:
    pairs = short_pins(part, kind)
    if not pairs:
        raise CircuitError(f"{fault}: a {kind.name} has no two pins that it could short", [part.name])
    return tuple(((part.name, a), (part.name, b), SHORT_SIEMENS) for a, b in pairs)


def _reversed(part: Part, kind: Kind, fault: Fault) -> Effects:
    if "reversed" in kind.values:
        return Effects(values={part.name: {"reversed": True}})
    if not kind.mirrored:
        raise CircuitError(f"{fault}: turning a {kind.name} round changes nothing", [part.name])
    return Effects(moves={f"{part.name}.{pin}": part.pins[other] for pin, other in kind.mirrored.items()})


def _main(part: Part, kind: Kind, fault: Fault) -> str:
    if kind.main is None:
        raise CircuitError(f"{fault}: a {kind.name} has no single value to be wrong", [part.name])
    return kind.main


def _number(part: Part, kind: Kind, fault: Fault) -> float:
    unit = kind.values[_main(part, kind, fault)].unit
    try:
        found = parse(fault.argument, unit)
    except QuantityError as error:
        raise CircuitError(f"{fault}: {error}", [part.name]) from None
    if found <= 0:
        raise CircuitError(f"{fault}: must be above zero", [part.name])
    return found
