"""What was read, as numbers to hold predictions against: readings, and answers that the board gave or did not give."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from wakeboard.harness.explain.evidence.uncertainty import Array

UNSURE: Final = 0.02
"""How often an answer comes, or fails to, against what its needs would have (estimate, no source)."""
EDGE_VOLTS: Final = 0.05
"""How softly a need for so many volts is judged: one standard deviation."""


@dataclass(frozen=True)
class Answered:
    """An answer of the board: whether it came, which predicted volts it needs (column, low, high), and whose it is."""

    came: bool
    needs: tuple[tuple[int, float | None, float | None], ...]
    part: str

    def log_likelihood(self, mean: Array, silent: bool) -> float:
        """Log probability of what happened, given predicted volts; `silent`: the part cannot answer at all."""
        answers = 0.0 if silent else math.prod(_within(float(mean[k]), low, high) for k, low, high in self.needs)
        p = UNSURE + (1 - 2 * UNSURE) * answers
        return math.log(p if self.came else 1 - p)


def _within(volts: float, low: float | None, high: float | None) -> float:
    if not math.isfinite(volts):
        return 0.5

    def below(z: float) -> float:
        return 0.5 * math.erfc(-z / math.sqrt(2))

    above_low = 1.0 if low is None else below((volts - low) / EDGE_VOLTS)
    below_high = 1.0 if high is None else below((high - volts) / EDGE_VOLTS)
    return above_low * below_high


@dataclass(frozen=True)
class Evidence:
    """What was read: y (n,) with sigma (n,), which readings move together, how far something else could move each.

    Predictions have n columns for the readings, then those that `answers` need.
    """

    y: Array
    sigma: Array
    groups: Sequence[tuple[str, str]]
    widths: Array
    answers: tuple[Answered, ...] = ()
