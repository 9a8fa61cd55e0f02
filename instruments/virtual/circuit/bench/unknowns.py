"""What is not known of a board's parts and of its bench: values that may be off, currents beside what is drawn.

One list for whoever asks what that does to a reading: slopes.py (first order), spread.py (worst case, Monte Carlo).
What a drawing states bounds itself (`bounded`); what it leaves open comes from a table of spreads, whose reader is not
on this floor (harness/describe/board/spreads.py).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable
from dataclasses import dataclass

from wakeboard.instruments.virtual.circuit.solver.devices import Array

from ..part import Part
from ..tolerance import ends, nominal
from .figures import SETTING_SHARE
from .parts import supply_name
from .shapes import LAWS, Shape


@dataclass(frozen=True, slots=True)
class Stray:
    """A current beside what is drawn, from one net to another (A at one standard deviation, by the volts between)."""

    start: str
    end: str
    shape: Shape
    size: float  # S for ohmic, A for the others

    def amps(self, volts: Array) -> Array:
        """What flows from `start` to `end` at these volts between them."""
        return self.size * LAWS[self.shape](volts)[0]


@dataclass(frozen=True, slots=True)
class Unknown:
    """One value that may differ from the drawn one.

    path: "PART.value", the place that it has a name by. share: one standard deviation, relative to the drawn value; in
    the logarithm where `log`. type_share: the part of the variance that all pieces of `type` share. stray: where it is
    no value of the circuit but a current beside it. key: what states it in a board file. setting: of the bench. drawn:
    the drawn value, where no variant sets another. ends: the least and the most that it may be, where somebody warrants
    it. stated: whether its spread is what a drawing or a maker of instruments states, and nothing beside that.
    anywhere: whether it may be so far off on any board, however much as drawn that is else. tails: (how many times as
    wide as `share` or the stray says, with which probability), each.
    """

    path: str
    says: str
    share: float = 0.0
    log: bool = False
    type_share: float = 0.0
    type: str = ""
    stray: Stray | None = None
    key: str = ""
    setting: bool = False
    drawn: float = 0.0
    ends: tuple[float, float] | None = None
    stated: bool = False
    anywhere: bool = False
    tails: tuple[tuple[float, float], ...] = ()

    @property
    def tail(self) -> str:
        return self.path.partition(".")[2]

    @property
    def part(self) -> str:
        return self.path.partition(".")[0]

    @property
    def by_decades(self) -> bool:
        """Whether such values differ by decades from part to part, and not by factors: leakages do."""
        return self.stray is not None and self.stray.shape in ("ohmic", "leak")

    @property
    def power(self) -> int:
        """By which power of how rough a board is as a whole its spread goes: not at all where it is stated, squared
        where values differ by decades."""
        return 0 if self.stated or self.anywhere else 2 if self.by_decades else 1

    def factor(self, deviations: float) -> float:
        """What the drawn value is multiplied by, so many standard deviations off."""
        return math.exp(self.share * deviations) if self.log else max(1 + self.share * deviations, 0.02)


def bounded(parts: Iterable[Part], but: Collection[str] = ()) -> list[Unknown]:
    """Every value with a stated tolerance or range (rectangular: JCGM 100, 4.3.7), but the paths that somebody sets."""
    return [
        _stated(part, path, low, high)
        for part in parts
        for path, (low, high) in ends(part).items()
        if low != high and f"{part.name}.{path}" not in but
    ]


def _stated(part: Part, path: str, low: float, high: float) -> Unknown:
    value = nominal(part, path) or 0.5 * (high - low)  # a range about nothing: its half is what it is a share of
    share = 0.5 * (high - low) / math.sqrt(3) / abs(value)
    return Unknown(f"{part.name}.{path}", path, share, drawn=nominal(part, path), ends=(low, high), stated=True)


def settings(supplies: Iterable[str]) -> list[Unknown]:
    """What the bench sets, and sets a little off."""
    paths = [f"{supply_name(name)}.volts" for name in supplies]
    return [
        Unknown(path, "setting of the supply", SETTING_SHARE, type=path, setting=True, stated=True) for path in paths
    ]
