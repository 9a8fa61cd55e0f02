"""What a part kind is: its pins, values, ratings, element expansion, faults."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from .errors import CircuitError, nearest

if TYPE_CHECKING:
    from wakeboard.instruments.virtual.circuit.solver.transient import Probe

    from .draft import Draft
    from .part import Part, Value


@dataclass(frozen=True)
class Quantity:
    """One value of a kind: unit ("" for text or a flag), default (None: none, see `required`), what it means."""

    unit: str
    default: Value = None
    says: str = ""
    required: bool = False


@dataclass(frozen=True)
class Kind:
    """A part kind. `expand` turns a part's values into elements; it must always yield the same elements.

    The value name "variants" is every kind's: a list of main values that look-alikes of the part have.
    pins: names in order (a list of nets is matched to them); `any_pins`: the part names its own pins.
    synonyms: other names of a value. short: pin pairs an internal short joins. mirrored: how the pins change places
    when the part is fitted turned round ({} where turning changes nothing). thermal_s: time constant of the heat filter
    (first order) through which current and power ratings are watched. main: the value that `PART:value=` means.
    faults: texts after "PART:" for single faults that need no number. pulls_to: the pin whose net a hidden pull-up
    goes to. bench: belongs to the bench, not to the board; ideal: nobody fits it, so no fault is looked for in it.
    react: behaviour in time: given the part, a probe on its pins and a memory of its own, the value overrides that hold
    from now on (see transient).
    """

    name: str
    pins: tuple[str, ...]
    values: Mapping[str, Quantity]
    expand: Callable[[Draft], None]
    says: str = ""
    any_pins: bool = False
    optional: tuple[str, ...] = ()
    synonyms: Mapping[str, str] = field(default_factory=dict)
    short: tuple[tuple[str, str], ...] = ()
    mirrored: Mapping[str, str] = field(default_factory=dict)
    thermal_s: float = 1.0
    main: str | None = None
    faults: tuple[str, ...] = ("open", "missing")
    pulls_to: str | None = None
    nested: tuple[str, ...] = ()
    bench: bool = False
    ideal: bool = False
    react: Callable[[Part, Probe, dict[str, object]], Mapping[str, Value]] | None = None

    def canonical(self, part: Part) -> Part:
        """The part with its values under the kind's own names; CircuitError when pins or value names do not fit."""
        if any(name in self.synonyms for name in (*part.values, *part.tolerance, *part.bounds)):
            values = {self.synonyms.get(name, name): value for name, value in part.values.items()}
            tolerance = {self.synonyms.get(name, name): value for name, value in part.tolerance.items()}
            bounds = {self.synonyms.get(name, name): value for name, value in part.bounds.items()}
            part = replace(part, values=values, tolerance=tolerance, bounds=bounds)
        self.check(part)
        return part

    def check(self, part: Part) -> None:
        """CircuitError when pins or value names do not fit."""
        if not self.any_pins:
            self._check_pins(part)
        for name in part.values:
            if name not in self.values and name not in self.nested and name != "variants":
                raise CircuitError(
                    f"{part.name} ({self.name}) has no value {name!r}; "
                    f"allowed: {', '.join([*self.values, *self.nested])}{nearest(name, self.values)}",
                    [part.name],
                )
        for name, quantity in self.values.items():
            if quantity.required and part.values.get(name) is None:
                raise CircuitError(
                    f"{part.name} ({self.name}) needs a value {name!r} ({quantity.unit}): {quantity.says}", [part.name]
                )

    def _check_pins(self, part: Part) -> None:
        for pin in part.pins:
            if pin not in self.pins:
                raise CircuitError(
                    f"{part.name} ({self.name}) has no pin {pin!r}; it has {', '.join(self.pins)}"
                    f"{nearest(pin, self.pins)}",
                    [part.name],
                )
        absent = [pin for pin in self.pins if pin not in part.pins and pin not in self.optional]
        if absent:
            raise CircuitError(f"{part.name} ({self.name}): no net for pin {', '.join(absent)}", [part.name])


def pick(options: Sequence[str], found: str, what: str, part: str) -> str:
    """`found` if it is one of `options`; CircuitError otherwise."""
    if found not in options:
        raise CircuitError(f"{part}: {what} {found!r}; allowed: {', '.join(options)}{nearest(found, options)}", [part])
    return found
