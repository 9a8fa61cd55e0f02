"""Tolerances to first order, but from where the readings put them: for circuits with a knee within their tolerance.

A rail that is fed through clamp diodes sits where its loads just begin to draw: what a load of 25 % less does there is
not what the slope at the drawn value says. So for a candidate that misses some reading, the toleranced values t (in
standard deviations) are estimated,

    t = J S^-1 (y - m),        S = J^T J + noise

kept within their limits, the board with them is solved, and its slopes taken there: the prediction for the drawn values
is then m(t) - t J(t), with the covariance that J(t) gives. Its likelihood is Laplace's at the board that was solved,

    log N(y; m(t), noise) + log N(t; 0, 1) + 1/2 log |2 pi (1 + J noise^-1 J^T)^-1|

which is the same where t is the best, and less where it is not: nothing is earned by a slope that ends before y.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np

from wakeboard.harness.explain.candidate import Candidate
from wakeboard.harness.explain.likelihood import Likelihood, Spread, given_others
from wakeboard.harness.explain.uncertainty import Array
from wakeboard.instruments.virtual.circuit.bench.change import Change
from wakeboard.instruments.virtual.circuit.bench.unknowns import Unknown, drawn

MISSES: Final = 3.5
"""Standard deviations, given all other readings, from which a candidate counts as missing one."""
BEHIND: Final = 12.0
"""Natural logarithms behind the likeliest candidate at which one that fitted as well as it could would still count."""
MOST: Final = 6
LIMIT: Final = math.sqrt(3.0)
"""Standard deviations at which a rectangular tolerance ends."""
ROUNDS: Final = 2


def expanded(
    likelihood: Likelihood, candidates: list[Candidate], spreads: Sequence[Spread], least: float = MISSES
) -> list[Candidate]:
    """The candidates in their order; those that miss a reading are expanded where the readings put their tolerances.

    least: by how many standard deviations it must be missed.
    """
    best = max((c.score for c in candidates), default=0.0)
    order = sorted(range(len(candidates)), key=lambda k: -candidates[k].score)
    y = likelihood.evidence.y
    looked = [k for k in order if _at_best(candidates[k], y) > best - BEHIND and misses(candidates[k], y)][:MOST]
    out = list(candidates)
    now = {k: (candidates[k], spreads[k]) for k in looked}
    for _ in range(ROUNDS):
        looked = [k for k in looked if len(now[k][1].shifts)]
        if not looked:
            break
        estimates = [_estimate(*now[k], likelihood.evidence.y) for k in looked]
        boards = [_with(likelihood, candidates[k], t) for k, t in zip(looked, estimates, strict=True)]
        means = likelihood.predict(boards, exact=True, near=[candidates[k].change for k in looked])
        for k, t, mean, spread in zip(looked, estimates, means, likelihood.spreads(boards), strict=True):
            made = _made(likelihood, candidates[k], t, mean, spread)
            now[k] = made, spread
            if made.log_likelihood > out[k].log_likelihood:
                out[k] = made
    return out


def _made(likelihood: Likelihood, candidate: Candidate, t: Array, mean: Array, spread: Spread) -> Candidate:
    y, j, noise = likelihood.evidence.y, spread.shifts, spread.noise
    off = y - mean[: len(y)]
    fit = -0.5 * float((off**2 / noise).sum() + np.log(2 * math.pi * noise).sum() + t @ t)
    fit -= 0.5 * float(np.linalg.slogdet(np.eye(len(t)) + (j / noise) @ j.T)[1])
    shift = np.zeros_like(mean)
    shift[: len(y)] = t @ j
    made = replace(candidate, mean=mean - shift, covariance=spread.covariance)
    fit += likelihood.answers(made)
    return replace(made, log_likelihood=fit if math.isfinite(fit) else -math.inf)


def _at_best(candidate: Candidate, y: Array) -> float:
    """The score of a candidate if its tolerances took all by which it fits worse than chance has it."""
    off = y - candidate.mean[: len(y)]
    chi = float(off @ np.linalg.solve(candidate.covariance, off))
    return candidate.score + 0.5 * max(chi - len(y), 0.0)


def misses(candidate: Candidate, y: Array, least: float = MISSES) -> bool:
    """Whether some reading lies so many standard deviations off the prediction, given all others."""
    return bool(np.abs(given_others(y, candidate.mean[: len(y)], candidate.covariance)).max(initial=0.0) > least)


def _estimate(candidate: Candidate, spread: Spread, y: Array) -> Array:
    """(T,) standard deviations by which the readings put each value off the drawn one."""
    off = y - candidate.mean[: len(y)]
    estimate: Array = np.clip(spread.shifts @ np.linalg.solve(spread.covariance, off), -LIMIT, LIMIT)
    return estimate


def _with(likelihood: Likelihood, candidate: Candidate, estimate: Array) -> Change:
    """The candidate's board with its toleranced values moved."""
    values: dict[str, Any] = {}
    factors: dict[str, float] = {}
    settings: dict[str, float] = {}
    for tolerance, t in zip(likelihood.tolerances, estimate.tolist(), strict=True):
        factor = 1 + tolerance.share * t
        if tolerance.setting:
            settings[tolerance.path] = factor - 1
        elif (drawn := _drawn(likelihood, tolerance)) is not None:
            values[tolerance.path], factors[tolerance.path] = drawn * factor, factor
    return candidate.change.plus(Change(values=values, setting_errors=settings, factors=factors))


def _drawn(likelihood: Likelihood, tolerance: Unknown) -> float | None:
    circuit = getattr(likelihood.predictor, "circuit", None)
    return None if circuit is None else drawn(circuit.part(tolerance.path.partition(".")[0]), tolerance.tail)
