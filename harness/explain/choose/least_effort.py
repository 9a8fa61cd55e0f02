"""The next measurement: the one with which the least effort is expected until one group is left.

Expected information gain of a measurement Y about the hypothesis H is their mutual information,

    I(H; Y) = H(Y) - H(Y | H) = sum_h p_h E_{y|h} log2 [ p(y | h) / sum_j p_j p(y | j) ]     bits

For outcomes from a list it is a table sum; for a voltage each hypothesis predicts a normal distribution and the
expectation is taken with Gauss-Hermite nodes. What is unsafe or out of reach never gets on the list.

Hypotheses that no measurement on the list tells apart are one group, as far as this bench goes; bits count between
groups only, and one group is left when it holds `ENOUGH`. What tells most for its effort is not always best: a cheap
reading of half a bit leaves the matter open, and another must follow. So each measurement is put in the balance with
what is expected after it,

    ahead = effort + E_y [ 0 if one group is left, else max(least effort, H(groups | y) · least effort of a bit) ]

which is the entropy bound of what is left, at the price of the best measurement on the list, and at least one more. No
single measurement may come near that price, where many places share what is left. So the first few are looked into one
step deeper: after each outcome the best that may follow is taken, and the bound stands for what is left after that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.results.explanation import NextMeasurement

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(9)
_SHARES = _WEIGHTS / _WEIGHTS.sum()

APART = 2.0
"""Standard deviations from which a reading tells two hypotheses apart."""
ENOUGH = 0.97
"""Probability of one group from which it counts as the one that is left."""
LOOKED_INTO = 6
"""Measurements that are looked into one step deeper."""
FOLLOW = 12
"""Measurements that may follow one of these: so many of the least effort ahead, and so many that tell most."""
RARE = 1e-3
"""Probability of outcomes that are not followed; the bound stands for these."""


@dataclass(frozen=True, slots=True)
class Measurement:
    """A measurement that could be made: where, what, in which bench state, and its effort (1 = touch one more point).

    mean and sigma (h,) are what each hypothesis predicts, sigma with the meter's own uncertainty in it.
    """

    point: str
    quantity: str
    state: str
    effort: float
    mean: Array
    sigma: Array
    does: str = ""
    detail: dict[str, Any] = field(default_factory=dict)

    @property
    def key(self) -> tuple[str, str, str, str]:
        """What tells it from other measurements."""
        return self.point, self.quantity, self.state, self.does


@dataclass(frozen=True, slots=True)
class Choice:
    """A measurement with the bits that it is expected to give, and the effort expected from it on until one group is
    left, its own included."""

    measurement: Measurement
    bits: float
    ahead: float

    def told(self) -> NextMeasurement:
        m = self.measurement
        return NextMeasurement(
            m.point, m.quantity, m.state, round(self.bits, 4), m.effort, round(self.ahead, 3), m.does
        )  # fmt: skip


def information(prior: Array, mean: Array, sigma: Array, groups: Sequence[Sequence[int]] | None = None) -> float:
    """Expected information in bits about the hypotheses from one reading, or about their groups where such are given.

    prior, mean, sigma: (h,), sigma > 0; groups: indices of hypotheses, each in one group.
    """
    return max(0.0, float(prior @ divergences(prior, mean, sigma, groups)))


def divergences(prior: Array, mean: Array, sigma: Array, groups: Sequence[Sequence[int]] | None = None) -> Array:
    """(h,) bits that a reading is expected to tell where each hypothesis is true, about its group: how far what it
    predicts is from what all predict."""
    member = _members(len(prior), groups)
    after = _after(prior, mean, sigma) @ member
    own = np.argmax(member, axis=1)
    told = np.log2(after[np.arange(len(prior)), :, own] + 1e-300) - np.log2((prior @ member)[own] + 1e-300)[:, None]
    out: Array = told @ _SHARES
    return out


def _members(count: int, groups: Sequence[Sequence[int]] | None) -> Array:
    """(h, g) which hypothesis is in which group; each in one of its own where no groups are given."""
    if groups is None:
        return np.eye(count)
    member = np.zeros((count, len(groups)))
    for g, group in enumerate(groups):
        member[list(group), g] = 1.0
    return member


def _after(prior: Array, mean: Array, sigma: Array) -> Array:
    """(h, nodes, h) probabilities of all hypotheses after each outcome that each of them gives."""
    weight = _likelihoods(mean, sigma) * prior[None, None, :] + 1e-300
    out: Array = weight / weight.sum(axis=2, keepdims=True)
    return out


def _likelihoods(mean: Array, sigma: Array) -> Array:
    """(h, nodes, h) of all hypotheses, for each outcome that each of them gives, the largest 1."""
    y = mean[:, None] + sigma[:, None] * _NODES[None, :]
    z = (y[:, :, None] - mean[None, None, :]) / sigma[None, None, :]
    each = -0.5 * z**2 - np.log(sigma)[None, None, :]
    out: Array = np.exp(each - each.max(axis=2, keepdims=True))
    return out


def told_apart(prior: Array, measurements: Sequence[Measurement]) -> list[list[int]]:
    """Groups of hypotheses that none of these measurements tells apart, the likeliest member of each first.

    Each joins the first, likelier one from which no reading would be `APART` standard deviations away.
    """
    mean = np.array([m.mean for m in measurements]).reshape(len(measurements), len(prior))
    sigma = np.array([m.sigma for m in measurements]).reshape(mean.shape)
    groups: list[list[int]] = []
    for h in np.argsort(-prior, kind="stable").tolist():
        for group in groups:
            k = group[0]
            apart = np.abs(mean[:, h] - mean[:, k]) / np.sqrt(0.5 * (sigma[:, h] ** 2 + sigma[:, k] ** 2))
            if not np.any(apart >= APART):
                group.append(h)
                break
        else:
            groups.append([h])
    return groups


def rank_measurements(prior: Array, measurements: Sequence[Measurement], least_bits: float = 1e-3) -> list[Choice]:
    """Measurements by the effort expected until one group is left, best first; those that tell nothing are left out,
    and all where one group is left already."""
    if not len(prior) or not measurements:
        return []
    groups = told_apart(prior, measurements)
    member = _members(len(prior), groups)
    if float((prior @ member).max()) >= ENOUGH:
        return []
    bits = [information(prior, m.mean, m.sigma, groups) for m in measurements]
    told = [(m, b) for m, b in zip(measurements, bits, strict=True) if b > least_bits]
    if not told:
        return []
    costs = _Costs(member, min(m.effort for m, _ in told), min(m.effort / b for m, b in told))
    choices = [Choice(m, b, m.effort + costs.left(prior, m)) for m, b in told]
    choices.sort(key=_best_first)
    may_follow = {id(c): c.measurement for c in (*choices[:FOLLOW], *sorted(choices, key=lambda c: -c.bits)[:FOLLOW])}
    follow = list(may_follow.values())
    deeper = [
        replace(c, ahead=c.measurement.effort + costs.followed(prior, c.measurement, follow))
        for c in choices[:LOOKED_INTO]
    ]
    return sorted(deeper, key=_best_first) + choices[LOOKED_INTO:]


def _best_first(choice: Choice) -> tuple[float, float, float, str]:
    return choice.ahead, choice.measurement.effort, -choice.bits, choice.measurement.point


@dataclass(frozen=True, slots=True)
class _Costs:
    """What is expected until one group is left: `least` effort and `a_bit` for each bit of doubt, where more than one
    is left. member (h, g): which hypothesis is in which group."""

    member: Array
    least: float
    a_bit: float

    def _bound(self, p: Array) -> Array:
        """(...) effort where the hypotheses have probabilities p (..., h)."""
        groups = p @ self.member
        doubt = -(groups * np.log2(groups + 1e-300)).sum(axis=-1)
        out: Array = np.where(groups.max(axis=-1) >= ENOUGH, 0.0, np.maximum(self.least, doubt * self.a_bit))
        return out

    def left(self, prior: Array, m: Measurement) -> float:
        """Expected after a measurement."""
        return float(prior @ (self._bound(_after(prior, m.mean, m.sigma)) @ _SHARES))

    def followed(self, prior: Array, m: Measurement, follow: Sequence[Measurement]) -> float:
        """The same where the best of `follow` comes next, its effort included."""
        after = _after(prior, m.mean, m.sigma).reshape(-1, len(prior))
        weight = (prior[:, None] * _SHARES[None, :]).reshape(-1)
        effort = self._bound(after)
        open_ones = np.flatnonzero((effort > 0.0) & (weight >= RARE))
        if len(open_ones):
            next_ones = [n.effort + self._left_each(after[open_ones], n) for n in follow]
            effort[open_ones] = np.min(next_ones, axis=0)
        return float(weight @ effort)

    def _left_each(self, priors: Array, m: Measurement) -> Array:
        """left() for each of the probabilities (r, h)."""
        alike = _likelihoods(m.mean, m.sigma)
        weight = alike[None] * priors[:, None, None, :] + 1e-300
        left = self._bound(weight / weight.sum(axis=-1, keepdims=True)) @ _SHARES
        out: Array = (priors * left).sum(axis=1)
        return out


def shortest_distinct(choices: Sequence[Choice], count: int) -> list[Choice]:
    """The first `count` choices that are not the same point and quantity again in another state."""
    seen: set[tuple[str, str]] = set()
    out = []
    for choice in choices:
        key = (choice.measurement.point, choice.measurement.quantity)
        if key not in seen:
            seen.add(key)
            out.append(choice)
    return out[:count]
