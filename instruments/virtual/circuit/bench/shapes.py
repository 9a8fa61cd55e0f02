"""How a current beside what is drawn goes with the volts across it: shares of its full size, with their slopes."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Final, Literal

import numpy as np

from wakeboard.instruments.virtual.circuit.solver.devices import Array

Shape = Literal["ohmic", "leak", "reverse", "onset"]

REVERSE_AT: Final = 5.0
"""V at which a diode's reverse leakage has its size: about the most that a small board's rails put across one. Data
sheets give it at 20 to 40 V, where it is some three times as much."""
OHMIC_TO: Final = 0.1
"""V below which it goes in proportion: four times what heat gives a carrier."""
LEAKS_FROM: Final = 0.3
"""V of either sign from which a pin's leakage no longer grows."""
ONSET: Final = (0.4, 1.0)
"""V between which an unpowered part's conduction sets in."""

Law = Callable[[Array], tuple[Array, Array]]


def _ohmic(volts: Array) -> tuple[Array, Array]:
    return volts, np.ones_like(volts)


def _ramp(low: float, high: float, volts: Array, first: float = 0.0) -> tuple[Array, Array]:
    """From `first` at `low` to 1 at `high`."""
    share = (volts - low) / (high - low)
    rise = 1.0 - first
    return first + rise * np.clip(share, 0.0, 1.0), np.where((share > 0) & (share < 1), rise / (high - low), 0.0)


def _reverse(volts: Array) -> tuple[Array, Array]:
    """By the root of the volts, as the width of a depleted layer in which carriers are made (textbooks of semiconductor
    devices, from memory); in proportion below `OHMIC_TO`, nothing forwards."""
    root = np.sqrt(np.maximum(volts, OHMIC_TO) / REVERSE_AT)
    slope = math.sqrt(OHMIC_TO / REVERSE_AT) / OHMIC_TO
    low = volts < OHMIC_TO
    share = np.where(low, slope * np.maximum(volts, 0.0), root)
    return share, np.where(low, np.where(volts > 0, slope, 0.0), 0.5 * root / np.maximum(volts, OHMIC_TO))


LAWS: Final[Mapping[Shape, Law]] = {
    "ohmic": _ohmic,
    "leak": lambda volts: _ramp(-LEAKS_FROM, LEAKS_FROM, volts, -1.0),
    "reverse": _reverse,
    "onset": lambda volts: _ramp(*ONSET, volts),
}
