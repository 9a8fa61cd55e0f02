"""The single faults that assemblers and designers really make, part by part.

What each kind can suffer is the kind's own data (Kind.faults, short, mirrored, main); which of them are likely is the
priors' business, by Fault.category. Order is that of the circuit, so that two runs list the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import pairwise

from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.errors import CircuitError
from wakeboard.instruments.virtual.circuit.faults.effects import effects, rail_pin, short_pins
from wakeboard.instruments.virtual.circuit.faults.fault import Fault
from wakeboard.instruments.virtual.circuit.part import Circuit, Part
from wakeboard.instruments.virtual.circuit.parts import kind_of

PULL_OHMS = ("5k", "13k", "40k", "100k")  # hidden pulls: from a radio's reset pin to a processor's weak pull
BRIDGE_OHMS = "0.5"  # a solder bridge, both joints and its own length
MOVABLE = ("resistor", "capacitor")  # a small part on a wrong pad next to its own


def library(
    circuit: Circuit,
    adjacent: Iterable[Sequence[str]] = (),
    control_nets: Iterable[str] = (),
    variants: Mapping[str, Sequence[str]] | None = None,
) -> list[Fault]:
    """Every single fault worth trying, each part's by its own name. Each one has been checked to fit the circuit.

    adjacent: pairs of nets that run side by side. control_nets: where hidden pulls are tried. variants: part ->
    texts of look-alikes' values (a part's own value "variants" counts as well).
    """
    pairs = [(str(pair[0]), str(pair[1])) for pair in adjacent]
    found: dict[str, Fault] = {}
    for fault in _all(circuit, pairs, list(control_nets), variants or {}):
        found.setdefault(_key(circuit, fault), fault)
    return list(found.values())


def _key(circuit: Circuit, fault: Fault) -> str:
    """What makes two faults one: the same nets bridged from two sides. Faults of different parts stay apart, whether or
    not a circuit can tell them (alike.py): whoever repairs the board must know which parts it could be."""
    if fault.kind == "bridge":
        from wakeboard.instruments.virtual.circuit.faults.effects import bridged

        return "+".join(sorted(bridged(circuit, fault))) + f"={fault.argument}"
    effects(circuit, fault)
    return str(fault)


def _all(
    circuit: Circuit, adjacent: list[tuple[str, str]], control: list[str], variants: Mapping[str, Sequence[str]]
) -> Iterator[Fault]:
    for part in circuit.parts:
        if _fitted(part):
            yield from _of_part(part, variants.get(part.name, ()))
            yield from _of_undescribed(circuit, part)
    for net in control:
        yield from _hidden_pulls(circuit, net)
    for part in circuit.parts:
        if _fitted(part):
            yield from _neighbours(circuit, part)
    for a, b in adjacent:
        yield Fault(f"{a}+{b}", "bridge", BRIDGE_OHMS)
        yield from _wrong_pads(circuit, a, b)


def _fitted(part: Part) -> bool:
    """Somebody fits it to the board, and can fit it wrong."""
    kind = kind_of(part)
    return not kind.bench and not kind.ideal


def _of_part(part: Part, look_alikes: Sequence[str]) -> Iterator[Fault]:
    kind = kind_of(part)
    for word in kind.faults:
        if word == "short" and (not short_pins(part, kind) or _joined(part, short_pins(part, kind))):
            continue
        if word == "reversed" and len(set(part.pins.values())) < 2:
            continue
        yield Fault(part.name, word)
    if part.kind == "capacitor" and part.values.get("polarised"):
        yield Fault(part.name, "reversed")
    if part.kind in ("resistor", "inductor", "capacitor") and kind.main:
        value = float(part.values[kind.main])
        unit = kind.values[kind.main].unit
        for factor in (0.1, 10.0):
            if value * factor > 1e-13 and value >= 1e-12:
                yield Fault(part.name, "value", show(value * factor, unit))
    own = part.values.get("variants", ())
    for text in (*own, *look_alikes):
        unit = kind.values[kind.main].unit if kind.main else ""
        yield Fault(part.name, "variant", text if isinstance(text, str) else show(float(text), unit))
    if part.kind == "chip":
        yield from _of_chip(part)


def _of_undescribed(circuit: Circuit, part: Part) -> Iterator[Fault]:
    """A part that nobody has described may hold a net low; one of two pins is no chip."""
    for pin in part.undescribed if len(part.pins) > 2 else ():
        if part.pins[pin] != circuit.ground:
            yield Fault(f"{part.name}.{pin}", "stuck", "low")


def _joined(part: Part, pairs: Iterable[tuple[str, str]]) -> bool:
    return all(part.net(a) == part.net(b) for a, b in pairs)


def _of_chip(part: Part) -> Iterator[Fault]:
    if short_pins(part, kind_of(part)):
        yield Fault(part.name, "short")
    for pin, entry in part.values.get("io", {}).items():
        yield Fault(f"{part.name}.{pin}", "open")
        if entry.get("type", "io") in ("io", "output", "open_drain"):
            for level in ("low",) if entry.get("type") == "open_drain" else ("high", "low"):
                yield Fault(f"{part.name}.{pin}", "stuck", level)
    for pin in part.values.get("supply", {}):
        yield Fault(f"{part.name}.{pin}", "open")


def _hidden_pulls(circuit: Circuit, net: str) -> Iterator[Fault]:
    """Pulls inside each chip on a control net: up to its rail, and to ground."""
    for text in circuit.on_net(net):
        part, pin = circuit.pin(text)
        if part.kind != "chip" or pin not in part.values.get("io", {}):
            continue
        try:
            rail = part.net(rail_pin(part, pin))
        except CircuitError:
            continue
        if rail != net:
            yield from (Fault(text, "pull_up", value) for value in PULL_OHMS)
        yield from (Fault(text, "pull_down", value) for value in PULL_OHMS)


def _neighbours(circuit: Circuit, part: Part) -> Iterator[Fault]:
    """Bridges between pins that follow one another on a part of three pins or more, in the order they are written."""
    pins = list(part.pins)
    if len(pins) < 3:
        return
    for first, second in pairwise(pins):
        a, b = part.net(first), part.net(second)
        if a != b:
            yield Fault(f"{a}+{b}", "bridge", BRIDGE_OHMS)


def _wrong_pads(circuit: Circuit, a: str, b: str) -> Iterator[Fault]:
    """A small part one pad off: its pin on the adjacent net instead of its own."""
    for here, there in ((a, b), (b, a)):
        if here == circuit.ground:
            continue
        for text in circuit.on_net(here):
            part, _ = circuit.pin(text)
            if part.kind in MOVABLE and there not in part.pins.values():
                yield Fault(text, "net", there)
