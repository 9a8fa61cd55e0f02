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
OVER_A_KNEE: Final = (-2.5, 2.5)
"""Deviations by which a value is moved there, and …"""
LESS_FAR: Final = 0.6
"""… the share of that by which the best few are tried, too."""
FEW: Final = 6
FLAT: Final = 1.0
"""Of such a reading's own standard deviation, the most that a value whose knee is elsewhere does by its slope."""
HALF: Final = 0.5
"""Of what is missed, what may be left with the value moved."""

EARLY: Final = -2.0
"""Deviations at which outputs drive early: from 0.66 V of their rail on, where nobody says."""
DRIVES: Final = 1.0
"""Standard deviations of a reading by which they must move one then."""


def driving_early(
    likelihood: Likelihood, candidate: Candidate, climb: Ascent, t: Array
) -> tuple[Array, frozenset[int]]:  # fmt: skip
    """(T,) unknowns t with outputs that drive early, and which: each chip's that moves a reading by that."""
    outputs = [k for k, u in enumerate(likelihood.unknowns) if u.key == "wakes"]
    boards = [board_at(likelihood, candidate, at) for at in (t, *(_set(t, [k]) for k in outputs))]
    n = len(climb.noise)
    read = likelihood.predictor.predict(boards, near=[candidate.change] * len(boards))[:, :n]
    far = (np.abs(read[1:] - read[0]) / np.sqrt(climb.noise)).max(axis=1)
    moved = [k for k, by in zip(outputs, far.tolist(), strict=True) if by > DRIVES]
    return _set(t, moved), frozenset(moved)


def _set(t: Array, early: list[int]) -> Array:
    out = t.copy()
    out[early] = EARLY
    return out


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
    ks = [
        k for k, u in enumerate(likelihood.unknowns)
        if flat[k] and u.stray is None and not u.setting and not u.stated
    ]  # fmt: skip
    tried = _tried(likelihood, candidate, climb, off, missed, [(k, way) for k in ks for way in OVER_A_KNEE])
    few = sorted(tried, key=lambda each: tried[each])[:FEW]
    tried |= _tried(likelihood, candidate, climb, off, missed, [(k, LESS_FAR * way) for k, way in few])
    if not tried:
        return None
    best = min(tried, key=lambda each: tried[each])
    if tried[best] > HALF * float((off[missed] ** 2 / climb.noise[missed]).sum()):
        return None
    return _moved(place.t, *best)


def _moved(t: Array, k: int, by: float) -> Array:
    out = t.copy()
    out[k] += by
    return out


def _tried(
    likelihood: Likelihood, candidate: Candidate, climb: Ascent, off: Array, missed: list[int],
    moves: list[tuple[int, float]],
) -> dict[tuple[int, float], float]:  # fmt: skip
    """Of each unknown moved by so many deviations from a climb's best place, what is then left of the readings that are
    missed: squared standard deviations."""
    if not moves:
        return {}
    assert climb.best is not None
    start = climb.best.t
    boards = [board_at(likelihood, candidate, t) for t in [start, *(_moved(start, *move) for move in moves)]]
    read = likelihood.predictor.predict(boards, only=missed, near=[candidate.change] * len(boards))
    left = ((off[missed] - (read[1:] - read[0])) ** 2 / climb.noise[missed]).sum(axis=1)
    return dict(zip(moves, np.where(np.isfinite(left), left, math.inf).tolist(), strict=True))
