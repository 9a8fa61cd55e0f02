"""How well the model fits, and what was learnt of it: the likeliest explanation's unknowns, given all that was read.

With the unknowns (t, d) normal about mu with covariance G, and the readings y = m + H (t, d) + noise,

    (t, d) | y = mu + G H^T S^-1 (y - m)            S = H G H^T + noise

Where some t lies far from what its part's drawing has, that part's model is in doubt: its data sheet tells, or a
reading of that part by itself. chi^2/n = (y - m)^T S^-1 (y - m) / n is about 1 where the whole fits (a predictive
check: it sees misfit, but no phantom that fits). What other units alone have taught is `learnt`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from wakeboard.harness.explain.evidence.freedom import Freedom
from wakeboard.harness.explain.evidence.roughness import Doubt, Learnt, ModelFit
from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.instruments.virtual.circuit.bench.unknowns import Unknown

if TYPE_CHECKING:
    from wakeboard.harness.explain.rank.candidate import Candidate
    from wakeboard.harness.explain.rank.likelihood import Likelihood

DOUBTED: Final = 2.0
"""Standard deviations of the table from which a part's model is in doubt."""
MOST: Final = 4
KNOWN: Final = 0.6
"""Of the deviation before, or of how far off a value is, what may be left where it counts as learnt."""
MOVED: Final = 0.8
"""Standard deviations of the table by which a learnt value is worth telling."""

STRAIGHT: Final = 0.6
"""Relative change up to which a value is taken as moved along the slope."""

TOLD: Final = 0.02
"""Share of the drawn value by which a learnt one must differ to be told: two digits are shown."""


def model_fit(likelihood: Likelihood, best: Candidate) -> ModelFit:
    """Of the likeliest explanation (or the drawn board), at the scale at which it is likeliest."""
    y = likelihood.evidence.y
    off = y - best.mean[: len(y)]
    solved = np.linalg.solve(best.covariance, off)
    freedom = likelihood.freedoms[best.scale].widened(likelihood.wild[best.scale], best.wide)
    found = likeliest_unknowns(likelihood, best)
    scale = likelihood.scales[best.scale].parts
    teachers = 0 if likelihood.teachers is None else len(likelihood.teachers.off)
    return ModelFit(
        scale, float(off @ solved) / max(len(y), 1), _doubts(likelihood.unknowns, found),
        learnt_values(likelihood.unknowns, freedom, scale) if teachers else (), teachers,
    )  # fmt: skip


def likeliest_unknowns(likelihood: Likelihood, best: Candidate) -> Array:
    """(T + n,) unknowns and discrepancies of an explanation, given all that was read."""
    y = likelihood.evidence.y
    freedom = likelihood.freedoms[best.scale].widened(likelihood.wild[best.scale], best.wide)
    rows = best.rows if best.rows is not None else likelihood.spreads([best.change])[0].rows
    h = np.vstack([rows, np.eye(len(y))])
    found: Array = freedom.mean + freedom.covariance @ (h @ np.linalg.solve(best.covariance, y - best.mean[: len(y)]))
    return found


def _doubts(unknowns: Sequence[Unknown], found: Array) -> tuple[Doubt, ...]:
    far = [
        Doubt(u.path, u.says, float(t))
        for u, t in zip(unknowns, found, strict=False)
        if not u.stated and not u.anywhere and abs(t) > DOUBTED
    ]
    return tuple(sorted(far, key=lambda d: -abs(d.deviations))[:MOST])


def learnt_values(unknowns: Sequence[Unknown], freedom: Freedom, scale: float, most: int = MOST) -> tuple[Learnt, ...]:
    """Values of parts of which other units tell more than the table, and something else than the drawing; the furthest
    off first."""
    out = []
    left = np.sqrt(np.maximum(np.diag(freedom.of_type), 0.0))
    for k, u in enumerate(unknowns):
        before = np.sqrt(u.type_share) * (1.0 if u.stated else scale)
        t = float(freedom.mean[k])
        if (
            u.stray is None
            and u.drawn
            and not u.setting
            and left[k] < KNOWN * max(before, abs(t))
            and abs(t) > MOVED * min(scale, 1)
            and abs(_factor(u, t) - 1) > TOLD
        ):
            value = u.drawn * _factor(u, t)
            out.append((abs(t), Learnt(u.path, u.says, u.drawn, value, abs(value) * u.share * float(left[k]))))
    return tuple(each for _, each in sorted(out, key=lambda pair: -pair[0])[:most])


def _factor(unknown: Unknown, t: float) -> float:
    """By what the drawn value is multiplied. What units teach is worked out along slopes, so a factor of no more than
    STRAIGHT is one along the slope too."""
    straight = 1 + unknown.share * t
    return straight if unknown.log and abs(straight - 1) < STRAIGHT else unknown.factor(t)
