"""Two faults at once: screened as if their effects added, so that thousands of pairs cost no solution."""

from __future__ import annotations

import math
from collections.abc import Sequence, Set
from dataclasses import dataclass
from typing import Final

import numpy as np

from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.harness.explain.evidence.whiten import Whitener
from wakeboard.harness.explain.rank.candidate import Candidate, log_prior
from wakeboard.harness.explain.rank.screening import Screened
from wakeboard.harness.explain.rank.suspects import Suspect

PAIRS: Final = 60
"""Pairs that are solved."""
FIRSTS: Final = 25
"""Suspects that are tried with every other as a pair."""
NEEDED: Final = 3.0
"""How much better, in natural logarithms, two faults must fit than one of them alone to be listed at all."""


@dataclass(frozen=True)
class Pairing:
    """What pairs are screened by: y and the drawn board's predictions (m,) in the telling scenes, their measure, and
    the suspects (their keys) that no reading at all shows."""

    few: Sequence[int]
    y: Array
    base: Array
    white: Whitener
    silent: Set[str]
    blank: Candidate  # a candidate's covariance and mean before it is solved

    def best(self, singles: Sequence[Candidate], screened: Sequence[Screened]) -> list[Candidate]:
        """The likeliest pairs with a first guess of their values, no pair twice.

        What no reading shows adds nothing to another fault: beside it that one would only be tried once more.
        """
        screened = [each for each in screened if each.suspect.key not in self.silent]
        singles = [c for c in singles if c.suspects[0].key not in self.silent]
        rough: list[tuple[float, Candidate]] = []
        for suspect, value, mean in self._firsts(singles, screened):
            for each in screened:
                if each.suspect.text == suspect.text or each.suspect.same_as == (suspect.same_as or "-"):
                    continue
                if _of_one_pin(each.suspect.text, suspect.text):
                    continue
                rough.append(self._added(suspect, value, mean, each))
        rough.sort(key=lambda r: -r[0])
        unique: dict[frozenset[str], Candidate] = {}
        for _, c in rough:
            unique.setdefault(frozenset(s.text for s in c.suspects), c)
            if len(unique) >= PAIRS:
                break
        return list(unique.values())

    def _added(self, suspect: Suspect, value: float | None, mean: Array, each: Screened) -> tuple[float, Candidate]:
        fit = self.white.log_likelihoods(self.y, each.means + (mean - self.base))
        k = int(np.argmax(fit))
        pair = (suspect, each.suspect)
        prior = log_prior(pair)
        charge = -2.0 * sum(s.fitted for s in pair)
        both = Candidate(pair, (value, each.values[k]), self.blank.mean, self.blank.covariance, prior)
        return float(fit[k]) + prior + charge, both

    def _firsts(
        self, singles: Sequence[Candidate], screened: Sequence[Screened]
    ) -> list[tuple[Suspect, float | None, Array]]:
        """One member of the pairs: the best singles as they stand, each place once."""
        out: dict[str, tuple[Suspect, float | None, Array]] = {}
        for c in sorted(singles, key=lambda c: -c.score):
            s = c.suspects[0]
            out.setdefault(s.key, (s, c.values[0], c.mean[list(self.few)]))
        for each in sorted(screened, key=lambda s: -(s.fit + log_prior([s.suspect]))):
            s = each.suspect
            k = each.values.index(each.value)
            out.setdefault(s.key, (s, each.value, each.means[k]))
            if len(out) >= FIRSTS:
                break
        return list(out.values())[:FIRSTS]


def _of_one_pin(first: str, second: str) -> bool:
    """Whether both put one pin on another net: it is on one."""
    (a, _, what), (b, _, other) = first.partition(":net="), second.partition(":net=")
    return bool(what and other) and a == b


def needed(singles: Sequence[Candidate], pairs: Sequence[Candidate]) -> list[Candidate]:
    """Pairs of which both members are needed: minimal explanations. A second fault that no reading asks for is none."""
    alone: dict[str, float] = {}
    for c in singles:
        alone[c.suspects[0].text] = max(alone.get(c.suspects[0].text, -math.inf), c.log_likelihood + c.occam)
    return [
        p for p in pairs if p.log_likelihood + p.occam > max(alone.get(s.text, -math.inf) for s in p.suspects) + NEEDED
    ]
