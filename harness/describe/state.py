"""The state of the bench while a reading was taken: the key by which a reading is compared with a prediction.

    BenchState(supplies={"USB": (5.0, 0.12)}, pins={"U1.GPIO7": "low"}, load_ohms=10e6).key
    "USB=5V@120mA; U1.GPIO7=low; load=10MΩ"

The key is canonical: names sorted, supplies before pins, six significant digits. A bench with nothing on is "off".
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from types import MappingProxyType

from wakeboard.instruments.quantity import QuantityError, parse, show

OFF = "off"
_DIGITS = 6  # of a quantity in the key of a state: more than a person writes


class StateError(ValueError):
    """Text that is no bench state."""


@dataclass(frozen=True, eq=False)
class BenchState:
    """What was on and what was driven.

    supplies: name -> (volts, limit in A), only those that are on; pins: "PART.PIN" -> level it is driven to;
    load_ohms: the meter, or a resistor put across the point on purpose; to: the net of the resistor's other end
    (None: ground). Two states are equal when their keys are.
    """

    supplies: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    pins: Mapping[str, str] = field(default_factory=dict)
    load_ohms: float | None = None
    to: str | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "supplies", MappingProxyType(dict(self.supplies)))
        object.__setattr__(self, "pins", MappingProxyType(dict(self.pins)))

    @cached_property
    def key(self) -> str:
        words = [
            f"{name}={_tight(volts, 'V')}@{_tight(limit, 'A')}"
            for name, (volts, limit) in sorted(self.supplies.items())
        ]
        words += [f"{pin}={level}" for pin, level in sorted(self.pins.items())]
        if not words:
            words = [OFF]
        if self.load_ohms is not None:
            words.append(f"load={_tight(self.load_ohms, 'Ω')}" + (f">{self.to}" if self.to else ""))
        return "; ".join(words)

    @classmethod
    def parse(cls, text: str) -> BenchState:
        """The state that a key names. Raises StateError."""
        supplies: dict[str, tuple[float, float]] = {}
        pins: dict[str, str] = {}
        load: float | None = None
        to: str | None = None
        for word in text.split(";"):
            name, equals, value = word.strip().partition("=")
            if not equals:
                if name == OFF or not name:
                    continue
                raise StateError(f'"{text}" is no bench state: "{name}" has no "="')
            try:
                if name == "load":
                    ohms, _, net = value.partition(">")
                    load, to = parse(ohms, "Ω"), net or None
                elif "@" in value:
                    volts, _, limit = value.partition("@")
                    supplies[name] = (parse(volts, "V"), parse(limit, "A"))
                else:
                    pins[name] = value
            except QuantityError as error:
                raise StateError(f'"{text}" is no bench state: {error}') from None
        return cls(supplies, pins, load, to)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, BenchState) and self.key == other.key

    def __hash__(self) -> int:
        return hash(self.key)

    def __str__(self) -> str:
        return self.key

    def __reduce__(self) -> tuple[object, ...]:
        return BenchState, (dict(self.supplies), dict(self.pins), self.load_ohms, self.to)


def _tight(value: float, unit: str) -> str:
    return show(value, unit, digits=_DIGITS).replace(" ", "")
