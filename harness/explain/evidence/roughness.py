"""How well the model fits a board, as a thing to keep and to tell: modelfit.py works it out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

ROUGH: Final = 2.0
"""Scale from which the model is called rough."""
MISFIT: Final = 1.8
"""chi^2/n from which the readings do not fit the model."""
BEYOND: Final = 30.0
"""Standard deviations of the table from which a part is no such part."""
MOST_AS_DRAWN: Final = 0.98
"""The most that is stated of a board being as drawn: one fault in fourteen that a measurement would show escapes Skep's
whole bring-up (reliability.md, 5), and one unit in four that somebody asks about has a fault (priors.toml)."""
MOST_CERTAIN: Final = {True: 0.97, False: 0.999}
"""The most that is stated of anything: where the model is rough, does not fit, or fits by a part that is no such part;
and else (estimates; worlds bear them)."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """A part whose model is in doubt: what of it, and by how many standard deviations of the table it seems off."""

    path: str
    says: str
    deviations: float

    @property
    def part(self) -> str:
        return self.path.partition(".")[0]


@dataclass(frozen=True, slots=True)
class Learnt:
    """A value of a part as other units show it: drawn, learnt, and its standard uncertainty, in the value's own
    unit."""

    path: str
    says: str
    drawn: float
    value: float
    u: float


@dataclass(frozen=True, slots=True)
class ModelFit:
    """scale: by how much the table's spreads are multiplied where all fits best; chi: chi^2/n there; units: others that
    taught; lacks: what parts seem not to have of what is drawn ("PART.value")."""

    scale: float
    chi: float
    doubts: tuple[Doubt, ...]
    learnt: tuple[Learnt, ...]
    units: int = 0
    lacks: tuple[str, ...] = ()

    @property
    def rough(self) -> bool:
        """Whether less is certain than the sums say."""
        return self.scale >= ROUGH or self.chi > MISFIT or self.strained

    @property
    def strained(self) -> bool:
        """Whether it fits only where a part is no such part."""
        return any(abs(d.deviations) > BEYOND for d in self.doubts)

    @property
    def most(self) -> float:
        """The most that is stated of any explanation."""
        return MOST_CERTAIN[self.rough]

    def as_json(self) -> dict[str, object]:
        return {
            "scale": self.scale, "chi2_per_reading": self.chi, "rough": self.rough, "taught_by": self.units,
            "lacks": list(self.lacks),
            "in_doubt": [{"value": d.path, "says": d.says, "deviations": d.deviations} for d in self.doubts],
            "learnt": [
                {"value": x.path, "says": x.says, "drawn": x.drawn, "learnt": x.value, "u": x.u} for x in self.learnt
            ],
        }  # fmt: skip
