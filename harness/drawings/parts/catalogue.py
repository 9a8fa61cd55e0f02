"""The catalogue of part kinds, made from the kinds themselves: pins, keys with units and defaults, an example."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

from wakeboard.harness.describe.board.parts import RATINGS, nested_schema
from wakeboard.instruments.quantity import show

if TYPE_CHECKING:
    from wakeboard.instruments.virtual.circuit.kind import Kind, Quantity

_EXAMPLES: Final = {
    "value": {"Ω": '"4k7"', "F": '"100 nF"', "H": '"10 µH"'},
    "volts": {"V": '"3.3 V ± 2 %"'},
    "threshold": {"V": '"2.93 V ± 2 %"'},
}
_SAMPLE: Final = {
    "V": '"3.3 V"',
    "A": '"100 mA"',
    "Ω": '"1 kΩ"',
    "F": '"1 µF"',
    "H": '"10 µH"',
    "W": '"1 W"',
    "": '"…"',
}
_CHIP: Final = (
    "[parts.U1]",
    'kind = "chip"',
    'pins = { VDD = "+3V3", GND = "GND", RST = "RESET" }',
    'supply = { VDD = { draws = "8 mA", above = "1.8 V" } }',
    "[parts.U1.io]",
    'RST = { type = "input", pull_up = "40k ± 25 %" }',
)


def lines(kind: Kind) -> Iterator[str]:
    """A kind in full, for a terminal."""
    yield f"{kind.name}: {kind.says}"
    named = [f"{pin} (optional)" if pin in kind.optional else pin for pin in kind.pins]
    pins = "any, by name" if kind.any_pins else ", ".join(named)
    yield f"  pins: {pins}"
    for name, quantity in kind.values.items():
        yield f"  {name:<18} {_default(quantity):<12} {quantity.says}"
    for table in kind.nested:
        yield f"  [{table}] for each pin: {', '.join(_nested(table))}"
    if kind.main:
        yield f"  tolerance, variants: of {kind.main}"
    yield f"  max: {', '.join(f'{word} ({unit})' for word, unit in RATINGS.items())}; place, says: text"
    yield "  example:"
    for row in example(kind):
        yield f"    {row}"


def example(kind: Kind) -> list[str]:
    """A few lines that a board file takes."""
    if kind.name == "chip":
        return list(_CHIP)
    needed = {name: quantity for name, quantity in kind.values.items() if quantity.required}
    values = [f"{name} = {_sample(name, quantity.unit)}" for name, quantity in needed.items()]
    names = kind.pins or ("1", "2")
    nets = {pin: "GND" if pin == "GND" else f"NET_{number}" for number, pin in enumerate(names, 1)}
    pins = ", ".join(f'{pin} = "{net}"' for pin, net in nets.items())
    words = [f'kind = "{kind.name}"', *values, f"pins = {{ {pins} }}"]
    return [f"X1 = {{ {', '.join(words)} }}"]


def _sample(name: str, unit: str) -> str:
    return _EXAMPLES.get(name, {}).get(unit) or _SAMPLE.get(unit, f'"1 {unit}"')


def as_json(kind: Kind) -> dict[str, object]:
    return {
        "kind": kind.name,
        "says": kind.says,
        "pins": list(kind.pins),
        "optional": list(kind.optional),
        "any_pins": kind.any_pins,
        "values": {
            name: {"unit": q.unit, "default": q.default, "required": q.required, "says": q.says}
            for name, q in kind.values.items()
        },
        "nested": {table: sorted(nested_schema(table)) for table in kind.nested},
        "example": example(kind),
    }


def _default(quantity: Quantity) -> str:
    if quantity.required:
        return f"needed, {quantity.unit}"
    if quantity.default is None:
        return f"none, {quantity.unit}" if quantity.unit else "none"
    if isinstance(quantity.default, bool):
        return "true" if quantity.default else "false"
    if isinstance(quantity.default, int | float):
        return show(float(quantity.default), quantity.unit)
    return str(quantity.default)


def _nested(table: str) -> list[str]:
    return [f"{word} ({unit})" if unit else word for word, (unit, _) in nested_schema(table).items()]


def page() -> str:
    """The whole catalogue as Markdown."""
    from wakeboard.harness.describe.board.parts import board_kinds

    made = "Made by `wakeboard parts` from the kinds themselves. `max` and `place` go with every kind."
    text = ["# Part kinds", "", made, ""]
    for _, kind in sorted(board_kinds().items()):
        text += [f"## {kind.name}", "", *(f"    {line.removeprefix('  ')}" for line in list(lines(kind))), ""]
    return "\n".join(text)
