"""A part, and the circuit that parts make."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

from .errors import CircuitError, nearest

if TYPE_CHECKING:
    from .model import Model

GROUNDS: Final = (
    "GND", "VSS", "DGND", "GNDD", "DVSS", "VSSD", "PGND", "GNDP", "SGND", "GNDS", "AGND", "GNDA", "VSSA", "AVSS",
    "VSSIO", "RGND", "VEE", "COM", "RTN", "0V", "EP", "EPAD", "PAD",
)  # fmt: skip
"""What makers call a chip's ground pin, in the order in which one is taken; a number may follow. Common practice, no
source."""

_NUMBERED: Final = re.compile(r"[_.]?\d+$")

Value = Any  # float | str | bool | Sequence | Mapping[str, Value]; SI units


@dataclass(frozen=True)
class Part:
    """A part as drawn: `pins` maps pin -> net; `values` in SI; `tolerance` relative, by value path ("value",
    "GPIO7.pull_up").

    `bounds` are values stated as a range ("< 50 nA", "0.35 .. 0.45 V"), absolute (low, high): the drawn value lies
    within it, and what a drawing does not state of it is no wider. `ratings` are absolute maxima: "voltage" (V, between
    any two pins), "current" (A, any pin), "power" (W, the part).
    """

    name: str
    kind: str
    pins: Mapping[str, str]
    values: Mapping[str, Value] = field(default_factory=dict)
    tolerance: Mapping[str, float] = field(default_factory=dict)
    ratings: Mapping[str, float] = field(default_factory=dict)
    bounds: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    @cached_property
    def ground_pin(self) -> str | None:
        """Its own name of the pin that is its ground; None where no pin has a name that says so."""
        other = {pin for table in ("io", "supply") for pin in self.values.get(table, {})}
        plain = {_NUMBERED.sub("", pin.upper()) or pin: pin for pin in reversed(list(self.pins)) if pin not in other}
        return "GND" if "GND" in self.pins else next((plain[name] for name in GROUNDS if name in plain), None)

    @cached_property
    def undescribed(self) -> tuple[str, ...]:
        """Pins of which nothing is said but their nets: all of a part without a model, those that no table of a chip
        has."""
        told = {pin for table in ("io", "supply") for pin in self.values.get(table, {})} | {self.ground_pin}
        if self.kind not in ("unmodelled", "chip"):
            return ()
        return tuple(pin for pin in self.pins if pin not in told)

    def net(self, pin: str) -> str:
        """The net of a pin; CircuitError with the nearest name otherwise."""
        try:
            return self.pins[pin]
        except KeyError:
            raise CircuitError(
                f"{self.name} ({self.kind}) has no pin {pin!r}; it has {', '.join(self.pins)}{nearest(pin, self.pins)}",
                [self.name],
            ) from None


class Circuit:
    """Parts and the net that is zero volts. Raises CircuitError naming the parts at fault.

    Kinds, pins and value names are checked here; floating nets, capacitor cut-sets, loops of voltage sources and
    current sources into an open when it is compiled (see `topology`), so that bench parts may be added first.
    """

    def __init__(self, parts: Iterable[Part], ground: str = "GND") -> None:
        from .parts import kind_of

        self.parts: tuple[Part, ...] = tuple(kind_of(part).canonical(part) for part in parts)
        self.ground = ground
        self._by_name = {part.name: part for part in self.parts}
        if len(self._by_name) != len(self.parts):
            names = [part.name for part in self.parts]
            twice = sorted({name for name in names if names.count(name) > 1})
            raise CircuitError(f"parts named twice: {', '.join(twice)}", twice)

    @cached_property
    def nets(self) -> tuple[str, ...]:
        """Every net in order of first appearance, ground first."""
        seen = dict.fromkeys([self.ground])
        for part in self.parts:
            seen.update(dict.fromkeys(part.pins.values()))
        return tuple(seen)

    def part(self, name: str) -> Part:
        """The part of that name; CircuitError with the nearest name otherwise."""
        try:
            return self._by_name[name]
        except KeyError:
            raise CircuitError(f"no part {name!r} in the circuit{nearest(name, self._by_name)}") from None

    def __contains__(self, name: object) -> bool:
        return name in self._by_name

    def pin(self, text: str) -> tuple[Part, str]:
        """'U1.GPIO7' -> (part, pin name)."""
        name, dot, pin = text.partition(".")
        if not dot:
            raise CircuitError(f"{text!r} is not PART.PIN")
        part = self.part(name)
        part.net(pin)
        return part, pin

    def on_net(self, net: str) -> tuple[str, ...]:
        """PART.PIN of everything on a net."""
        return tuple(f"{p.name}.{pin}" for p in self.parts for pin, at in p.pins.items() if at == net)

    def plus(self, *parts: Part) -> Circuit:
        """The circuit with more parts (bench front ends, mostly); a part of the same name is replaced."""
        new = {part.name: part for part in parts}
        kept = [new.pop(part.name, part) for part in self.parts]
        return Circuit([*kept, *new.values()], self.ground)

    def check(self) -> None:
        """CircuitError for what no solver could answer, found without the solver, which would have to be compiled."""
        from wakeboard.instruments.virtual.circuit.solver.topology import check

        check(self)

    def compile(self) -> Model:
        """Lay the circuit out for solving; raises CircuitError for what no solver could answer."""
        from .model import Model

        self.check()
        return Model(self)
