"""Several units of one board: what all show in large is the design, what one shows is that unit's own.

    pooled(case, group)        the middle of what a group of units read, weighed once: no unit of it is weighed by
    itself common(case, group)        the faults by which that is explained, with the units that show each

What explains most units alike is a flaw of the design, or a hidden property of a part. It is given to every unit as
known (`Case.weigh`, base): what is left over in one unit is that unit's own, two faults of it if need be. What all show
in small is the model's error, which is learnt (freedom.py).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from wakeboard.harness.explain.evidence.observe import told
from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.harness.explain.rank.suspects import Suspect
from wakeboard.harness.explain.rank.weigh import Candidate, Weighing

if TYPE_CHECKING:
    from wakeboard.harness.explain.rank.structure import Lacks
    from wakeboard.harness.explain.unit.cases import Case

COMMON_SHARE = 0.6
"""Share of the units that could show it from which a fault counts as common."""
FROM = 0.5
"""Probability in the middle of all units from which a fault is looked for in each."""
LARGE = 5.0
"""Standard deviations by which a common fault moves the readings, all together, where the model is as rough as it may
be: what all units show in small is the model's error."""
CLEARLY = 3.0
"""Natural logarithms by which a unit's readings are likelier with the fault, or without it, where they tell at all."""


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


def member_probabilities(weighing: Weighing) -> dict[str, float]:
    """For each suspect the probability that it is part of the explanation of this unit."""
    out: dict[str, float] = defaultdict(float)
    for candidate, p in zip(weighing.candidates, weighing.probabilities, strict=True):
        for suspect in candidate.suspects:
            out[suspect.text] += float(p)
    return dict(out)


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


def common(case: Case, group: Sequence[Case], pairs: bool = True) -> tuple[list[Common], Lacks]:
    """Faults that at least two units of the group, and most of those that tell, share; and what their parts lack."""
    if len(group) < 2:
        return [], ()
    weighing, roughest, lacks = case.weigh_middle(off_drawn(case, group), pairs)
    by_suspect = member_probabilities(weighing)
    found: list[Common] = []
    for text in sorted(text for text, p in by_suspect.items() if p >= FROM):
        candidate = next(c for c in weighing.candidates if text in c.texts_open)
        if not _large(case.effect(candidate, text), roughest):
            continue
        showing, without = _showing(case, group, candidate, text, weighing.none)
        if len(showing) >= 2 and len(showing) >= COMMON_SHARE * (len(showing) + len(without)):
            k = candidate.texts_open.index(text)
            fitted = candidate.fitted
            u = candidate.spreads[fitted.index(k)] if k in fitted and candidate.spreads else 0.0
            ends = candidate.ends[fitted.index(k)] if k in fitted and candidate.ends else None
            found.append(Common(candidate.suspects[k], candidate.values[k], showing, u, without, ends))
    return found, lacks


def _large(effect: Array, roughest: Array) -> bool:
    have = np.flatnonzero(np.isfinite(effect))
    moved = effect[have]
    return float(moved @ np.linalg.solve(roughest[np.ix_(have, have)], moved)) > LARGE**2


def _showing(
    case: Case, group: Sequence[Case], candidate: Candidate, text: str, none: Candidate
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Units whose readings are clearly likelier with the fault, and those whose are clearly likelier without."""
    alone = case.effect(candidate, text)
    showing: list[str] = []
    without: list[str] = []
    for unit, each in zip(group, off_drawn(case, group), strict=True):
        have = np.flatnonzero(np.isfinite(each) & np.isfinite(alone))
        effect = alone[have]
        gained = float(effect @ np.linalg.solve(none.covariance[np.ix_(have, have)], each[have] - 0.5 * effect))
        if abs(gained) > CLEARLY:
            (showing if gained > 0 else without).append(unit.unit)
    return tuple(showing), tuple(without)
