"""Values beyond a knee: what has no slope at the drawn value, and so is found by no step.

A pin drives from some voltage of its rail on. Where that is 1.2 V as drawn and the rail sits at 0.7 V, the pin does
nothing, whatever its threshold is changed by a little; in a board whose outputs wake at 0.6 V it holds a line.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.harness.explain.rank.ascent import Ascent, board_at
from wakeboard.harness.explain.rank.candidate import Candidate
from wakeboard.harness.explain.rank.likelihood import Likelihood
from wakeboard.harness.explain.rank.rank import given_others

KNEE_MISSES: Final = 5.0
"""Standard deviations of a reading from which values beyond a knee are tried for it."""
OVER_A_KNEE: Final = (-2.5, -1.5, 1.5, 2.5)
"""Deviations by which a value is moved there."""
FLAT: Final = 1.0
"""Of such a reading's own standard deviation, the most that a value whose knee is elsewhere does by its slope."""
HALF: Final = 0.5
"""Of what is missed, what may be left with the value moved."""


def beyond_a_knee(likelihood: Likelihood, candidate: Candidate, climb: Ascent, made: Candidate) -> Array | None:
    """(T,) the unknowns of a climb's best place with the one moved, over a knee, that takes most off the readings that
    are missed; None where none takes off half."""
    y, place = likelihood.evidence.y, climb.best
    assert place is not None
    n = len(y)
    off = y - made.mean[:n]
    odd = np.abs([off / np.sqrt(np.diag(made.covariance)), given_others(y, made.mean[:n], made.covariance)]).max(axis=0)
    missed = np.flatnonzero(odd > KNEE_MISSES).tolist()
    if not missed:
        return None
    flat = np.abs(place.rows[:, missed]).max(axis=1) < FLAT * np.sqrt(climb.noise[missed]).min()
    moved = [
        place.t + way * np.eye(1, len(place.t), k)[0]
        for k, u in enumerate(likelihood.unknowns) if flat[k] and u.stray is None and not u.setting and not u.stated
        for way in OVER_A_KNEE
    ]  # fmt: skip
    if not moved:
        return None
    boards = [board_at(likelihood, candidate, t) for t in [place.t, *moved]]
    read = likelihood.predictor.predict(boards, only=missed, near=[candidate.change] * len(boards))
    by = read[1:] - read[0]
    left = ((off[missed] - by) ** 2 / climb.noise[missed]).sum(axis=1)
    best = int(np.nanargmin(np.where(np.isfinite(left), left, math.inf)))
    return moved[best] if left[best] < HALF * float((off[missed] ** 2 / climb.noise[missed]).sum()) else None
