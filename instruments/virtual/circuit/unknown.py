"""What is not known of a circuit: values that may differ from the drawn ones, and currents beside what is drawn."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from .devices import Array

Shape = Literal["ohmic", "reverse", "onset"]

FULL_FROM: Final = 0.1
"""V from which a reverse leakage flows in full."""
ONSET: Final = (0.4, 1.0)
"""V between which an unpowered part's conduction sets in."""


@dataclass(frozen=True, slots=True)
class Stray:
    """A current beside what is drawn, from one net to another (A at one standard deviation, by the volts between)."""

    start: str
    end: str
    shape: Shape
    size: float  # S for ohmic, A for the others

    def amps(self, volts: Array) -> Array:
        """What flows from `start` to `end` at these volts between them."""
        if self.shape == "ohmic":
            return self.size * volts
        if self.shape == "reverse":
            return self.size * np.clip(volts / FULL_FROM, 0.0, 1.0)
        low, high = ONSET
        return self.size * np.clip((volts - low) / (high - low), 0.0, 1.0)


@dataclass(frozen=True, slots=True)
class Unknown:
    """One value that may differ from the drawn one.

    path: "PART.value", the place that it has a name by. share: one standard deviation, relative to the drawn value; in
    the logarithm where `log`. type_share: the part of the variance that all pieces of `type` share. stray: where it is
    no value of the circuit but a current beside it. key: what states it in a board file. setting: of the bench. drawn:
    the drawn value, where no variant sets another.
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

    @property
    def tail(self) -> str:
        return self.path.partition(".")[2]

    @property
    def part(self) -> str:
        return self.path.partition(".")[0]

    def factor(self, deviations: float) -> float:
        """What the drawn value is multiplied by, so many standard deviations off."""
        return math.exp(self.share * deviations) if self.log else max(1 + self.share * deviations, 0.02)
