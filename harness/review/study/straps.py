"""Straps: the levels that a chip reads when reset is released, and how it starts with them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from wakeboard.harness.describe.board.pin_tables import boots_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from wakeboard.harness.review.study.study import Study
    from wakeboard.instruments.virtual.circuit.part import Part

# of the rail: at most this reads as low, at least HIGH as high, where the board does not say (common practice)
LOW: Final = 0.3
HIGH: Final = 0.7
"""Shares of its rail that a strap reads as low and high where its part does not say; what CMOS inputs promise."""


@dataclass(frozen=True)
class Straps:
    """A chip's straps: boots: how it starts -> level by pin; starts: how it should."""

    part: Part
    boots: Mapping[str, Mapping[str, str]]
    starts: str

    @property
    def pins(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(pin for straps in self.boots.values() for pin in straps))

    def modes(self, levels: Mapping[str, str]) -> list[str]:
        """How it may start at these levels ("undefined" may be read either way)."""
        return [
            name
            for name, straps in self.boots.items()
            if all(levels[pin] in (level, "undefined") for pin, level in straps.items())
        ]


def every_strap(study: Study) -> Iterator[Straps]:
    """Of every chip that says how it starts. Raises FileProblems for a pin table with mistakes."""
    for part in study.board.parts.values():
        boots, starts = boots_of(study.board, part)
        if boots and starts in boots:
            yield Straps(part, boots, starts)


def thresholds(part: Part, pin: str, rail: float) -> tuple[float, float]:
    """V at or below which an input reads low, at or above which high: its own, or shares of its rail."""
    entry = part.values.get("io", {}).get(pin, {})
    return float(entry.get("reads_low", LOW * rail)), float(entry.get("reads_high", HIGH * rail))


def level_of(part: Part, pin: str, volts: float, rail: float) -> str:
    low, high = thresholds(part, pin, rail)
    return "low" if volts <= low else "high" if volts >= high else "undefined"
