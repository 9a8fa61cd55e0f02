"""What several units of one board have in common: what all show in large is the design, what one shows is its own.

    common(group)        the faults that explain the middle of what a group of units read (middle.py), and who shows
                         each

What explains most units alike is a flaw of the design, or a hidden property of a part. It is given to every unit as
known (`Case.weigh`, base): what is left over in one unit is that unit's own, two faults of it if need be. What all show
in small is the model's error, which is learnt (freedom.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.harness.explain.rank.candidate import Candidate
from wakeboard.harness.explain.unit.cases import CannotExplain, Case
from wakeboard.harness.explain.unit.middle import LARGE, Middle, Round
from wakeboard.harness.explain.unit.units import Common

if TYPE_CHECKING:
    from wakeboard.harness.explain.rank.structure import Lacks

COMMON_SHARE: Final = 0.6
"""Share of the units that could show it from which a fault counts as common."""
FROM: Final = 0.5
"""Probability in the middle of all units from which a fault is looked for in each."""
MOST: Final = 3
"""Faults that are looked for, one beside the other."""
CLEARLY: Final = 3.0
"""Natural logarithms by which a unit's readings are likelier with the fault, or without it, where they tell at all."""
ODD: Final = 3.0
"""Standard deviations off the drawn board from which a reading that a fault moves tells nothing of it, …"""
FAR_OFF: Final = 5.0
"""… and from which another in the same state of the bench tells that this unit has a matter of its own there."""


def common(group: Sequence[Case]) -> tuple[list[Common], Lacks]:
    """Faults that at least two units of a group, and most of those that tell, share; and what their parts lack. Worked
    out once for a board's model.

    One fault at a time, each beside those before it: what all units have in large stands out by itself. Raises
    CannotExplain where the circuit has no answer.
    """
    middle = Middle.of(group)
    shown = group[0].model.shown
    if middle.key not in shown:
        try:
            shown[middle.key] = _common(middle)
        except ValueError as error:
            raise CannotExplain(f"what {', '.join(middle.units)} have in common: {error}") from None
    found: tuple[list[Common], Lacks] = shown[middle.key]
    return found


def _common(middle: Middle) -> tuple[list[Common], Lacks]:
    if len(middle.units) < 2 or not middle.observations:
        return [], ()
    rounds: list[tuple[Candidate, Round]] = []
    last = middle.weigh()
    while len(rounds) < MOST:
        best = next(iter(last.weighing.candidates), None)
        if best is None or best.score < last.weighing.none.score + CLEARLY:
            break
        rounds.append((best, last))
        if not last.unsettled:
            break
        last = middle.weigh([each for each, _ in rounds], last.lacks)
    found: list[tuple[Candidate, Common]] = []
    for best, its in rounds:
        probable = float(its.weighing.probabilities[0])
        if its is not last:  # or there is nothing else beside all that were found
            probable = max(probable, 1 - last.weighing.p_other)
        effect = middle.effect(best)
        if probable < FROM or float(effect @ np.linalg.solve(its.roughest, effect)) <= LARGE**2:
            continue
        showing, without = _showing(middle, effect, its.weighing.none)
        if len(showing) >= 2 and len(showing) >= COMMON_SHARE * (len(showing) + len(without)):
            found.append((best, Common(best.suspects[0], best.values[0], showing, without=without)))
    return [_valued(middle, each, best, [c for c, _ in found], last.lacks) for best, each in found], last.lacks


def _valued(middle: Middle, one: Common, best: Candidate, all_found: Sequence[Candidate], lacks: Lacks) -> Common:
    """With its value and the ends of that as they are beside all others: where one was found before another, its own
    took what it could of the other's."""
    if best.fitted and best is not all_found[-1]:
        others = [c for c in all_found if c is not best]
        again = middle.weigh(others, lacks).weighing.candidates
        best = next((c for c in again if c.texts_open == best.texts_open), best)
    u = best.spreads[0] if best.fitted and best.spreads else 0.0
    return replace(one, value=best.values[0], u=u, ends=best.ends[0] if best.ends else None)


def _showing(middle: Middle, alone: Array, none: Candidate) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Units whose readings are clearly likelier with a fault that does so much alone (n,), and those whose are clearly
    likelier without."""
    showing: list[str] = []
    without: list[str] = []
    for unit, each in zip(middle.units, middle.off, strict=True):
        have = np.flatnonzero(np.isfinite(each))
        effect = alone[have]
        gained = float(effect @ np.linalg.solve(none.covariance[np.ix_(have, have)], each[have] - 0.5 * effect))
        if gained > CLEARLY:
            showing.append(unit)
        elif gained < -CLEARLY and _as_drawn(middle, each, alone, none):
            without.append(unit)
    return tuple(showing), tuple(without)


def _as_drawn(middle: Middle, each: Array, alone: Array, none: Candidate) -> bool:
    """Whether a unit (n,) is much as drawn where a fault moves readings, and in the bench states of these: where a rail
    is down, a line is low for that."""
    spread = np.sqrt(np.diag(none.covariance))
    moved = np.abs(alone) > spread
    states = {middle.observations[k].state.key for k in np.flatnonzero(moved).tolist()}
    beside = np.array([o.state.key in states for o in middle.observations]) & ~moved
    have = np.isfinite(each)
    off = np.abs(each) / spread
    return bool((off[have & moved] < ODD).all() and (off[have & beside] < FAR_OFF).all())
