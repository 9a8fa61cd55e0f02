"""From places to names: each fault that an explanation may be, with its share of the probability.

A candidate's suspects may each stand for several faults that no reading tells apart (suspects.py). The weighing counts
them as one; a person must know each, since only one of them is to be repaired. Shares are those of the priors.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

from wakeboard.harness.explain.rank.candidate import Candidate, Weighing

LIKELY: Final = 0.02
"""Share from which a fault beside likelier ones is told in words."""
LEAST: Final = 1e-5
"""Probability below which a combination of names is not told."""


@dataclass(frozen=True)
class Member:
    """One explanation by name, its probability, and the number of the candidate in the weighing."""

    named: Candidate
    probability: float
    place: int

    @property
    def texts(self) -> tuple[str, ...]:
        return self.named.texts


def members(weighing: Weighing, places: Sequence[int]) -> list[Member]:
    """Of some candidates all names, likeliest first; the likeliest name of each candidate in any case."""
    found = [m for k in places for m in _named(weighing.candidates[k], float(weighing.probabilities[k]), k)]
    return sorted(found, key=lambda m: -m.probability)


def _named(candidate: Candidate, probability: float, place: int) -> Iterator[Member]:
    for count, combination in enumerate(itertools.product(*(s.named for s in candidate.suspects))):
        p = probability * math.prod(share for _, share in combination)
        if count == 0 or p >= LEAST:
            yield Member(replace(candidate, suspects=tuple(s for s, _ in combination)), p, place)


def alternatives(found: Sequence[Member]) -> list[list[tuple[str, float]]]:
    """For each fault of the likeliest explanation (found[0]), in its order: all faults that may be there in its stead,
    with their probabilities, itself among them. Probabilities are relative to all of these members.

    A member with as many faults, all but one of them the same, has the other in the place of that one.
    """
    best = found[0].texts
    whole = sum(m.probability for m in found) or 1.0
    out: list[dict[str, float]] = [{text: 0.0} for text in best]
    for m in found:
        others = [text for text in m.texts if text not in best]
        gone = [k for k, text in enumerate(best) if text not in m.texts]
        for k, text in enumerate(best):
            if text in m.texts:
                out[k][text] += m.probability / whole
        if len(m.texts) == len(best) and len(gone) == 1 and len(others) == 1:
            out[gone[0]][others[0]] = out[gone[0]].get(others[0], 0.0) + m.probability / whole
    return [sorted(each.items(), key=lambda e: -e[1]) for each in out]


def likely(faults: Sequence[tuple[str, float]]) -> list[str]:
    """Of faults of which one is there those that are worth a word: the likeliest in any case."""
    return [text for k, (text, share) in enumerate(faults) if k == 0 or share >= LIKELY]
