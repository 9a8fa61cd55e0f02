"""What each hypothesis predicts for readings that are not taken yet, given those that are.

Under one hypothesis the readings y that were taken and the ones to come are normal together, with

    S = J J^T + N        J: what one standard deviation of each toleranced, fitted or set value does to each reading

so that a reading to come is known better than its tolerances say: the regulator's true output, once read, holds in the
next state too (m' = m_k + S_ko S_oo^-1 (y - m_o), S' = S_kk - S_ko S_oo^-1 S_ok). N holds what is not known of a
reading by itself: meter and model, and the charge or leakage on a net that nothing drives. It is `ALIKE` correlated
between readings of one net in different states: a model that is wrong about a net is wrong about it once more.

How rough the board is, the readings have told: each hypothesis is likeliest at some scale of what nobody states, and
a few readings tell that to a step of the scales. J J^T is the mean of these, by the hypotheses' probabilities, and one
for all: no reading shall seem to tell two apart because one of them would have it wider.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from wakeboard.harness.explain.choose.in_play import Live
from wakeboard.harness.explain.evidence.freedom import SCALES, USUAL, Freedom, Scale
from wakeboard.harness.explain.evidence.observe import Observation, sigma_at
from wakeboard.harness.explain.evidence.predict import Predictor
from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.harness.explain.evidence.wild import Wild, wilds
from wakeboard.harness.explain.rank.fitting import STEP
from wakeboard.harness.explain.rank.likelihood import UNTAUGHT
from wakeboard.harness.explain.unit.cases import Case, freedom
from wakeboard.instruments.virtual.circuit.bench.change import Change

ALIKE: Final = 0.9
"""Correlation of what the model is wrong by in two readings of one net (estimate, no source)."""
UNFITTED: Final = 1.0
"""Standard deviation of a fitted value before it is read of, in its natural logarithm: slopes hold no further."""
LIKELY: Final = 0.05
"""Probability from which what a hypothesis has wide counts for all."""
SURPRISE: Final = 2.0
"""Standard deviations by which what was read may shift what is to come."""


def foreseen(case: Case, in_play: Live, wanted: Sequence[Observation]) -> tuple[Array, Array]:
    """(H, k) mean and standard deviation of each reading to come, under each hypothesis in play.

    Rows of hypotheses without an answer of the circuit hold NaN.
    """
    taken = list(case.observations)
    n = len(taken)
    both = [*taken, *wanted]
    predictor = Predictor(case.model.circuit, case.model.supplies, both, case.fixed, stand=case.model.stand)
    own = predictor.predict([Change()], exact=True) - predictor.predict([Change()])
    mean = predictor.predict(in_play.changes) + own
    shifts = predictor.shifts(in_play.changes, case.unknowns)
    free_to = _as_found(case, freedom(case.unknowns, both, np.nan_to_num(mean[0]).tolist()), in_play)
    slack = predictor.slack(in_play.changes)
    fitted = _fitted(predictor, in_play, mean - own)
    alike = _alike(both)
    y = np.array([o.y for o in taken])
    out, deviation = mean[:, n:].copy(), np.full((len(mean), len(wanted)), np.nan)
    for h in range(len(mean)):
        if not np.all(np.isfinite(mean[h])):
            continue
        sigma = np.array(
            [*(o.sigma for o in taken), *(sigma_at(o, float(m)) for o, m in zip(wanted, mean[h, n:], strict=True))]
        )
        noise = np.hypot(sigma, slack[h])
        covariance = free_to.spread(shifts[h]) + np.outer(noise, noise) * alike
        for row in fitted[h]:
            covariance += np.outer(row, row)
        free = [in_play.free.of(o) if h == in_play.other else (0.0, 0.0) for o in both]
        use = [k for k in range(n) if free[k] == (0.0, 0.0)]
        out[h], deviation[h] = _given(y[use] - mean[h, use], covariance, use, n)
        out[h] += mean[h, n:] + np.array([shift for shift, _ in free[n:]])
        deviation[h] = np.hypot(deviation[h], [wide for _, wide in free[n:]])
    return out, deviation


def _as_found(case: Case, free_to: Freedom, in_play: Live) -> Freedom:
    """How far the unknowns may go as the hypotheses have it: each at its own scale and at the next wider one, with the
    types that the likelier ones have wide."""
    powers = [u.power for u in case.unknowns]
    wide = _wide(case, in_play)
    of_type, of_piece = np.zeros_like(free_to.of_type), np.zeros_like(free_to.of_piece)
    for scale, weight in _scales(in_play).items():
        beside = [each.beside(scale.parts, powers[int(each.members[0])]) for each in wide]
        found = free_to.scaled(scale, powers).widened(beside, range(len(beside)))
        of_type, of_piece = of_type + weight * found.of_type, of_piece + weight * found.of_piece
    return replace(free_to, of_type=of_type, of_piece=of_piece)


def _scales(in_play: Live) -> dict[Scale, float]:
    """How likely each is, the table's own where nothing is known of a hypothesis."""
    out: dict[Scale, float] = defaultdict(float)
    for c, p in zip(in_play.candidates, in_play.probabilities.tolist(), strict=True):
        if c is None:
            out[SCALES[USUAL]] += p
            continue
        own = SCALES[c.scale if c.scale < len(SCALES) else UNTAUGHT[c.scale - len(SCALES)]]
        out[own] += 0.5 * p
        out[own.wider] += 0.5 * p
    return out


def _wide(case: Case, in_play: Live) -> list[Wild]:
    """The types that a likely hypothesis has wide, each as wide as any has it."""
    kinds = wilds(case.unknowns)
    found: dict[int, Wild] = {}
    for c, p in zip(in_play.candidates, in_play.probabilities.tolist(), strict=True):
        for wide in (kinds[k] for k in c.wide) if c is not None and p > LIKELY else ():
            first = int(wide.members[0])
            if first not in found or wide.times > found[first].times:
                found[first] = wide
    return list(found.values())


def _given(residuals: Array, covariance: Array, use: Sequence[int], n: int) -> tuple[Array, Array]:
    """(k,) shift and deviation of what comes after the first n, given residuals of some of those."""
    prior = np.diag(covariance)[n:]
    if not len(use):
        return np.zeros(len(prior)), np.sqrt(prior)
    gain = np.linalg.solve(covariance[np.ix_(use, use)], covariance[use, n:])
    variance = prior - (gain * covariance[use, n:]).sum(axis=0)
    most = SURPRISE * np.sqrt(prior)
    return np.clip(residuals @ gain, -most, most), np.sqrt(np.maximum(variance, 1e-4 * prior))


def _alike(both: Sequence[Observation]) -> Array:
    """(n, n) correlation of what is not known of each reading by itself."""
    same = np.array([[a.of == b.of and a.quantity == b.quantity and a.turned == b.turned for b in both] for a in both])
    out: Array = np.where(same, ALIKE, 0.0)
    np.fill_diagonal(out, 1.0)
    return out


def _fitted(predictor: Predictor, in_play: Live, mean: Array) -> list[list[Array]]:
    """For each hypothesis what one standard deviation of each of its fitted values does to the readings."""
    plan = [
        (h, c.moved({k: STEP}).change, c.suspects[k].log_range)
        for h, c in enumerate(in_play.candidates) if c is not None for k in c.fitted
    ]  # fmt: skip
    out: list[list[Array]] = [[] for _ in in_play.changes]
    if not plan:
        return out
    moved = predictor.predict([change for _, change, _ in plan], near=[in_play.changes[h] for h, _, _ in plan])
    for (h, _, log_range), row in zip(plan, moved, strict=True):
        slope = (row - mean[h]) / STEP
        out[h].append(np.where(np.isfinite(slope), slope, 0.0) * min(UNFITTED, log_range / math.sqrt(12)))
    return out
