"""What is drawn of a part and that its type does not have, such as a clamp diode: looked for beside every fault.

That is no small change of a value, to be taken by a slope, and no fault of the unit. Where the drawn board, or the
likeliest fault, fits the readings so much better without something that parts may lack (sequences/spreads.toml,
`absent`), all is weighed once more on a board without it, and both weighings stand side by side: the lack costs what it
is rare.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Final, TypedDict

import numpy as np

from wakeboard.harness.describe.board.spreads import Lacking
from wakeboard.harness.explain.evidence.freedom import CLOSE
from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.harness.explain.evidence.whiten import Whitener
from wakeboard.harness.explain.rank import rank
from wakeboard.harness.explain.rank.candidate import Candidate, Weighing, likeliest
from wakeboard.harness.explain.rank.expansion import BEHIND, misses, promised_beyond
from wakeboard.harness.explain.rank.interval import Looked, charged, with_ends
from wakeboard.harness.explain.rank.weigh import Weigher, no_surer_than_the_model
from wakeboard.instruments.virtual.circuit.bench.change import DRAWN, Change

MOST: Final = 3
"""Things that parts lack at once."""
WORTH: Final = 3.0
"""Natural logarithms that must be gained, the rarity of what lacks paid, for all to be weighed once more."""
TRIED: Final = 3
"""Of all that parts may lack, the likeliest, tried at every scale of what nobody states."""
TOLD: Final = 0.1
"""Probability from which the ends of an explanation's fitted values are looked for."""
Lacks = tuple[Lacking, ...]


def weighed(
    make: Callable[[Lacks], Weigher], lacking: Sequence[Lacking], pairs: bool, begin: Lacks = ()
) -> tuple[Weighing, Weigher, Lacks]:
    """What explains a unit, whatever its parts lack; the weigher of the board that it began with, and what a
    board without fault lacks. make: a weigher for a board that lacks something; begin: what other units lack."""
    tried = [(begin, weigher := make(begin), weigher.singles(pairs))]
    while len(tried) <= MOST:
        lacks, weigher, single = tried[-1]
        lack = _likeliest(weigher, single, [each for each in lacking if each not in lacks])
        if lack is None:
            break
        lacks = (*lacks, lack)
        tried.append((lacks, weigher := make(lacks), weigher.singles(pairs)))
    if pairs:  # two faults beside what is drawn, and beside what the likeliest board lacks: one may stand for the other
        likeliest = max(range(len(tried)), key=lambda k: _beside(tried[k][2], tried[k][0]).best_score)
        for k in {0, likeliest}:
            lacks, weigher, single = tried[k]
            tried[k] = (lacks, weigher, weigher.with_pairs(single))
    whole = _together(_on_one_footing(tried))
    whole = _with_ends(whole, {frozenset(without(lacks).values): weigher for lacks, weigher, _ in tried})
    if whole.fit is not None:
        best = max([whole.none, *whole.candidates[:1]], key=lambda c: c.score)
        whole = replace(whole, fit=replace(whole.fit, lacks=tuple(best.beside.values)))
    without_fault = whole.none.beside.values
    lacks = tuple(each for each in tried[-1][0] if each.path in without_fault)
    return no_surer_than_the_model(whole), tried[0][1], lacks


def _on_one_footing(tried: Sequence[tuple[Lacks, Weigher, Weighing]]) -> list[Weighing]:
    """The weighings of all boards that were tried, as ones of the drawn board. Slopes promise more on one board than on
    another: where several are near the likeliest, each is taken for what its likeliest explanation gives on a board
    that was solved."""
    found = [_beside(single, lacks) for lacks, _, single in tried]
    best = max(each.best_score for each in found)
    near = [k for k, each in enumerate(found) if each.best_score > best - BEHIND]
    if len(near) > 1:
        for k in near:
            leads = max([tried[k][2].none, *tried[k][2].candidates[:1]], key=lambda c: c.score)
            found[k] = _lowered(found[k], promised_beyond(tried[k][1].likelihood, leads))
    return found


def _lowered(found: Weighing, by: float) -> Weighing:
    """A weighing all of which is less likely by so many natural logarithms."""

    def lower(c: Candidate) -> Candidate:
        return replace(c, log_likelihood=c.log_likelihood - by)

    return replace(
        found, candidates=[lower(c) for c in found.candidates], none=lower(found.none), log_other=found.log_other - by
    )


def without(lacks: Lacks) -> Change:
    """The board that lacks them."""
    return Change(values={each.path: 0.0 for each in lacks})


def _odds(lack: Lacking) -> float:
    return math.log(lack.chance / (1 - lack.chance))


def _likeliest(weigher: Weigher, found: Weighing, lacking: Sequence[Lacking]) -> Lacking | None:
    """What the drawn board or the likeliest fault would be likelier without, by more than it is rare."""
    gained, lack = _gained(weigher, found.none, lacking)
    if gained <= WORTH and found.candidates and misses(found.candidates[0], weigher.evidence.y):
        gained, lack = _gained(weigher, found.candidates[0], lacking)
    return lack if gained > WORTH else None


def _gained(weigher: Weigher, candidate: Candidate, lacking: Sequence[Lacking]) -> tuple[float, Lacking | None]:
    """By how much more than it is rare a candidate gains from what parts lack; the few likeliest are tried at every
    scale."""
    if not lacking:
        return 0.0, None
    likelihood, n = weigher.likelihood, len(weigher.evidence.y)
    (drawn,) = likelihood.nearly([candidate.change])
    means = likelihood.nearly_without(candidate.change, [each.path for each in lacking])
    (spread,) = likelihood.spreads([candidate.change])
    rough = Whitener(spread.covariances[CLOSE]).log_likelihoods(weigher.evidence.y, means[:, :n])
    likely = [int(k) for k in np.argsort(-rough)[:TRIED] if np.isfinite(rough[k])]

    def fit(mean: Array) -> float:
        return likelihood.over_scales(replace(candidate, mean=mean), spread).log_likelihood

    gains = {k: fit(means[k]) + _odds(lacking[k]) for k in likely}
    if not gains:
        return 0.0, None
    best = max(gains, key=lambda k: gains[k])
    # with it by slopes; so without it, where these promise more than was found
    return gains[best] - max(candidate.log_likelihood, fit(drawn)), lacking[best]


def _beside(found: Weighing, lacks: Lacks) -> Weighing:
    """A weighing of a board that lacks something, as one of the drawn board."""
    odds = sum(map(_odds, lacks))
    beside = without(lacks)

    def told(c: Candidate) -> Candidate:
        return replace(c, beside=beside, log_prior=c.log_prior + odds)

    return replace(
        found, candidates=[told(c) for c in found.candidates], none=told(found.none), log_other=found.log_other + odds
    )


def _with_ends(whole: Weighing, weighers: Mapping[frozenset[str], Weigher]) -> Weighing:
    """A weighing with the ends of the fitted values that are told, and all values that were looked into charged by how
    broad they are; weighers: of each board that lacks something."""
    found: dict[object, Candidate] = {}  # those that predict the same are looked into once
    looked: dict[str, Looked] = {}

    def told(c: Candidate) -> Candidate:
        key = (*c.solved_as, *c.beside.values)
        if key not in found:
            found[key] = with_ends(weighers[frozenset(c.beside.values)].likelihood, replace(c, beside=DRAWN))
        known = found[key]
        looked.update({**Looked.into(known), **looked})
        out = charged(replace(c, values=known.values), looked)
        return replace(out, values=known.values, ends=known.ends, spreads=known.spreads)

    while True:  # what one is charged for, another gains
        likely = whole.probabilities > TOLD
        new = [bool(p) and bool(c.fitted) and not c.ends for c, p in zip(whole.candidates, likely, strict=True)]
        if not any(new):
            return whole
        candidates = [told(c) if each else c for c, each in zip(whole.candidates, new, strict=True)]
        candidates = [charged(c, looked) for c in candidates]
        whole = replace(whole, **_shares(candidates, whole.none, whole.log_other))


def _together(found: Sequence[Weighing]) -> Weighing:
    """All weighings as one: of each explanation the likeliest way."""
    if len(found) == 1:
        return found[0]
    none = max((each.none for each in found), key=lambda c: c.score)
    other = max(each.log_other for each in found)
    shares = _shares((c for each in found for c in each.candidates), none, other)
    winner = max(found, key=lambda w: w.best_score)
    solved = sum(each.solved for each in found)
    return Weighing(**shares, none=none, freed=winner.freed, solved=solved, fit=winner.fit, log_other=other)


def _shares(candidates: Iterable[Candidate], none: Candidate, other: float) -> _Shares:
    """The candidates best first, with what falls to each, to none and to something else."""
    ordered = likeliest(candidates)
    p = rank.posterior([none.score, other, *(c.score for c in ordered)], np.zeros(len(ordered) + 2))
    return {"candidates": ordered, "probabilities": p[2:], "p_none": float(p[0]), "p_other": float(p[1])}


class _Shares(TypedDict):
    candidates: list[Candidate]
    probabilities: Array
    p_none: float
    p_other: float
