"""Ranking hypotheses by likelihood times prior (Bayes), in natural logarithms until the last line.

Nothing here knows of boards: a hypothesis is a name, a prior and what it predicts. Readings y with predicted mean m and
covariance S (tolerance of the parts and uncertainty of the readings together) have

    log L = -1/2 [ (y - m)^T S^-1 (y - m) + log |S| + n log 2 pi ]

and a hypothesis with a fitted parameter is charged for having fitted it (`occam`): what fits anything explains little.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wakeboard.harness.explain.evidence.uncertainty import Array

ODD_SIGMAS = 3.0
"""Standard deviations from which a reading does not agree with a prediction (one in 370 for a good one)."""
FAR_SIGMAS = 4.0
NEAR_SIGMAS = 2.0
"""Up to the first a reading agrees all the same, if it is within the second given all others."""
APART = 2.0
"""Standard deviations (Mahalanobis) between two predictions below which no reading so far tells them apart."""
MOVED_ALIKE = 0.95
"""Correlation of what something else does to the readings of one net: what moves a net moves it in most states."""


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """What one explanation predicts for n readings: mean (n,) and covariance (n, n), and the log of its prior."""

    name: str
    log_prior: float
    mean: Array
    covariance: Array
    occam: float = 0.0  # log of what fitting its parameters cost

    def residuals(self, observed: Array) -> Array:
        """Standardised residuals (n,): how many standard deviations each reading is off, on its own."""
        sigma = np.sqrt(np.diag(self.covariance))
        off: Array = (observed - self.mean) / sigma
        return off


def log_gaussian(observed: Array, mean: Array, covariance: Array) -> float:
    """Log density of `observed` (n,) under a multivariate normal; covariance must be positive definite."""
    if observed.size == 0:
        return 0.0
    lower = np.linalg.cholesky(covariance)
    white = np.linalg.solve(lower, observed - mean)
    log_det = 2 * float(np.log(np.diag(lower)).sum())
    return -0.5 * (float(white @ white) + log_det + observed.size * math.log(2 * math.pi))


def occam_factor(log_range: float, information: float) -> float:
    """Laplace's charge for one fitted parameter: log of (posterior width · sqrt(2 pi)) over the prior's range.

    log_range: natural log of highest over lowest value that the prior allows (flat in the logarithm);
    information: second derivative of -log L by the logarithm of the parameter, at the best fit. Never above 0.
    """
    return min(0.0, 0.5 * math.log(2 * math.pi / max(information, 1e-12)) - math.log(log_range))


def posterior(log_priors: Sequence[float] | Array, log_likelihoods: Sequence[float] | Array) -> Array:
    """Probabilities (h,) adding to 1. ValueError where no hypothesis is possible at all."""
    total = np.asarray(log_priors, dtype=float) + np.asarray(log_likelihoods, dtype=float)
    best = total.max(initial=-math.inf)
    if not math.isfinite(best):
        raise ValueError("no hypothesis is possible given these observations")
    weight = np.exp(total - best)
    out: Array = weight / weight.sum()
    return out


def entropy(probabilities: Array) -> float:
    """Shannon entropy in bits."""
    p = probabilities[probabilities > 0]
    return float(-(p * np.log2(p)).sum()) + 0.0


def log_something_else(
    observed: Array,
    nominal: Hypothesis,
    groups: Sequence[Hashable],
    widths: Array,
    rarity: float = 0.05,
    beyond: Array | None = None,
) -> tuple[float, frozenset[Hashable]]:
    """Log likelihood of "something not in this model", and the groups of readings that it leaves free.

    beyond (n,): by how much, in natural logarithms, the covariance promises too much of each reading that is not freed.

    It predicts the nominal board, but for a few groups (a net, a supply's current) that may sit anywhere: normal with
    standard deviation widths (n,), 0.95 correlated in the group, since what moves a net moves it in most states.
    Each freed group costs `rarity`. Found greedily: free the group that gains most, while there is a gain.
    """
    labels = list(dict.fromkeys(groups))
    member = {label: np.array([g == label for g in groups], dtype=float) for label in labels}
    covariance = nominal.covariance
    untouched = len(labels) * math.log1p(-rarity)
    too_much = np.zeros(len(observed)) if beyond is None else beyond
    held = np.ones(len(observed))
    best = log_gaussian(observed, nominal.mean, covariance) + untouched - float(too_much @ held)
    freed: set[Hashable] = set()
    toll = math.log(rarity) - math.log1p(-rarity)
    suspects = _suspects(observed, nominal, labels, member)
    while suspects:
        tried = []
        for label in suspects:
            wide = covariance + _broad(member[label] * widths)
            kept = float(too_much @ (held * (1 - member[label])))
            tried.append((log_gaussian(observed, nominal.mean, wide) - kept, label, wide))
        fit, label, wide = max(tried, key=lambda t: t[0])
        total = fit + untouched + toll * (len(freed) + 1)
        if total <= best:
            break
        best, covariance = total, wide
        held *= 1 - member[label]
        freed.add(label)
        suspects.remove(label)
    return best, frozenset(freed)


def _broad(widths: Array) -> Array:
    out: Array = MOVED_ALIKE * np.outer(widths, widths) + (1 - MOVED_ALIKE) * np.diag(widths**2)
    return out


def _suspects(
    observed: Array, nominal: Hypothesis, labels: list[Hashable], member: dict[Hashable, Array]
) -> list[Hashable]:
    """Groups worth freeing: a reading of theirs is off alone, or given all the others (precision matrix)."""
    precision = np.linalg.inv(nominal.covariance)
    conditional = np.abs(precision @ (observed - nominal.mean)) / np.sqrt(np.diag(precision))
    off = np.maximum(np.abs(nominal.residuals(observed)), conditional)
    worst = {label: float((member[label] * off).max()) for label in labels}
    return sorted((label for label in labels if worst[label] > 2), key=lambda label: -worst[label])[:24]


def given_others(y: Array, mean: Array, covariance: Array) -> Array:
    """(n,) standard deviations by which each reading y lies off its prediction, given all others."""
    precision = np.linalg.inv(covariance)
    off: Array = precision @ (y - mean) / np.sqrt(np.diag(precision))
    return off


def agreement(hypothesis: Hypothesis, observed: Array) -> NDArray[np.bool_]:
    """Which readings (n,) a hypothesis accounts for.

    One a little too far off is accounted for where the other readings put it there: what nobody knows is off then.
    """
    off = np.abs(hypothesis.residuals(observed))
    given = np.abs(given_others(observed, hypothesis.mean, hypothesis.covariance))
    accounts: NDArray[np.bool_] = (off <= ODD_SIGMAS) | ((off <= FAR_SIGMAS) & (given <= NEAR_SIGMAS))
    return accounts


def distance(first: Hypothesis, second: Hypothesis) -> float:
    """Mahalanobis distance between two predictions: below about 2 no reading so far tells them apart."""
    apart = first.mean - second.mean
    covariance = 0.5 * (first.covariance + second.covariance)
    return math.sqrt(max(0.0, float(apart @ np.linalg.solve(covariance, apart))))


def group(hypotheses: Sequence[Hypothesis], probabilities: Array, apart: float = APART) -> list[list[int]]:
    """Indices of hypotheses that these readings cannot tell apart, likeliest group first, likeliest member first.

    Each hypothesis joins the first, likelier one whose prediction is nearer than `apart` standard deviations.
    """
    order = np.argsort(-probabilities, kind="stable")
    groups: list[list[int]] = []
    for index in order:
        home = next((g for g in groups if distance(hypotheses[g[0]], hypotheses[index]) < apart), None)
        if home is None:
            groups.append([int(index)])
        else:
            home.append(int(index))
    return sorted(groups, key=lambda g: -float(probabilities[g].sum()))
