"""What is not known, from where the readings put it: for circuits with a knee within its spread.

A rail that is fed through clamp diodes sits where its loads just begin to draw: what a load of 25 % less does there is
not what the slope at the drawn value says; and a diode that a type of part does not have is no small change of one. So
for a candidate that misses some reading the unknowns t (values of parts, currents beside what is drawn) are estimated,
the board is solved with them, slopes are taken there, and so on: Gauss-Newton towards the likeliest t,

    t' = mu + G J^T S^-1 (y - m(t) + J (t - mu)),        S = J G J^T + N

each unknown kept within its limits. The likelihood is Laplace's at the board that was solved last,

    log N(y; m(t), N) + log N(t; mu, G) + 1/2 log |2 pi (G^-1 + J N^-1 J^T)^-1|

with N the noise and the model's discrepancy, given t. That is the same where t is the best, and less where it is not:
nothing is earned by a slope that ends before y.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np

from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.harness.explain.evidence.whiten import Whitener
from wakeboard.harness.explain.rank.candidate import Candidate
from wakeboard.harness.explain.rank.likelihood import Likelihood, Spread
from wakeboard.harness.explain.rank.rank import given_others
from wakeboard.instruments.virtual.circuit.bench.change import Change
from wakeboard.instruments.virtual.circuit.bench.unknowns import Unknown

MISSES: Final = 3.0
"""Standard deviations from which a candidate counts as missing a reading."""
BEHIND: Final = 40.0
"""Natural logarithms behind the likeliest candidate at which one that fitted as well as it could would still count."""
HOPELESS: Final = 150.0
"""… and at which nothing that nobody knows brings one back: what parts lack is looked for elsewhere (structure.py)."""
MOST: Final = 3
LIMIT: Final = math.sqrt(3.0)
"""Standard deviations at which a rectangular tolerance ends."""
FAR: Final = 4.0
"""Standard deviations of the table up to which a value without such an end is followed: three times the current, a
forward voltage of 120 mV more. What goes further is another part, or a fault."""
LEAKS: Final = 40.0
"""… and up to which a leakage is."""
ROUNDS: Final = 7
AGAIN: Final = 4
"""Steps from where another has arrived, of those that are behind by more than …"""
CROSSED: Final = 1.0
"""… so many natural logarithms, and no more than BEHIND."""
TRIES: Final = 3
"""Steps on end that lead nowhere better, after which no further one is tried at a scale."""
FOREIGN: Final = 4.0
"""Cost a reading from which, where a step gains less than …"""
GAINING: Final = 0.2
"""… this share of it, it is no unknown value that is missing."""
ACTS: Final = 0.05
"""Of a reading's own standard deviation, what one deviation of an unknown must do to it to be followed."""
GAINS: Final = 1.0
"""Natural logarithms, and …"""
MOVES: Final = 0.02
"""… deviations of an unknown, by less than which a step counts as the last."""
STRIDE: Final = 1.5
"""Natural logarithms that a value may be moved by in one step."""
EASED: Final = 0.3
"""Of what the slopes of a step were wrong by, what is expected of the next, shorter one."""
FURTHEST: Final = 1.0
"""V, A or decades that stand for it where a board has no answer."""


@dataclass(frozen=True)
class _Place:
    """A board that was solved at unknowns t (T,): its readings' mean (all observations), slopes (T, n)."""

    t: Array
    mean: Array
    rows: Array


def expanded(
    likelihood: Likelihood, candidates: list[Candidate], spreads: Sequence[Spread], least: float = MISSES
) -> list[Candidate]:
    """The candidates in their order; those that miss a reading are expanded where the readings put what is not known.

    least: by how many standard deviations it must be missed.
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
    looked = [k for k in likely if misses(candidates[k], y, least)]
    looked = [*looked[:MOST], *[k for k in looked[MOST:] if not candidates[k].suspects]]
    out = list(candidates)
    if not looked or not likelihood.unknowns:
        return out
    climbs = {k: _Climb.begun(likelihood, candidates[k], spreads[k]) for k in looked}
    _climb(likelihood, candidates, climbs, ROUNDS)
    for k in looked:
        out[k] = climbs[k].made(candidates[k], spreads[k])
    for k, climb in _crossed(likelihood, candidates, climbs, out).items():
        out[k] = max(out[k], climb.made(candidates[k], spreads[k]), key=lambda c: c.log_likelihood)
    return out


def _climb(likelihood: Likelihood, candidates: Sequence[Candidate], climbs: Mapping[int, _Climb], rounds: int) -> None:
    """So many steps of all that are not done, those of a round solved together."""
    n = len(likelihood.evidence.y)
    for _ in range(rounds):
        going = [k for k, climb in climbs.items() if climb.going]
        if not going:
            return
        wanted = [climbs[k].next for k in going]
        boards = [_with(likelihood, candidates[k], t) for k, t in zip(going, wanted, strict=True)]
        means, rows = likelihood.predictor.beside(
            boards, likelihood.unknowns, np.array(wanted), [candidates[k].change for k in going],
            np.any([climbs[k].acting for k in going], axis=0),
        )  # fmt: skip
        for k, t, mean, row in zip(going, wanted, means, rows, strict=True):
            climbs[k].look(_Place(t, mean + climbs[k].offset, row[:, :n]))


def _crossed(
    likelihood: Likelihood, candidates: Sequence[Candidate], climbs: Mapping[int, _Climb], made: Sequence[Candidate]
) -> dict[int, _Climb]:
    """Where the likeliest has found a place, the others within reach begin once more from there: what is not known of
    the parts is the same board's, and *none* shall not lose for a summit that only a fault has found."""
    placed = [k for k, climb in climbs.items() if climb.best is not None]
    if not placed:
        return {}
    best = max(placed, key=lambda k: made[k].log_likelihood)
    again = {
        k: climbs[k].begun_at(climbs[best], made[best].scale)
        for k in climbs
        if k != best
        and made[best].score - CROSSED > made[k].score > made[best].score - (BEHIND if made[k].suspects else HOPELESS)
    }
    _climb(likelihood, candidates, again, AGAIN)
    return again


@dataclass
class _Climb:
    """The way of one candidate towards its likeliest unknowns."""

    likelihood: Likelihood
    noise: Array  # (n,) variances
    scale: int
    next: Array
    offset: Array  # what a reading alone has beyond one in a shared scene
    acting: Array  # (T,) which unknowns do anything at all at the drawn values
    best: _Place | None = None
    least: float = math.inf
    going: bool = True
    wide: tuple[int, ...] = ()  # with which `next` was found
    wide_at_best: tuple[int, ...] = ()
    behind: _Place | None = None  # whose slopes led to `next`
    failed: int = 0  # steps on end that led nowhere better
    seen: set[int] = field(default_factory=set)  # scales at which it has arrived
    arrived: list[tuple[_Place, tuple[int, ...]]] = field(default_factory=list)  # there, with what was wide

    @classmethod
    def begun(cls, likelihood: Likelihood, candidate: Candidate, spread: Spread) -> _Climb:
        n = len(likelihood.evidence.y)
        exact = candidate.mean.copy()
        exact[:n] -= spread.shifts[candidate.scale]
        drawn = _Place(np.zeros(len(likelihood.unknowns)), exact, spread.rows)
        (shared,) = likelihood.predictor.predict([candidate.change])
        acting = (np.abs(spread.rows) / np.sqrt(spread.noise)).max(axis=1, initial=0.0) > ACTS
        made = cls(likelihood, spread.noise, candidate.scale, drawn.t, exact - shared, acting)
        made.next = made._from(drawn)
        return made

    def begun_at(self, other: _Climb, scale: int) -> _Climb:
        """This candidate's way from where another has arrived."""
        assert other.best is not None
        return replace(
            self, next=other.best.t, scale=scale, wide=other.wide_at_best, best=None, least=math.inf, going=True,
            behind=None, failed=0, seen=set(), arrived=[],
        )  # fmt: skip

    def _linear(self, at: _Place, scale: int) -> Candidate:
        """What a board is expected to read by the slopes of a place, at a scale."""
        freedom, n = self.likelihood.freedoms[scale], len(self.noise)
        mean = at.mean.copy()
        mean[:n] += freedom.shift(at.rows) - at.t @ at.rows
        covariance = freedom.spread(at.rows) + np.diag(self.noise)
        made = Candidate((), (), mean, covariance, 0.0, scale=scale, rows=at.rows)
        return self.likelihood.at_scale(made, at.rows)

    def _from(self, at: _Place, bent: Array | None = None) -> Array:
        """(T,) where the readings put the unknowns, by the slopes of a place. bent (n,): what a step before was wrong
        by: readings whose slopes end soon lead less far."""
        linear = self._linear(at, self.scale)
        self.wide, self.behind = linear.wide, at
        freedom = self.likelihood.freedoms[self.scale].widened(self.likelihood.wild[self.scale], linear.wide)
        y = self.likelihood.evidence.y
        h = np.vstack([at.rows, np.eye(len(y))])
        whole = linear.covariance if bent is None else linear.covariance + np.diag(bent**2)
        found = freedom.mean + freedom.covariance @ (h @ np.linalg.solve(whole, y - linear.mean[: len(y)]))
        return _within(self.likelihood.unknowns, at.t, found[: freedom.count])

    def look(self, place: _Place) -> None:
        """Take a place that was solved, if it is better; go on from the best."""
        cost = self._cost(place)
        bent = self._bent(place)
        if cost < self.least:
            gained, self.failed = self.least - cost, 0
            self.best, self.least, self.wide_at_best = place, cost, self.wide
            if cost > FOREIGN * len(self.noise) and gained < GAINING * cost:
                self.going = False
                return
            self.next = self._from(place, EASED * bent)
            if gained > GAINS and float(np.abs(self.next - place.t).max(initial=0.0)) > MOVES:
                return
            self._change_scale(place)
            return
        self.failed += 1
        if self.best is not None and (cost < self.least + GAINS or self.failed >= TRIES):
            foreign = self.least > FOREIGN * len(self.noise)
            self._change_scale(self.best)
            self.going &= not foreign
            return
        last = self.best or self.behind
        if last is None:
            self.going = False
        elif self.best is not None and self.failed % 2:
            self.next = 0.5 * (self.best.t + place.t)  # a diode's exponential bends within a step: halfway
        else:
            self.next = self._from(last, bent)

    def _bent(self, place: _Place) -> Array:
        """(n,) how far a board that was solved reads off what the slopes that led there said."""
        n, last = len(self.noise), self.behind
        if last is None:
            return np.zeros(n)
        off = place.mean[:n] - last.mean[:n] - (place.t - last.t) @ last.rows
        return np.where(np.isfinite(off), off, FURTHEST)

    def _change_scale(self, place: _Place) -> None:
        """Where it has arrived at one scale, go on at the likeliest by the slopes here; else it is done."""
        self.seen.add(self.scale)
        self.arrived.append((place, self.wide_at_best))
        fits = [self._linear(place, k).log_likelihood for k in range(len(self.likelihood.freedoms))]
        k = int(np.argmax(fits))
        self.going = k not in self.seen
        self.failed = 0
        if self.going:
            self.scale = k
            self.next = self._from(place)
            self.least = self._cost(place)

    def _cost(self, place: _Place) -> float:
        """-log of the readings' and the unknowns' density, but for what does not depend on t."""
        if not np.isfinite(place.mean).all():
            return math.inf
        apart = _Apart.of(self.likelihood, self.scale, self.wide, self.noise)
        return apart.cost(self.likelihood.evidence.y, place) - apart.odds

    def made(self, candidate: Candidate, spread: Spread) -> Candidate:
        """The candidate over all scales, each at the best of: linear at the drawn values, or where it has arrived."""
        if self.best is None:
            return candidate
        like, n = self.likelihood, len(self.noise)
        raw = candidate.mean.copy()
        raw[:n] += like.learnt - spread.shifts[candidate.scale]
        out = like.fits(replace(candidate, mean=raw), spread)
        places = {id(place): (place, wide) for place, wide in [*self.arrived, (self.best, self.wide_at_best)]}
        furthest = -math.inf
        for place, wide in places.values():
            for k in range(len(out)):
                linear = self._linear(place, k)
                for w in {linear.wide, wide}:
                    here = self._weighed(replace(candidate, mean=linear.mean, scale=k, wide=w, rows=place.rows), place)
                    if here.log_likelihood > out[k].log_likelihood:
                        out[k] = here
                    if here.log_likelihood > furthest:
                        furthest, self.best, self.wide_at_best = here.log_likelihood, place, w
        return like.together(out)

    def _weighed(self, c: Candidate, place: _Place) -> Candidate:
        """By Laplace's rule, with the types that it has wide."""
        like = self.likelihood
        apart = _Apart.of(like, c.scale, c.wide, self.noise)
        fit = apart.log_likelihood(like.evidence.y, place) + apart.odds + float(like.weights[c.scale])
        freedom = like.freedoms[c.scale].widened(like.wild[c.scale], c.wide)
        covariance = freedom.spread(place.rows) + np.diag(self.noise)
        made = replace(c, covariance=covariance, log_likelihood=fit)
        return replace(made, beyond=self._beyond(made, apart, place)) if math.isfinite(fit) else made

    def _beyond(self, made: Candidate, apart: _Apart, place: _Place) -> Array:
        """(n,) natural logarithms that the slopes promise beyond Laplace's value, laid on the readings that are off."""
        y, like = self.likelihood.evidence.y, self.likelihood
        promised = float(Whitener(made.covariance).log_likelihoods(y, made.mean[None, : len(y)])[0])
        more = max(promised + apart.odds + float(like.weights[made.scale]) - made.log_likelihood, 0.0)
        off = apart.off(y, place) ** 2 / np.diag(apart.noise)
        out: Array = more * off / max(float(off.sum()), 1e-30)
        return out


@dataclass(frozen=True)
class _Apart:
    """Unknowns t and discrepancy d apart: t's inverse covariance, what t tells of d, and N of the readings, given t."""

    mean: Array
    covariance: Array
    inverse: Array
    tells: Array
    noise: Array
    shift: Array
    odds: float

    @classmethod
    def of(cls, likelihood: Likelihood, scale: int, wide: Sequence[int], noise: Array) -> _Apart:
        """At a scale, with some types wide; noise (n,): the readings' own variances. What does not depend on these is
        worked out once, as candidates share scales."""
        made = likelihood.kept(("apart", scale, *wide), lambda: cls._without_noise(likelihood, scale, wide))
        return replace(made, noise=made.noise + np.diag(noise))

    @classmethod
    def _without_noise(cls, likelihood: Likelihood, scale: int, wide: Sequence[int]) -> _Apart:
        freedom = likelihood.freedoms[scale].widened(likelihood.wild[scale], wide)
        odds = sum(likelihood.wild[scale][k].log_odds for k in wide)
        whole, count = freedom.covariance, freedom.count
        of_t = whole[:count, :count]
        of_t = of_t + np.diag(1e-6 * np.diag(of_t) + 1e-12)
        inverse = np.asarray(np.linalg.inv(of_t), dtype=float)
        tells = whole[count:, :count] @ inverse
        left = whole[count:, count:] - tells @ whole[:count, count:]
        return cls(freedom.mean[:count], of_t, inverse, tells, left, freedom.mean[count:], odds)

    def off(self, y: Array, place: _Place) -> Array:
        """(n,) readings less what the board of a place gives, with what t tells of d."""
        return self._off(y, place)[0]

    def _off(self, y: Array, place: _Place) -> tuple[Array, Array]:
        by = place.t - self.mean
        return y - place.mean[: len(y)] - self.shift - self.tells @ by, by

    def cost(self, y: Array, place: _Place) -> float:
        off, by = self._off(y, place)
        return 0.5 * float(off @ np.linalg.solve(self.noise, off) + by @ self.inverse @ by)

    def log_likelihood(self, y: Array, place: _Place) -> float:
        """Laplace's."""
        if not np.isfinite(place.mean).all():
            return -math.inf
        j = place.rows + self.tells.T  # (T, n)
        bent = np.linalg.solve(self.noise, j.T)
        fit = -self.cost(y, place) - 0.5 * float(np.linalg.slogdet(2 * math.pi * self.noise)[1])
        return fit - 0.5 * float(np.linalg.slogdet(np.eye(len(y)) + bent @ self.covariance @ j)[1])


def _at_best(candidate: Candidate, y: Array) -> float:
    """The score of a candidate if its tolerances took all by which it fits worse than chance has it."""
    off = y - candidate.mean[: len(y)]
    chi = float(off @ np.linalg.solve(candidate.covariance, off))
    return candidate.score + 0.5 * max(chi - len(y), 0.0)


def misses(candidate: Candidate, y: Array, least: float = MISSES) -> bool:
    """Whether some reading lies so many standard deviations off the prediction, by itself or given all others."""
    mean = candidate.mean[: len(y)]
    alone = (y - mean) / np.sqrt(np.diag(candidate.covariance))
    given = given_others(y, mean, candidate.covariance)
    return bool(np.abs([alone, given]).max(initial=0.0) > least)


def _within(unknowns: Sequence[Unknown], start: Array, t: Array) -> Array:
    """Each unknown within what it can be; one step leads a value by decades only so far, since its slope is another
    there."""
    most = np.array([LEAKS if u.stray is not None else LIMIT if u.stated and not u.log else FAR for u in unknowns])
    stride = np.array([STRIDE / u.share if u.log else math.inf for u in unknowns])
    out: Array = np.clip(np.clip(t, -most, most), start - stride, start + stride)
    return out


def _with(likelihood: Likelihood, candidate: Candidate, estimate: Array) -> Change:
    """The candidate's board with its unknown values moved."""
    values: dict[str, Any] = {}
    factors: dict[str, float] = {}
    settings: dict[str, float] = {}
    for unknown, t in zip(likelihood.unknowns, estimate.tolist(), strict=False):
        factor = unknown.factor(t)
        if unknown.setting:
            settings[unknown.path] = factor - 1
        elif unknown.stray is None and unknown.drawn:
            factors[unknown.path] = factors.get(unknown.path, 1.0) * factor
            values[unknown.path] = unknown.drawn * factors[unknown.path]
    return candidate.change.plus(Change(values=values, setting_errors=settings, factors=factors))
