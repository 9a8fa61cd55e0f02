"""What is not known of a board's parts and of its bench: the values that may be off, and by how much.

One list for whoever asks what that does to a reading: slopes.py (first order), spread.py (worst case, Monte Carlo).
What a data sheet bounds has a `bound`; what it leaves open has an estimate of its deviation only.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable
from dataclasses import dataclass

from ..part import Circuit, Part
from ..tolerance import nominal
from .figures import SETTING_SHARE
from .parts import supply_name

# One standard deviation, relative, of what a data sheet leaves open although no tolerance is stated (estimates, no
# source: forward drops vary by some 5 %, on-resistances and quiescent currents by a quarter).
UNSTATED = {
    "diode": {"drop": 0.05}, "schottky": {"drop": 0.05}, "led": {"drop": 0.05},
    "load_switch": {"ohms": 0.25}, "ldo": {"quiescent": 0.25}, "charger": {"quiescent": 0.25},
}  # fmt: skip


@dataclass(frozen=True)
class Unknown:
    """A value ("PART.value") and its standard deviation, relative. bound: the relative half-width that it keeps to,
    None where nobody warrants one; setting: of the bench, not of a part."""

    path: str
    share: float
    setting: bool = False
    bound: float | None = None

    @property
    def part(self) -> str:
        return self.path.partition(".")[0]

    @property
    def tail(self) -> str:
        return self.path.partition(".")[2]


def bounded(parts: Iterable[Part], but: Collection[str] = ()) -> list[Unknown]:
    """Every value with a stated tolerance (rectangular: JCGM 100, 4.3.7), but the paths that somebody sets."""
    return [
        Unknown(f"{part.name}.{path}", relative / math.sqrt(3), bound=relative)
        for part in parts
        for path, relative in part.tolerance.items()
        if relative and f"{part.name}.{path}" not in but
    ]


def at_rest(circuit: Circuit, supplies: Iterable[str], known: Collection[str] = ()) -> list[Unknown]:
    """Every value that a reading at rest depends on, what the bench sets among them. known: parts that are left out,
    as those of which somebody has said what they are now."""
    parts = [part for part in circuit.parts if part.name not in known]
    stated = bounded(part for part in parts if part.kind != "capacitor")
    settings = [Unknown(f"{supply_name(name)}.volts", SETTING_SHARE, setting=True) for name in supplies]
    return [*stated, *_unstated(parts), *settings]


def _unstated(parts: Iterable[Part]) -> list[Unknown]:
    return [
        Unknown(f"{part.name}.{name}", share)
        for part in parts
        for name, share in UNSTATED.get(part.kind, {}).items()
        if name not in part.tolerance and isinstance(part.values.get(name), int | float)
    ]


def drawn(part: Part, tail: str) -> float:
    """What the drawing says of a part's value, or its kind where the drawing is silent."""
    from ..parts import kind_of

    if tail in part.values or "." in tail:
        return nominal(part, tail)
    default = kind_of(part).values[tail].default
    assert default is not None
    return float(default)
