"""The next measurement: the one that is expected to tell most, for the effort it takes.

Expected information gain of a measurement Y about the hypothesis H is their mutual information,

    I(H; Y) = H(Y) - H(Y | H) = sum_h p_h E_{y|h} log2 [ p(y | h) / sum_j p_j p(y | j) ]     bits

For outcomes from a list it is a table sum; for a voltage each hypothesis predicts a normal distribution and the
expectation is taken with Gauss-Hermite nodes. What is unsafe or out of reach never gets on the list; what is laborious
is divided by its effort (`sequences/priors.toml`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from harness.explain.rank import entropy
from harness.explain.uncertainty import Array

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(9)


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


@dataclass(frozen=True, slots=True)
class Choice:
    """A measurement with the bits that it is expected to give."""

    measurement: Measurement
    bits: float

    @property
    def worth(self) -> float:
        """Bits for the effort."""
        return self.bits / self.measurement.effort

    def as_json(self) -> dict[str, Any]:
        m = self.measurement
        return {
            "point": m.point, "quantity": m.quantity, "state": m.state, "bits": round(self.bits, 4),
            "effort": m.effort, "does": m.does,
        }  # fmt: skip


def expected_entropy(prior: Array, outcomes: Array) -> float:
    """Expected entropy of the hypotheses in bits after an outcome is seen.

    prior: (h,) probabilities; outcomes: (h, k) probability of each outcome under each hypothesis, rows adding to 1.
    """
    joint = prior[:, None] * outcomes
    seen = joint.sum(axis=0)
    return float(sum(p * entropy(joint[:, k] / p) for k, p in enumerate(seen) if p > 0))


def information(prior: Array, mean: Array, sigma: Array) -> float:
    """Expected information in bits about the hypotheses from one reading. prior, mean, sigma: (h,), sigma > 0."""
    y = mean[:, None] + sigma[:, None] * _NODES[None, :]  # (h, nodes)
    z = (y[:, :, None] - mean[None, None, :]) / sigma[None, None, :]
    log_each = -0.5 * z**2 - np.log(sigma)[None, None, :]
    own = -0.5 * _NODES[None, :] ** 2 - np.log(sigma)[:, None]
    top = log_each.max(axis=2, keepdims=True)
    mixture = top[:, :, 0] + np.log((np.exp(log_each - top) * prior[None, None, :]).sum(axis=2) + 1e-300)
    gain = ((own - mixture) @ _WEIGHTS) / _WEIGHTS.sum() / np.log(2)
    return float(max(0.0, prior @ gain))


def rank_measurements(prior: Array, measurements: Iterable[Measurement], least_bits: float = 1e-3) -> list[Choice]:
    """Measurements by bits for their effort, best first; those that tell nothing are left out."""
    choices = [Choice(m, information(prior, m.mean, m.sigma)) for m in measurements]
    return sorted((c for c in choices if c.bits > least_bits), key=lambda c: (-c.worth, c.measurement.point))


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
