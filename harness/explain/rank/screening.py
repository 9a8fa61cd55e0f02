"""Every suspect over a grid of its values, in the few scenes that tell most: which are worth solving in full?"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.harness.explain.evidence.whiten import Whitener
from wakeboard.harness.explain.rank.candidate import Candidate, log_prior
from wakeboard.harness.explain.rank.likelihood import Likelihood
from wakeboard.harness.explain.rank.rank import given_others
from wakeboard.harness.explain.rank.suspects import Suspect

TELLING: Final = 9.0
"""Squared standard deviations that a further scene must add to be screened."""
SCENES: Final = 5
"""Scenes that are screened at most."""
TAME: Final = 3.5
"""Standard deviations from which a reading is odd by itself: what others are, given it, says nothing."""
FIRST: Final = 2
"""Scenes of these in which all suspects are tried; the others see what is left then."""
LEAST: Final = 36
"""Suspects that go on in any case."""
BEHIND: Final = 150.0
"""Natural logarithms behind the best up to which a suspect goes on: values between grid points may fit better yet."""


@dataclass(frozen=True)
class Screened:
    """A suspect's best value, its predictions (v, m) over its values for the screened observations, its log density."""

    suspect: Suspect
    value: float | None
    values: list[float | None]
    means: Array
    fit: float

    @property
    def rough(self) -> float:
        """Its score, roughly: some two for having fitted a value."""
        return self.fit + log_prior([self.suspect]) - (2.0 if self.suspect.fitted else 0.0)


def telling(likelihood: Likelihood, none: Candidate) -> list[list[int]]:
    """Observations of the few scenes that tell most: of the first of them, and of all.

    Those with the oddest readings, each net that is odd counted once. Odd by itself, or given all others that are not:
    a level that is 60 mV low is within what its rail may be, but not where the rail was measured too.
    """
    evidence = likelihood.evidence
    of = np.array(likelihood.predictor.scenes())[: len(evidence.y)]
    nets = list(evidence.groups)
    alone = none.hypothesis().residuals(evidence.y) ** 2
    tame = np.flatnonzero(alone < TAME**2)
    given = np.zeros(len(alone))
    given[tame] = given_others(evidence.y[tame], none.mean[tame], none.covariance[np.ix_(tame, tame)])
    odd = np.minimum(np.maximum(alone, given**2), 400.0)
    chosen: list[int] = []
    weight = odd + 0.5
    for _ in range(min(SCENES, len(set(of)))):
        totals = {s: float(weight[of == s].sum()) for s in dict.fromkeys(of.tolist()) if s not in chosen}
        best = max(totals, key=lambda s: totals[s])
        if len(chosen) > 1 and totals[best] < TELLING:
            break
        chosen.append(best)
        seen = {nets[k] for k in np.flatnonzero((of == best) & (odd >= TELLING)).tolist()}
        weight = np.array([w * (0.2 if nets[k] in seen else 1.0) for k, w in enumerate(weight)])
    return [np.flatnonzero(np.isin(of, some)).tolist() for some in (chosen[:FIRST], chosen)]


def screen(
    likelihood: Likelihood, suspects: Sequence[Suspect], stages: Sequence[Sequence[int]], none: Candidate
) -> list[Screened]:
    """Suspects over their grids, in stages of ever more observations; only those that still may be it go on.

    What is left after the last stage, likeliest first, its predictions those of the last stage's observations.
    """
    left = list(suspects)
    found: list[Screened] = []
    for only in stages:
        few = list(only)
        white = Whitener(none.covariance[np.ix_(few, few)])
        found = sorted(_over_grids(likelihood, left, few, white), key=lambda s: -s.rough)
        best = max((s.rough for s in found), default=-math.inf)
        place = places(found)
        found = [s for s in found if place[s.suspect.key] < LEAST or s.rough > best - BEHIND]
        left = [s.suspect for s in found]
    return found


def _over_grids(
    likelihood: Likelihood, suspects: Sequence[Suspect], only: list[int], white: Whitener
) -> list[Screened]:
    keys: dict[str, Suspect] = {}
    for suspect in suspects:
        keys.setdefault(suspect.key, suspect)
    plan = [(key, value) for key, s in keys.items() for value in s.grid()]
    means = likelihood.nearly([keys[key].change(value) for key, value in plan], only=only)
    rows: dict[str, list[int]] = {}
    for k, (key, _) in enumerate(plan):
        rows.setdefault(key, []).append(k)
    y = likelihood.evidence.y[only]
    best = dict(_best_on_grids([(s, means[rows[key]]) for key, s in keys.items()], y, white))
    return [replace(best[s.key], suspect=s) for s in suspects]


def places(screened: Sequence[Screened]) -> dict[str, int]:
    """Key -> place, best first; those that predict the same share one."""
    found: dict[str, int] = {}
    for each in screened:
        found.setdefault(each.suspect.key, len(found))
    return found


def _best_on_grids(of: Sequence[tuple[Suspect, Array]], y: Array, white: Whitener) -> Iterator[tuple[str, Screened]]:
    """The best value of each suspect, by its key. of: suspects, and what each predicts (V, only) over its grid."""
    alike: dict[tuple[float, ...], list[tuple[Suspect, Array]]] = {}
    for suspect, means in of:
        good = np.all(np.isfinite(means), axis=1)
        values = suspect.grid()
        if len(values) > 2 and good.sum() > 2:
            solved = tuple(v for v, g in zip(values, good, strict=True) if g and v is not None)
            alike.setdefault(solved, []).append((suspect, means[good]))
        else:
            yield suspect.key, _best_of(suspect, values, means, white.log_likelihoods(y, means))
    for solved, group in alike.items():
        fine, finer = _between(solved, [means for _, means in group])
        fits = white.log_likelihoods(y, np.concatenate(finer)).reshape(len(group), -1)
        for (suspect, _), means, fit in zip(group, finer, fits, strict=True):
            yield suspect.key, _best_of(suspect, fine, means, fit)


def _between(values: Sequence[float], means: Sequence[Array]) -> tuple[list[float | None], Array]:
    """Finer values, and what (K, fine, only) several suspects with these values predict there: interpolated in the
    logarithm, all at once."""
    from scipy.interpolate import PchipInterpolator

    at = np.log(values)
    fine = np.linspace(at[0], at[-1], 6 * len(at))
    finer: Array = PchipInterpolator(at, np.array(means), axis=1)(fine)
    return [float(v) for v in np.exp(fine)], finer


def _best_of(suspect: Suspect, values: Sequence[float | None], means: Array, fit: Array) -> Screened:
    k = int(np.argmax(fit))
    return Screened(suspect, values[k], list(values), means, float(fit[k]) if math.isfinite(fit[k]) else -math.inf)
