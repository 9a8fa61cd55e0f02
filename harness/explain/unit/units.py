"""Several units of one board beside each other: the faults that they share, and how far each is off its drawn board."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from wakeboard.harness.explain.evidence.observe import told
from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.harness.explain.rank.suspects import Suspect

if TYPE_CHECKING:
    from wakeboard.harness.explain.unit.cases import Case


@dataclass(frozen=True, slots=True)
class Common:
    """A fault that several units share: its suspect, the fitted value in the middle of them, the units that show it,
    its relative standard uncertainty and the ends of its interval, and the units whose readings speak against it."""

    suspect: Suspect
    value: float | None
    units: tuple[str, ...]
    u: float = 0.0
    without: tuple[str, ...] = ()
    ends: tuple[float, float] | None = None

    @property
    def text(self) -> str:
        return self.suspect.write(self.value, 3)


def off_drawn(case: Case, group: Sequence[Case]) -> Array:
    """(U, n) how far each unit of the group is off its drawn board, in the readings of `case`; NaN where it has
    none."""
    keys = [told(o) for o in case.observations]
    return np.array([[other.off.get(key, np.nan) for key in keys] for other in group])


def failed_alone(case: Case, group: Sequence[Case]) -> NDArray[np.bool_]:
    """(U, n) what was outside its limits in a unit and not in most of those that read it: that unit's own matter, and
    nothing that another could learn of the type."""
    keys = [told(o) for o in case.observations]
    failed = np.array([[key in other.failed for key in keys] for other in group])
    have = np.array([[key in other.off for key in keys] for other in group])
    alone: NDArray[np.bool_] = failed & (2 * failed.sum(axis=0) <= have.sum(axis=0))
    return alone
