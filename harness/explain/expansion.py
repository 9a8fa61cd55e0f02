"""What is not known, to first order, but from where the readings put it: for circuits with a knee within its spread.

A rail that is fed through clamp diodes sits where its loads just begin to draw: what a load of 25 % less does there is
not what the slope at the drawn value says. So for a candidate that misses some reading the unknowns (t, d) are
estimated,

    (t, d) = mu + G H^T S^-1 (y - m),        S = H G H^T + noise

the board with the values v among them is solved, each kept within its limits, and slopes are taken there. What remains
(r: currents beside what is drawn, and the discrepancy) stays linear. The likelihood is Laplace's at the board that was
solved,

    log N(y; m(v) + H_r r_v, N) + log N(v; mu_v, G_vv) + 1/2 log |2 pi (G_vv^-1 + J N^-1 J^T)^-1|

with r_v and N = H_r G_r|v H_r^T + noise what is expected of the rest, given v, and J what v does, with what it tells of
the rest. That is the same where v is the best, and less where it is not: nothing is earned by a slope that ends before
y.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from wakeboard.harness.explain.candidate import Candidate
from wakeboard.harness.explain.freedom import Ints
from wakeboard.harness.explain.likelihood import Likelihood, Spread, given_others
from wakeboard.harness.explain.uncertainty import Array
from wakeboard.instruments.virtual.circuit.bench.change import Change

MISSES: Final = 3.5
"""Standard deviations, given all other readings, from which a candidate counts as missing one."""
BEHIND: Final = 12.0
"""Natural logarithms behind the likeliest candidate at which one that fitted as well as it could would still count."""
MOST: Final = 4
LIMIT: Final = math.sqrt(3.0)
"""Standard deviations at which a rectangular tolerance ends."""
FAR: Final = 3.0
"""Standard deviations up to which a value without such an end is followed."""
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
    apart = {scale: _Apart.of(likelihood, scale) for scale in {candidates[k].scale for k in looked}}
    for _ in range(ROUNDS):
        looked = [k for k in looked if len(now[k][1].rows)]
        if not looked:
            break
        estimates = [_estimate(likelihood, *now[k]) for k in looked]
        boards = [_with(likelihood, candidates[k], t) for k, t in zip(looked, estimates, strict=True)]
        means = likelihood.predict(boards, exact=True, near=[candidates[k].change for k in looked])
        for k, t, mean, spread in zip(looked, estimates, means, likelihood.spreads(boards), strict=True):
            made = apart[candidates[k].scale].made(likelihood, candidates[k], t, mean, spread)
            now[k] = made, spread
            if made.log_likelihood > out[k].log_likelihood:
                out[k] = made
    return out


@dataclass(frozen=True)
class _Apart:
    """The unknowns apart: values v, and the rest r; what v tells of r, and what is then left of r."""

    v: Ints
    r: Ints
    of_v: Array  # covariance, and its inverse
    to_v: Array
    tells: Array  # (r, v)
    left: Array

    @classmethod
    def of(cls, likelihood: Likelihood, scale: int) -> _Apart:
        whole = likelihood.freedoms[scale].covariance
        is_value = np.zeros(len(whole), dtype=bool)
        is_value[: len(likelihood.unknowns)] = [u.stray is None for u in likelihood.unknowns]
        v, r = np.flatnonzero(is_value), np.flatnonzero(~is_value)
        of_v = whole[np.ix_(v, v)] + 1e-9 * np.eye(len(v))
        to_v = np.asarray(np.linalg.inv(of_v), dtype=float)
        tells = whole[np.ix_(r, v)] @ to_v
        return cls(v, r, of_v, to_v, tells, whole[np.ix_(r, r)] - tells @ whole[np.ix_(v, r)])

    def made(self, likelihood: Likelihood, candidate: Candidate, t: Array, mean: Array, spread: Spread) -> Candidate:
        """The candidate at the board with the values t[v], as Laplace has it; mean: that board's, with `learnt` in
        it."""
        y, mu = likelihood.evidence.y, likelihood.freedoms[candidate.scale].mean
        n = len(y)
        solved = mean[:n] - likelihood.learnt
        h = np.vstack([spread.rows, np.eye(n)])
        off_v = t[self.v] - mu[self.v]
        h_r = h[self.r]
        j = h[self.v] + self.tells.T @ h_r
        expected = solved + (mu[self.r] + self.tells @ off_v) @ h_r
        noise = h_r.T @ self.left @ h_r + np.diag(spread.noise)
        inverse = np.linalg.inv(noise)
        off = y - expected
        fit = -0.5 * float(off @ inverse @ off + np.linalg.slogdet(2 * math.pi * noise)[1] + off_v @ self.to_v @ off_v)
        fit -= 0.5 * float(np.linalg.slogdet(np.eye(len(self.v)) + self.of_v @ (j @ inverse @ j.T))[1])
        as_drawn = mean.copy()
        as_drawn[:n] = solved + spread.shifts[candidate.scale] - t[self.v] @ h[self.v]
        made = replace(candidate, mean=as_drawn, covariance=spread.covariances[candidate.scale])
        fit += likelihood.answers(made) + float(likelihood.weights[candidate.scale])
        return replace(made, log_likelihood=fit if math.isfinite(fit) else -math.inf)


def _at_best(candidate: Candidate, y: Array) -> float:
    """The score of a candidate if its tolerances took all by which it fits worse than chance has it."""
    off = y - candidate.mean[: len(y)]
    chi = float(off @ np.linalg.solve(candidate.covariance, off))
    return candidate.score + 0.5 * max(chi - len(y), 0.0)


def misses(candidate: Candidate, y: Array, least: float = MISSES) -> bool:
    """Whether some reading lies so many standard deviations off the prediction, given all others."""
    return bool(np.abs(given_others(y, candidate.mean[: len(y)], candidate.covariance)).max(initial=0.0) > least)


def _estimate(likelihood: Likelihood, candidate: Candidate, spread: Spread) -> Array:
    """(T + n,) standard deviations by which the readings put each unknown off the drawn one."""
    y, freedom = likelihood.evidence.y, likelihood.freedoms[candidate.scale]
    off = y - candidate.mean[: len(y)]
    h = np.vstack([spread.rows, np.eye(len(y))])
    found = freedom.mean + freedom.covariance @ (h @ np.linalg.solve(spread.covariances[candidate.scale], off))
    ends = np.array([LIMIT if not u.log else FAR for u in likelihood.unknowns])
    found[: len(ends)] = np.clip(found[: len(ends)], -ends, ends)
    estimate: Array = found
    return estimate


def _with(likelihood: Likelihood, candidate: Candidate, estimate: Array) -> Change:
    """The candidate's board with its unknown values moved."""
    values: dict[str, Any] = {}
    factors: dict[str, float] = {}
    settings: dict[str, float] = {}
    for unknown, t in zip(likelihood.unknowns, estimate.tolist(), strict=False):
        factor = unknown.factor(t)
        if unknown.setting:
            settings[unknown.path] = factor - 1
        elif unknown.stray is None and unknown.drawn:
            factors[unknown.path] = factors.get(unknown.path, 1.0) * factor
            values[unknown.path] = unknown.drawn * factors[unknown.path]
    return candidate.change.plus(Change(values=values, setting_errors=settings, factors=factors))
