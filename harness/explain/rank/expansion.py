"""What is not known, from where the readings put it: for circuits with a knee within its spread.

A rail that is fed through clamp diodes sits where its loads just begin to draw: what a load of 25 % less does there is
not what the slope at the drawn value says; and a diode that a type of part does not have is no small change of one. So
for a candidate that misses some reading the unknowns t (values of parts, currents beside what is drawn) are estimated,
the board is solved with them, slopes are taken there, and so on, towards the likeliest t (ascent.py, step.py). The
likelihood is Laplace's at the board that was solved last,

    log N(y; m(t), N) + log N(t; mu, G) + 1/2 log |2 pi (G^-1 + J N^-1 J^T)^-1|

with N the noise and the model's discrepancy, given t. That is the same where t is the best, and less where it is not:
nothing is earned by a slope that ends before y.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Final

import numpy as np

from wakeboard.harness.explain.evidence.freedom import BETWEEN, CLOSE, ROUGHEST, SCALES, USUAL
from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.harness.explain.evidence.whiten import Whitener
from wakeboard.harness.explain.rank.ascent import FOREIGN, Ascent, Solved, board_at
from wakeboard.harness.explain.rank.candidate import Candidate
from wakeboard.harness.explain.rank.knees import beyond_a_knee, driving_early
from wakeboard.harness.explain.rank.likelihood import Likelihood, Spread
from wakeboard.harness.explain.rank.rank import given_others
from wakeboard.instruments.virtual.circuit.bench.change import Change

MISSES: Final = 3.0
"""Standard deviations from which a candidate counts as missing a reading."""
BEHIND: Final = 40.0
"""Natural logarithms behind the likeliest candidate at which one that fitted as well as it could would still count."""
HOPELESS: Final = 150.0
"""… and at which nothing that nobody knows brings one back: what parts lack is looked for elsewhere (structure.py)."""
MOST: Final = 3
ROUNDS: Final = 24
AGAIN: Final = 16
"""Steps from where another has arrived, of those that are behind by more than …"""
NEARLY: Final = 40.0
"""Natural logarithms by which one that was not put there may have been behind the one that then wins, …"""
OVERTAKEN: Final = 60.0
"""… and by which it may be behind now; …"""
MOST_OVERTAKEN: Final = 2
"""… and how many are put there too."""
CROSSED: Final = 1.0
"""… so many natural logarithms, and no more than HOPELESS; …"""
LAPS: Final = 4
"""… so many times at most, as long as one of the first two gains: others may find more from there."""
FADING: Final = (3.0, 10.0, 50.0)
"""Times the ohms of a bridge or a pull at which the board is put in balance on its way to the drawn one, …"""
FADES: Final = 6
"""… in so many steps each, …"""
SOLID: Final = 300.0
"""… but for bridges of up to so many Ω: what these carry, no part that is as drawn may take beside (estimate)."""
CONTEST: Final = 6.0
"""Natural logarithms behind the likeliest up to which one is put where the readings want it in any case, …"""
MOST_CONTESTED: Final = 3
"""… and how many at most."""
ALIKE: Final = 2.0
"""Standard deviations between what two predict, below which no reading tells them apart."""
ALONG: Final = 0.95
"""Cosine between what two do to the drawn board's readings, in their standard deviations, above which they do the same,
more or less of it."""
MOST_ALIKE: Final = 2
"""Of those, the likeliest that go where the likeliest of all has arrived."""
BEGUN_AT: Final = (CLOSE, BETWEEN, USUAL)
"""Scales from which the drawn board is put where the readings want it once more, where a fault is likelier; and the
likeliest, where it has arrived on the roughest of boards."""
CONDUCTING: Final = 1.5
"""Deviations from which the drawn board is put there as well, in all that differs by decades wherever it lies: what
conducts next to nothing has next to no slope, and so no step leads to where it conducts."""
CONDUCTS: Final = 10.0
"""Natural logarithms by which that must be likelier for the others to go there, too: the board is one that does."""
LEFT: Final = 4.0
"""Standard deviations by which the likeliest fault misses a reading from which a second fault is looked for."""
WOKEN: Final = 2
"""The likeliest candidates of which values beyond a knee are tried."""

Again = Callable[[Likelihood, Sequence[Candidate], Mapping[int, Ascent], Sequence[Candidate]], dict[int, Ascent]]
"""Which begin once more, and how far they came: of candidates, their ways so far, and what these have made of them."""


def expanded(
    likelihood: Likelihood, candidates: list[Candidate], spreads: Sequence[Spread], least: float = MISSES,
    more_follow: bool = False,
) -> list[Candidate]:  # fmt: skip
    """The candidates in their order; those that miss a reading are expanded where the readings put what is not known.

    least: by how many standard deviations it must be missed; more_follow: whether two faults are looked for next, where
    one does not do, so that what costs most may wait until then.
    """
    best = max((c.score for c in candidates), default=0.0)
    order = sorted(range(len(candidates)), key=lambda k: -candidates[k].score)
    y = likelihood.evidence.y
    likely = [
        k
        for k in order
        if candidates[k].score > best - HOPELESS
        and (not candidates[k].suspects or _at_best(candidates[k], y) > best - BEHIND)
    ]
    looked = [k for k in likely if misses(candidates[k], y, least)][:MOST]
    # where two faults are put where the readings want them, so is each alone; and the drawn board, missing or not
    looked += [k for k in likely if k not in looked and any(part_of(candidates[k], candidates[j]) for j in looked)]
    out = list(candidates)
    if not likelihood.unknowns:
        return out
    climbs = {k: Ascent.begun(likelihood, candidates[k], spreads[k]) for k in looked}
    _climb(likelihood, candidates, climbs, ROUNDS)
    for k in looked:
        out[k] = climbs[k].made(candidates[k], spreads[k])
    _conducting(likelihood, candidates, spreads, climbs, out)
    foreign = more_follow and leaves_some(max(out, key=lambda c: c.score), y)
    foreign = foreign and all(climb.least > FOREIGN * len(y) for climb in climbs.values())
    if looked and not foreign and not _rests(candidates, climbs, out, y):
        _others_placed(likelihood, candidates, spreads, climbs, out, likely, more_follow)
    contested = {k: Ascent.begun(likelihood, candidates[k], spreads[k]) for k in unproved(out, climbs)}
    _climb(likelihood, candidates, contested, ROUNDS)
    for k, way in contested.items():
        out[k] = way.made(candidates[k], spreads[k])
    climbs.update(contested)
    out = promises_kept(out, climbs)
    for k, way in climbs.items():
        if way.firm:
            out[k] = replace(out[k], firm=way.firm.log_likelihood)
    return out


def promised_beyond(likelihood: Likelihood, candidate: Candidate) -> float:
    """By how much (natural logarithms) a candidate is told to be likelier than its board is, solved where the readings
    want it."""
    if candidate.freed:
        return 0.0
    firm = candidate.firm
    if not math.isfinite(firm):
        (spread,) = likelihood.spreads([candidate.change])
        mean = likelihood.predict([candidate.change], exact=True)[0]
        by_slopes = likelihood.over_scales(replace(candidate, mean=mean), spread)
        way = Ascent.begun(likelihood, by_slopes, spread)
        _climb(likelihood, [by_slopes], {0: way}, ROUNDS)
        way.made(by_slopes, spread)
        firm = way.firm.log_likelihood if way.firm else candidate.log_likelihood
    return max(candidate.log_likelihood - firm, 0.0)


def _rests(before: Sequence[Candidate], climbs: Mapping[int, Ascent], made: Sequence[Candidate], y: Array) -> bool:
    """Whether the drawn board is likeliest and misses little, and none gained by being put where the readings want it:
    so nobody is overtaken, and no place was found that others would begin from."""
    best = max(made, key=lambda c: c.score)
    gained = any(made[k].score > before[k].score + CROSSED for k in climbs)
    return not best.suspects and not gained and not misses(best, y, LEFT)


def _conducting(
    likelihood: Likelihood, candidates: Sequence[Candidate], spreads: Sequence[Spread], climbs: dict[int, Ascent],
    out: list[Candidate],
) -> None:  # fmt: skip
    """Where a fault is likelier than the drawn board (climbs, out): that from where all conducts that differs by
    decades; and, where it is much likelier there, the others from where it has arrived. Where it is beyond reach and
    stays so, the others begin where all conducts. Ways whose first step promises no more than is known end there: most
    boards are none that conducts."""
    t = np.array([CONDUCTING if u.anywhere and u.share > 1 else 0.0 for u in likelihood.unknowns])
    drawn = next((k for k, c in enumerate(candidates) if not c.suspects), None)
    best = max(out, key=lambda c: c.score)
    if drawn is None or not t.any() or not best.suspects:
        return
    begun = climbs.get(drawn) or Ascent.begun(likelihood, candidates[drawn], spreads[drawn])
    way = replace(begun.begun_from(t, USUAL), promised=-math.inf)  # no slope led there
    before = begun.firm.log_likelihood if begun.firm else -math.inf  # what is known of it may be from such a place
    _climb(likelihood, candidates, {drawn: way}, 1)
    leads = way.best is not None and way.promises() >= (before if begun.firm else out[drawn].log_likelihood) + CROSSED
    if not leads and out[drawn].log_likelihood > best.log_likelihood - HOPELESS:
        return
    again, rounds = {k: climb.begun_from(t, USUAL) for k, climb in climbs.items() if k != drawn}, ROUNDS
    if leads and way.promises() > best.log_likelihood - HOPELESS:
        _climb(likelihood, candidates, {drawn: way}, ROUNDS - 1)
        made = way.made(candidates[drawn], spreads[drawn])
        if way.firm is None or way.firm.log_likelihood < before + CROSSED:
            return
        out[drawn] = max(out[drawn], made, key=lambda c: c.log_likelihood)
        again, rounds = {k: climb.begun_at(way, made.scale) for k, climb in climbs.items() if k != drawn}, AGAIN
        climbs[drawn] = way
        if way.firm.log_likelihood < before + CONDUCTS:
            return
    _climb(likelihood, candidates, again, 1)
    again = {k: c for k, c in again.items() if c.best and c.promises() > out[k].log_likelihood + CROSSED}
    _climb(likelihood, candidates, again, rounds - 1)
    for k, climb in again.items():
        there = climb.made(candidates[k], spreads[k])
        if there.log_likelihood > out[k].log_likelihood:
            out[k], climbs[k] = there, climb


def _others_placed(
    likelihood: Likelihood, candidates: Sequence[Candidate], spreads: Sequence[Spread], climbs: dict[int, Ascent],
    out: list[Candidate], likely: Sequence[int], more_follow: bool,
) -> None:  # fmt: skip
    """After the first few were put where the readings want them (climbs, out): whoever else could win is, too."""
    late = _overtaken(candidates, out, likely, climbs)
    ways = {k: Ascent.begun(likelihood, candidates[k], spreads[k]) for k in late}
    _climb(likelihood, candidates, ways, ROUNDS)
    for k, way in ways.items():
        out[k] = max(out[k], way.made(candidates[k], spreads[k]), key=lambda c: c.log_likelihood)
    climbs.update(ways)
    climbs.update(_alike(likelihood, candidates, spreads, climbs, out))
    crossed: Again = partial(_crossed, tried=Tried())
    woken: Again = partial(_woken, more_follow=more_follow, tried=Tried())
    closer: Again = partial(_closer, spreads=spreads)
    faded: Again = partial(_faded, tried=Tried())
    laps: list[tuple[Again, ...]] = [
        (crossed, faded, closer, _driving_early, woken),
        *[(crossed, faded, woken)] * (LAPS - 1),
    ]
    for lap in laps:
        before = _leaders(out)
        for more in lap:
            for k, climb in more(likelihood, candidates, climbs, out).items():
                out[k] = max(out[k], climb.made(candidates[k], spreads[k]), key=lambda c: c.log_likelihood)
                climbs[k] = climb if _firmly(climb) > _firmly(climbs[k]) else climbs[k]
        if all(after < score + CROSSED for after, score in zip(_leaders(out), before, strict=True)):
            break
    for k in drawn_again(out):
        for climb in _from_other_scales(likelihood, candidates[k], spreads[k]):
            out[k] = max(out[k], climb.made(candidates[k], spreads[k]), key=lambda c: c.log_likelihood)
            if k in climbs:
                climbs[k].solved_better(climb.firm)


def _overtaken(
    candidates: Sequence[Candidate], made: Sequence[Candidate], likely: Sequence[int], climbs: Mapping[int, Ascent]
) -> list[int]:
    """Those that missed no reading and led, or were not far behind, until others were put where the readings want them:
    nothing shall win because it missed one and was put there. The likeliest few of those that do something beside the
    drawn board: what does not gains no more than that."""
    best = max(range(len(made)), key=lambda k: made[k].score)
    least = max(candidates[best].score - NEARLY, made[best].score - OVERTAKEN)
    near = [k for k in likely if k not in climbs and candidates[k].suspects and candidates[k].score > least]
    drawn = [candidates[k] for k in likely if not candidates[k].suspects]
    return [k for k in near if all(_apart(c, candidates[k]) > ALIKE for c in drawn)][:MOST_OVERTAKEN]


def _apart(one: Candidate, other: Candidate) -> float:
    """Standard deviations of the first between what two predict."""
    n = len(one.covariance)
    off: Array = Whitener(one.covariance)((other.mean - one.mean)[None, :n])
    return float(np.linalg.norm(off))


def part_of(fewer: Candidate, more: Candidate) -> bool:
    """Whether all faults of one, or none at all, are among the other's, which has more."""
    return set(fewer.texts_open) < set(more.texts_open)


def unproved(made: Sequence[Candidate], climbs: Mapping[int, Ascent]) -> list[int]:
    """Those that have only their slopes at the drawn values to speak for them, and win or lose by little: the likeliest
    few."""
    order = sorted(range(len(made)), key=lambda k: -made[k].score)
    near = [k for k in order if made[k].score > made[order[0]].score - CONTEST]
    if len(near) < 2:
        return []
    return [k for k in near if k not in climbs][:MOST_CONTESTED]


def promises_kept(made: Sequence[Candidate], climbs: Mapping[int, Ascent]) -> list[Candidate]:
    """Where the board that was solved does not give what slopes at the drawn values promised: a fault is no likelier
    than its board has it. Where it is the drawn board that falls short (where that is out of reach, the likeliest), all
    that were solved are as far from it as boards have it, and what was not solved is taken to fall as short. Nor is a
    fault taken for less than the drawn board is, if slopes had it above."""
    best = max(c.log_likelihood for c in made)
    firm = {k: climb.firm for k, climb in climbs.items() if climb.firm and made[k].log_likelihood > best - BEHIND}
    drawn = next((k for k in firm if not made[k].suspects), None)
    out = list(made)
    if not firm:
        return out
    of = max(firm, key=lambda k: firm[k].log_likelihood) if drawn is None else drawn
    usual = min(made[of].log_likelihood - firm[of].log_likelihood, BEHIND) if climbs[of].broken else 0.0
    least = max((c.log_likelihood for c in made if not c.suspects), default=-math.inf)
    for k, solved in firm.items():
        if made[k].suspects and (climbs[k].broken or usual):
            fit = max(solved.log_likelihood + usual, min(made[k].log_likelihood, least))
            out[k] = replace(solved, log_likelihood=fit)
    return out


def _climb(likelihood: Likelihood, candidates: Sequence[Candidate], climbs: Mapping[int, Ascent], rounds: int) -> None:
    """So many steps of all that are not done, those of a round solved together."""
    n = len(likelihood.evidence.y)
    for _ in range(rounds):
        going = [k for k, climb in climbs.items() if climb.going]
        if not going:
            return
        wanted = [climbs[k].next for k in going]
        boards = [board_at(likelihood, candidates[k], t) for k, t in zip(going, wanted, strict=True)]
        means, rows, found = likelihood.predictor.beside(
            boards, likelihood.unknowns, np.array(wanted), [candidates[k].change for k in going],
            np.any([climbs[k].acting for k in going], axis=0), [climbs[k].balance for k in going],
        )  # fmt: skip
        for k, t, mean, row, x in zip(going, wanted, means, rows, found, strict=True):
            climbs[k].look(Solved(t, mean + climbs[k].offset, row[:, :n], x))


def _alike(
    likelihood: Likelihood, candidates: Sequence[Candidate], spreads: Sequence[Spread], climbs: Mapping[int, Ascent],
    made: Sequence[Candidate],
) -> dict[int, Ascent]:  # fmt: skip
    """Ways, not begun, of those that predict as the likeliest does where parts are as drawn: a short and a bridge of an
    ohm stay alike where parts are not. And of those within reach that do the same to the board, more or less of it: a
    resistor of a tenth leads to the other side of a knee, where the pull beside the drawn one that is fitted to it
    stays in front, and its own slopes at the drawn parts may tell nothing of how well it fits."""
    placed = [k for k, climb in climbs.items() if climb.best is not None]
    drawn = next((c for c in candidates if not c.suspects), None)
    if not placed or drawn is None:
        return {}
    best = candidates[max(placed, key=lambda k: made[k].score)]
    reach = [k for k, c in enumerate(candidates) if c.suspects and c.score > best.score - HOPELESS]
    reach.sort(key=lambda k: -candidates[k].score)
    n = len(best.covariance)
    does, *others = Whitener(best.covariance)(
        np.array([each.mean[:n] - drawn.mean[:n] for each in (best, *(candidates[k] for k in reach))])
    )
    near = [k for k, other in zip(reach, others, strict=True) if k not in climbs and _same(does, other)]
    return {k: Ascent.begun(likelihood, candidates[k], spreads[k]) for k in near[:MOST_ALIKE]}


def _same(one: Array, other: Array) -> bool:
    """Whether two do the same to the drawn board's readings (n,), in standard deviations, more or less of it, or no
    reading tells them apart."""
    long, other_long, apart = (float(np.linalg.norm(each)) for each in (one, other, other - one))
    return apart < ALIKE or float(one @ other) > ALONG * long * other_long


def _leaders(made: Sequence[Candidate]) -> list[float]:
    """The scores of the likeliest and of the next, which may win from where the likeliest has been."""
    return sorted((c.score for c in made), reverse=True)[:2]


class Tried:
    """Who has begun from which place: from there it would go the same way once more."""

    def __init__(self) -> None:
        self._seen: list[tuple[int, Solved | None]] = []

    def new(self, k: int, place: Solved | None) -> bool:
        """Whether it has not yet; it has from now on."""
        if any(one == k and seen is place for one, seen in self._seen):
            return False
        self._seen.append((k, place))
        return True


def _crossed(
    likelihood: Likelihood, candidates: Sequence[Candidate], climbs: Mapping[int, Ascent], made: Sequence[Candidate],
    tried: Tried,
) -> dict[int, Ascent]:  # fmt: skip
    """Where the likeliest has found a place, the others that are within reach, or were before, begin once more from
    there: what is not known of the parts is the same board's, and *none* shall not lose for a summit that only a fault
    has found."""
    placed = [k for k, climb in climbs.items() if climb.best is not None]
    if not placed:
        return {}
    best = max(placed, key=lambda k: made[k].log_likelihood)
    again = {
        k: climbs[k].begun_at(climbs[best], made[best].scale)
        for k in climbs
        if k != best
        and max(made[k].score - made[best].score, candidates[k].score - candidates[best].score) > -HOPELESS
        and min(made[k].score - made[best].score, _firmly(climbs[k]) - _firmly(climbs[best])) < -CROSSED
        and tried.new(k, climbs[best].best)
    }
    next_best = max((k for k in placed if k != best), key=lambda k: made[k].log_likelihood, default=best)
    if made[next_best].score > made[best].score - BEHIND and tried.new(best, climbs[next_best].best):
        again[best] = climbs[best].begun_at(climbs[next_best], made[next_best].scale)  # who may have found more there
    _climb(likelihood, candidates, again, AGAIN)
    return again


def _faded(
    likelihood: Likelihood, candidates: Sequence[Candidate], climbs: Mapping[int, Ascent], made: Sequence[Candidate],
    tried: Tried,
) -> dict[int, Ascent]:  # fmt: skip
    """Where a bridge or a pull leads, who is the same without it: once more from where the leader's board arrives as
    those ohms grow. Taken away at once, they leave a board so far from balance that no step leads back; and what nobody
    states of the parts may carry the same current."""
    placed = [k for k, climb in climbs.items() if climb.best is not None]
    best = max(placed, key=lambda k: made[k].score, default=None)
    if best is None:
        return {}
    leads, again = made[best], {}
    for place in leads.fitted:
        without = (*leads.texts_open[:place], *leads.texts_open[place + 1 :])
        rival = next((k for k in climbs if candidates[k].texts_open == without), None)
        if rival is None or not _fades(leads, place):
            continue
        if _firmly(climbs[rival]) > _firmly(climbs[best]) - CROSSED or not tried.new(rival, climbs[best].best):
            continue
        way, scale = climbs[best], leads.scale
        for times in FADING:
            way = climbs[best].begun_at(way, scale)
            _climb(likelihood, [_fainter(leads, place, times)], {0: way}, FADES)
            if way.best is None:
                break
            scale = way.scale
        else:
            again[rival] = climbs[rival].begun_at(way, scale)
    _climb(likelihood, candidates, again, AGAIN)
    return again


def _fades(candidate: Candidate, place: int) -> bool:
    """Whether one of its faults is nothing at endless ohms, and faint enough for something unstated to be in its
    place."""
    value = candidate.values[place]
    return candidate.suspects[place].category in ("bridge", "pull") and value is not None and value > SOLID


def _fainter(candidate: Candidate, place: int, times: float) -> Candidate:
    """The candidate with the ohms of one of its faults so many times as high, whatever they may be at most."""
    suspects = list(candidate.suspects)
    suspects[place] = replace(suspects[place], high=math.inf)
    return replace(candidate, suspects=tuple(suspects)).moved({place: math.log(times)})


def _firmly(climb: Ascent) -> float:
    """Log likelihood by boards that were solved; a promise that one keeps and the other does not is no lead."""
    return climb.firm.log_likelihood if climb.firm else -math.inf


def _woken(
    likelihood: Likelihood, candidates: Sequence[Candidate], climbs: Mapping[int, Ascent], made: Sequence[Candidate],
    more_follow: bool, tried: Tried,
) -> dict[int, Ascent]:  # fmt: skip
    """Where the likeliest still miss a reading, once more from the value whose knee lies between: a pin that drives
    from another voltage on than is drawn has no slope until it does, so that no step leads there."""
    placed = sorted((k for k, climb in climbs.items() if climb.best is not None), key=lambda k: -made[k].score)
    if more_follow and leaves_some(max(made, key=lambda c: c.score), likelihood.evidence.y):
        return {}
    again = {}
    for k in [k for k in placed[:WOKEN] if tried.new(k, climbs[k].best)]:
        t = beyond_a_knee(likelihood, candidates[k], climbs[k], made[k])
        if t is not None:
            again[k] = climbs[k].begun_from(t, USUAL)
    _climb(likelihood, candidates, again, AGAIN)
    return again


def _driving_early(
    likelihood: Likelihood, candidates: Sequence[Candidate], climbs: Mapping[int, Ascent], made: Sequence[Candidate]
) -> dict[int, Ascent]:  # fmt: skip
    """Where the likeliest still miss readings, once more from where outputs drive from a lower voltage on, and are held
    there: on a rail beyond that nothing slopes. Ways whose first step promises no more than is known end there."""
    if not leaves_some(max(made, key=lambda c: c.score), likelihood.evidence.y):
        return {}
    placed = sorted((k for k, climb in climbs.items() if climb.best is not None), key=lambda k: -made[k].score)
    found: dict[int, Ascent] = {}
    for k in placed[:WOKEN]:
        at = climbs[k].best
        assert at is not None
        for t in (np.zeros(len(likelihood.unknowns)), at.t):
            early, moved = driving_early(likelihood, candidates[k], climbs[k], t)
            if not moved:
                continue
            way = climbs[k].begun_from(early, USUAL, held=moved)
            _climb(likelihood, candidates, {k: way}, 1)
            least = found[k].promises() if k in found else made[k].log_likelihood + CROSSED
            if way.best is not None and way.promises() > least:
                found[k] = way
    _climb(likelihood, candidates, found, ROUNDS - 1)
    return found


def _closer(
    likelihood: Likelihood, candidates: Sequence[Candidate], climbs: Mapping[int, Ascent], made: Sequence[Candidate],
    spreads: Sequence[Spread],
) -> dict[int, Ascent]:  # fmt: skip
    """Where the likeliest has arrived on the roughest of boards only: once more from the drawn values on closer ones.
    Where all may be anything, the way ends at the first place that will do."""
    k = max(range(len(made)), key=lambda k: made[k].score)
    if k not in climbs or likelihood.scales[made[k].scale].parts < SCALES[ROUGHEST].parts:
        return {}
    ways = [way for way in _from_other_scales(likelihood, candidates[k], spreads[k]) if way.best is not None]
    return {k: max(ways, key=Ascent.promises)} if ways else {}


def drawn_again(made: Sequence[Candidate]) -> list[int]:
    """The drawn board, where a fault is likelier, though not by more than another way of its own may gain: no fault
    shall win because the drawn board's one way ended early."""
    best = max(made, key=lambda c: c.score)
    return [k for k, c in enumerate(made) if not c.suspects and best.suspects and c.score > best.score - BEHIND]


def _from_other_scales(likelihood: Likelihood, candidate: Candidate, spread: Spread) -> list[Ascent]:
    """Its ways from the drawn values at the usual scales that it did not begin at. Gone once: those of the drawn board
    are asked for with one fault beside it and with two."""
    gone: list[tuple[int, Change, list[Ascent]]] = likelihood.kept("ways from other scales", list)
    for scale, change, ways in gone:
        if scale == candidate.scale and change == candidate.change:
            return ways
    fits = likelihood.fits_again(candidate, spread, BEGUN_AT)
    ways = [Ascent.begun(likelihood, fit, spread) for fit in fits if fit.scale != candidate.scale]
    _climb(likelihood, [candidate] * len(ways), dict(enumerate(ways)), ROUNDS)
    gone.append((candidate.scale, candidate.change, ways))
    return ways


def _at_best(candidate: Candidate, y: Array) -> float:
    """The score of a candidate if its tolerances took all by which it fits worse than chance has it."""
    off = y - candidate.mean[: len(y)]
    chi = float(off @ np.linalg.solve(candidate.covariance, off))
    return candidate.score + 0.5 * max(chi - len(y), 0.0)


def leaves_some(candidate: Candidate, y: Array) -> bool:
    """Whether a second fault is looked for beside it: it misses readings by LEFT, and not one alone."""
    return misses(candidate, y, LEFT, but_one=True)


def misses(candidate: Candidate, y: Array, least: float = MISSES, but_one: bool = False) -> bool:
    """Whether some reading lies so many standard deviations off the prediction, by itself or given all others. but_one:
    whether another does beside the oddest, which the model may have wrong."""
    off, covariance = y - candidate.mean[: len(y)], candidate.covariance
    while True:
        alone = off / np.sqrt(np.diag(covariance))
        given = given_others(off, np.zeros(len(off)), covariance)
        far = np.abs([alone, given])
        if far.max(initial=0.0) <= least or not but_one:
            return bool(far.max(initial=0.0) > least)
        rest = np.arange(len(off)) != int(np.argmax(far.max(axis=0)))
        off, covariance, but_one = off[rest], covariance[np.ix_(rest, rest)], False
