"""Weighs suspects against a run's readings: none, one, then two faults, with their values fitted.

screen    every suspect at a few values, all at once, against the covariance of the drawn board (screening.py)
refine    the likeliest: values by Gauss-Newton, all readings predicted (fitting.py)
weigh     the finalists with a covariance of their own: tolerances as they act on that faulty board (likelihood.py)
pairs     only where no single fault accounts for what is odd: screened as if effects added, then solved (pairs.py)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from harness.explain import rank
from harness.explain.candidate import Candidate, Weighing, log_prior
from harness.explain.evidence import Answered, Evidence
from harness.explain.fitting import Fitter
from harness.explain.likelihood import Likelihood, Predicts
from harness.explain.pairs import Pairing, needed
from harness.explain.screening import Screened, screen, telling
from harness.explain.slopes import Tolerance
from harness.explain.suspects import Suspect
from harness.explain.whiten import Whitener

__all__ = ["Answered", "Candidate", "Evidence", "Predicts", "Weigher", "Weighing", "needed"]

SCREENED: Final = 36
"""Suspects that are solved in all scenes after screening."""
FINALISTS: Final = 16
"""Of those, refined and weighed with a covariance of their own."""
CLOSE_ENOUGH: Final = 0.97
"""Posterior probability of the singles (against "something else") from which pairs are not searched."""


@dataclass
class Weigher:
    """Weighs suspects for one unit. `tolerances`: the values that a reading may depend on, with their deviations."""

    predictor: Predicts
    evidence: Evidence
    suspects: Sequence[Suspect]
    tolerances: Sequence[Tolerance]
    something_else: float
    rarity: float = 0.05

    def weigh(self, pairs: bool = True) -> Weighing:
        """Rank none, one and, where needed and `pairs`, two faults."""
        self._begin()
        screened = screen(self.likelihood, self.suspects, self.only, self.white_few)
        weighed = self._final(self.fitter.refine(self._best_singles(screened)))
        result = self._result(weighed)
        if pairs and self._unsettled(result):
            pairing = Pairing(
                self.only, self.evidence.y[self.only], self.likelihood.base[self.only], self.white_few, self.none
            )
            both = self.fitter.solved(pairing.best(weighed, screened))[:FINALISTS]
            weighed += needed(weighed, self._final(self.fitter.refine(both)))
            result = self._result(weighed)
        return result

    def _begin(self) -> None:
        """The drawn board: what it predicts, how sure that is, and what something else would have to account for."""
        self.likelihood = Likelihood(self.predictor, self.evidence, self.tolerances)
        base = self.likelihood.base
        if not np.all(np.isfinite(base)):
            raise ValueError("the circuit has no operating point in one of the bench states, even without a fault")
        covariance = self.likelihood.covariances([Candidate((), (), base, np.eye(1), 0.0).change])[0]
        self.none = self.likelihood.scored(Candidate((), (), base, covariance, log_prior(())))
        self.only = telling(self.likelihood, self.none)
        self.white = Whitener(covariance)
        self.white_few = self.white.part(self.only)
        self.fitter = Fitter(self.likelihood, self.white, self.only)
        fit, self.freed = self.likelihood.something_else(self.none, self.rarity)
        self.other = fit + math.log(self.something_else)

    def _unsettled(self, result: Weighing) -> bool:
        """Whether one fault does not do: "something else" is in play, or the likeliest leaves readings unexplained."""
        best = result.candidates[0] if result.candidates else None
        leaves = best is not None and bool(best.freed) and result.probabilities[0] > result.p_none
        return result.p_other > 1 - CLOSE_ENOUGH or leaves

    def _best_singles(self, screened: Sequence[Screened]) -> list[Candidate]:
        kept = [s for s in sorted(screened, key=lambda s: -s.rough)[:SCREENED] if math.isfinite(s.fit)]
        found = [
            replace(self.none, suspects=(s.suspect,), values=(s.value,), log_prior=log_prior([s.suspect])) for s in kept
        ]
        return self.fitter.solved(found)[:FINALISTS]

    def _final(self, candidates: list[Candidate]) -> list[Candidate]:
        """The likeliest, weighed and fitted once more with covariances of their own, each scene solved exactly.

        Of candidates that predict the same one is solved for all.
        """
        alike: dict[tuple[object, ...], list[Candidate]] = {}
        for c in self._in_sight(candidates):
            alike.setdefault(c.solved_as, []).append(c)
        best = [group[0] for group in alike.values()]
        if not best:
            return candidates
        whites = [Whitener(k) for k in self.likelihood.covariances([c.change for c in best])]
        fitted = self.fitter.step(best, whites)
        exact = self.likelihood.predict([c.change for c in fitted], exact=True, near=[c.change for c in best])
        out = []
        for old, new, mean, white in zip(best, fitted, exact, whites, strict=True):
            for c in alike[old.solved_as]:
                own = replace(new, suspects=c.suspects, log_prior=c.log_prior, mean=mean, covariance=white.covariance)
                out.append(self.likelihood.forgiven(self.likelihood.scored(own), self.rarity, self.freed))
        done = {c.texts_open for c in out}
        return [c for c in [*out, *(c for c in candidates if c.texts_open not in done)] if math.isfinite(c.score)]

    def _in_sight(self, candidates: list[Candidate]) -> list[Candidate]:
        """Those whose fit, rough as it is, comes within half of what the best gains over no fault at all."""
        if not candidates:
            return []
        best = max(c.log_likelihood for c in candidates)
        gain = max(best - self.none.log_likelihood, 0.0)
        return [c for c in candidates if c.log_likelihood > best - max(0.5 * gain, 100.0)]

    def _result(self, candidates: list[Candidate]) -> Weighing:
        ordered = sorted(candidates, key=lambda c: -c.score)
        p = rank.posterior([self.none.score, self.other, *(c.score for c in ordered)], np.zeros(len(ordered) + 2))
        return Weighing(ordered, p[2:], self.none, float(p[0]), float(p[1]), self.freed, self.likelihood.solved)
