"""The way of one candidate towards its likeliest unknowns: Gauss and Newton's steps (step.py), one solved board each.

A step that leads nowhere better is followed by shorter ones, tied to the best place. Where other types are wide at its
end (wild.py), it is another way, and what it costs is counted anew. It ends where slopes promise no more, or shorter
steps gain nothing: then at another scale, if that is likelier there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Final

import numpy as np

from wakeboard.harness.explain.evidence.step import Joint, step
from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.harness.explain.evidence.whiten import Reals, Whitener, lower_solved, upper_solved
from wakeboard.harness.explain.rank.candidate import Candidate
from wakeboard.harness.explain.rank.likelihood import Likelihood, Spread
from wakeboard.instruments.virtual.circuit.bench.change import Change
from wakeboard.instruments.virtual.circuit.bench.unknowns import Unknown

LIMIT: Final = math.sqrt(3.0)
"""Standard deviations at which a rectangular tolerance ends."""
FAR: Final = 4.0
"""Standard deviations of the table up to which a value without such an end is followed: three times the current, a
forward voltage of 120 mV more. What goes further is another part, or a fault."""
LEAKS: Final = 40.0
"""… and up to which a leakage is."""
TRIES: Final = 6
"""Steps on end, each shorter, that lead nowhere better, after which no further one is tried at a scale."""
FOREIGN: Final = 4.0
"""Cost a reading from which, where a step gains less than …"""
GAINING: Final = 0.2
"""… this share of it, it is no unknown value that is missing."""
ACTS: Final = 0.05
"""Of a reading's own standard deviation, what one deviation of an unknown must do to it to be followed."""
GAINS: Final = 1.0
"""Natural logarithms that a step must promise to be taken."""
STRIDE: Final = 1.5
"""Natural logarithms that a value may be moved by in one step."""
BROKEN: Final = 3.0
"""Natural logarithms by which a solved board may fall short of what slopes promised, and these still count."""
STAYS: Final = 3.0
"""Natural logarithms by which other types must be likelier wide than those that are, and gain more than they cost; by
which a way must get further that comes back to what was wide before; and which slopes may promise less with the types
that they pick than with others."""
TIED: Final = 4.0
"""How strongly who begins where another has arrived is tied to that place at first; …"""
TIGHTER: Final = 4.0
"""… times as strongly is who went too far, and as loosely who went well; …"""
LOOSE: Final = 1.2
"""… below which nothing is tied; …"""
HALF: Final = 0.5
"""… what is left of the step that they would take from the second one on that leads nowhere better: tied or not, what
the readings are sure of goes all the way, and it bends too; …"""
TIED_MOST: Final = 64.0
"""… and beyond which no shorter step is looked for."""
WELL: Final = 0.5
"""Share of what was promised that a step gains at least where it went well, …"""
POORLY: Final = 0.1
"""… and at most where the next is to be shorter."""
NOTHING: Final = 12.0
"""Natural logarithms by which one scale must be less likely than another to add nothing to it."""
LAW: Final = 0.2
"""Share of what a current beside the drawing does to a reading by which that may be wrong: how such a current goes with
voltage is one law for all parts (shapes.py), and a part's own is another (estimate, no source)."""


@dataclass(frozen=True)
class Solved:
    """A board that was solved at unknowns t (T,): its readings' mean (all observations), slopes (T, n), and where it is
    in balance, scene by scene."""

    t: Array
    mean: Array
    rows: Array
    balance: Array | None = None


@dataclass
class Ascent:
    """The way of one candidate towards its likeliest unknowns."""

    likelihood: Likelihood
    noise: Array  # (n,) variances
    scale: int
    next: Array
    offset: Array  # what a reading alone has beyond one in a shared scene
    acting: Array  # (T,) which unknowns do anything at all at the drawn values
    best: Solved | None = None
    least: float = math.inf
    going: bool = True
    wide: tuple[int, ...] = ()  # with which `next` was found
    wide_at_best: tuple[int, ...] = ()
    behind: Solved | None = None  # whose slopes led to `next`
    promised: float = -math.inf  # log likelihood by the slopes at the drawn values, until it was tried …
    broken: bool = False  # … which the board solved there did not give
    firm: Candidate | None = None  # over all scales, by boards that were solved alone
    failed: int = 0  # steps on end that led nowhere better
    tied: float = 0.0  # how strongly `next` is tied to the best place
    ended: bool = False  # whether unknowns are at their ends there
    expects: float = math.inf  # natural logarithms that the slopes promise for the step to `next`
    held: frozenset[int] = frozenset()  # unknowns that stay where they are as long as no slope is theirs
    seen: set[int] = field(default_factory=set)  # scales at which it has arrived
    left: dict[tuple[int, ...], float] = field(default_factory=dict)  # what was wide before at this scale: cost there
    arrived: list[tuple[Solved, tuple[int, ...]]] = field(default_factory=list)  # there, with what was wide
    found_at: Array | None = None  # where the board that another has arrived at is in balance

    @classmethod
    def begun(cls, likelihood: Likelihood, candidate: Candidate, spread: Spread) -> Ascent:
        n = len(likelihood.evidence.y)
        exact = candidate.mean.copy()
        exact[:n] -= spread.shifts[candidate.scale]
        drawn = Solved(np.zeros(len(likelihood.unknowns)), exact, spread.rows)
        (shared,) = likelihood.predictor.predict([candidate.change])
        made = cls(
            likelihood, spread.noise, candidate.scale, drawn.t, exact - shared, acting(spread.rows, spread.noise)
        )
        made.promised = made.linear(drawn, made.scale).log_likelihood
        made.next = made._from(drawn)
        return made

    def begun_at(self, other: Ascent, scale: int) -> Ascent:
        """This candidate's way from where another has arrived."""
        assert other.best is not None
        begun = self.begun_from(other.best.t, scale, other.wide_at_best, other.held)
        return replace(begun, tied=TIED, found_at=other.best.balance)

    def begun_from(
        self, t: Array, scale: int, wide: tuple[int, ...] = (), held: frozenset[int] = frozenset()
    ) -> Ascent:  # fmt: skip
        """This candidate's way from elsewhere. held: unknowns beyond a knee, where nothing slopes: steps leave them
        there."""
        return replace(
            self, next=t, scale=scale, wide=wide, held=held, best=None, least=math.inf, going=True, behind=None,
            failed=0, seen=set(), left={}, arrived=[], tied=0.0, expects=math.inf, found_at=None,
        )  # fmt: skip

    def linear(self, at: Solved, scale: int, first: Sequence[int] = ()) -> Candidate:
        """What a board is expected to read by the slopes of a place, at a scale."""
        freedom, n = self.likelihood.freedoms[scale], len(self.noise)
        mean = at.mean.copy()
        mean[:n] += freedom.shift(at.rows) - at.t @ at.rows
        covariance = freedom.spread(at.rows) + np.diag(self.noise_at(at))
        made = Candidate((), (), mean, covariance, 0.0, scale=scale, rows=at.rows)
        return self.likelihood.at_scale(made, at.rows, first)

    @property
    def balance(self) -> Array | None:
        """Where the board of its best place is in balance, or that from where it begins: from there the next is looked
        for, so that a board which may be in two states stays in its own."""
        return self.found_at if self.best is None else self.best.balance

    def promises(self) -> float:
        """Log likelihood by the slopes of its best place, at the likeliest scale."""
        assert self.best is not None
        return max(self.linear(self.best, k).log_likelihood for k in self.likelihood.live)

    def noise_at(self, place: Solved) -> Array:
        """(n,) the readings' variances at a place: there, a leakage that is large is known by its law only roughly."""
        flows = [k for k, u in enumerate(self.likelihood.unknowns) if u.stray is not None]
        wrong: Array = LAW**2 * ((place.t[flows, None] * place.rows[flows]) ** 2).sum(axis=0)
        return self.noise + wrong

    def _from(self, at: Solved) -> Array:
        """(T,) where the readings put the unknowns, by the slopes of a place. What is wide and gains more than it costs
        stays so, where nothing else is much likelier: else two types that could both be wide take turns, and no step
        ends where the next begins."""
        linear = self.linear(at, self.scale)
        if self.wide and self.wide != linear.wide:
            stays = self.linear(at, self.scale, self.wide)
            if stays.log_likelihood > linear.log_likelihood - STAYS:
                linear = stays
        self.wide, self.behind = linear.wide, at
        like = self.likelihood
        freedom = like.freedoms[self.scale].widened(like.wild[self.scale], linear.wide)
        known = Joint(freedom.mean, freedom.covariance)
        if self.tied:
            known = known.tied(at.t, Apart.of(like, self.scale, linear.wide, self.noise).tells, self.tied)
        acts = acting(at.rows, self.noise)
        held = np.array([k for k in self.held if not acts[k]], dtype=np.intp)
        y = like.evidence.y
        within = partial(_within, like.unknowns, at.t)
        t, self.ended = step(known, y, at.t, at.mean[: len(y)], at.rows, self.noise_at(at), held, within)
        return t

    def look(self, place: Solved) -> None:
        """Take a place that was solved, if it is better; go on from the best."""
        if math.isfinite(self.promised):
            given = self._weighed(self._drawn_at(place), place).log_likelihood
            self.broken, self.promised = given < self.promised - BROKEN, -math.inf
        cost = self._cost(place)
        if self.best is None and math.isfinite(cost):  # where another has arrived, this one may have as well
            self.arrived.append((place, self.wide))
        if cost < self.least:
            self._better(place, cost)
        elif self.best is not None:
            self._worse()
        elif self.behind is not None and self.failed < TRIES:
            self.failed += 1
            self._tighter()
            self.next = self._from(self.behind)
        else:
            self.going = False

    def _better(self, place: Solved, cost: float) -> None:
        gained, self.failed = self.least - cost, 0
        self.best, self.least, self.wide_at_best = place, cost, self.wide
        if cost > FOREIGN * len(self.noise) and gained < GAINING * cost:
            self.going = False
            return
        if gained > WELL * self.expects or not math.isfinite(self.expects):
            self.tied = self.tied / TIGHTER if self.tied > LOOSE else 0.0
        elif gained < POORLY * self.expects:
            self._tighter()
        self._step(place)
        if self.expects <= GAINS and self.tied and not self.ended:
            self.tied = 0.0
            self._step(place)
        if self.expects <= GAINS:
            self._change_scale(place)

    def _worse(self) -> None:
        assert self.best is not None
        self.failed += 1
        self._tighter()
        if self.failed < TRIES and self.expects > GAINS:
            self._step(self.best)
        if self.failed >= TRIES or self.expects <= GAINS:
            foreign = self.least > FOREIGN * len(self.noise)
            self._change_scale(self.best)
            self.going &= not foreign

    def _step(self, at: Solved) -> None:
        """Go on from a place: the best; the shorter, the more steps on end have failed."""
        share = HALF ** max(self.failed - 1, 0)
        self.next = at.t + share * (self._from(at) - at.t)
        left = math.inf
        if self.wide != self.wide_at_best:  # another way: what it costs is counted anew
            self.arrived.append((at, self.wide_at_best))
            self.left[self.wide_at_best] = self.least
            left = self.left.get(self.wide, math.inf)
            self.wide_at_best, self.least = self.wide, self._cost(at)
        apart, y = Apart.of(self.likelihood, self.scale, self.wide, self.noise_at(at)), self.likelihood.evidence.y
        while True:
            mean = at.mean.copy()
            mean[: len(y)] += (self.next - at.t) @ at.rows
            self.expects = apart.cost(y, at) - apart.cost(y, Solved(self.next, mean, at.rows))
            if self.least - self.expects > left - STAYS:
                self.expects = 0.0  # back on a way that was left, and no further
                return
            if self.expects > GAINS or not self.ended or self.tied >= TIED_MOST:
                return
            # some went to an end that the others would not have them at: a shorter step
            self._tighter()
            self.next = at.t + share * (self._from(at) - at.t)

    def _tighter(self) -> None:
        self.tied = max(1.0, TIGHTER * self.tied)

    def _change_scale(self, place: Solved) -> None:
        """Where it has arrived at one scale, go on at the likeliest by the slopes here; else it is done."""
        self.seen.add(self.scale)
        self.arrived.append((place, self.wide_at_best))
        k = max(self.likelihood.live, key=lambda k: self.linear(place, k).log_likelihood)
        self.going = k not in self.seen
        self.failed, self.tied = 0, 0.0
        if self.going:
            self.scale = k
            self.next = self._from(place)
            self.least = self._cost(place)
            self.wide_at_best, self.expects, self.left = self.wide, math.inf, {}

    def _cost(self, place: Solved) -> float:
        """-log of the readings' and the unknowns' density, but for what does not depend on t."""
        if not np.isfinite(place.mean).all():
            return math.inf
        apart = Apart.of(self.likelihood, self.scale, self.wide, self.noise_at(place))
        usual = Apart.of(self.likelihood, self.scale, self.wide, self.noise)
        wider = 0.5 * float(np.linalg.slogdet(apart.noise)[1] - np.linalg.slogdet(usual.noise)[1])
        return apart.cost(self.likelihood.evidence.y, place) + wider - apart.odds

    def _drawn_at(self, place: Solved) -> Candidate:
        n = len(self.noise)
        return Candidate((), (), place.mean[:n], np.diag(self.noise), 0.0, scale=self.scale, wide=self.wide)

    def made(self, candidate: Candidate, spread: Spread) -> Candidate:
        """The candidate over all scales, each at the best of: linear at the drawn values, or where it has arrived."""
        if self.best is None:
            return candidate
        like = self.likelihood
        out = like.fits_again(candidate, spread)
        solved = [replace(c, log_likelihood=-math.inf) for c in out]
        places = {id(place): (place, wide) for place, wide in [*self.arrived, (self.best, self.wide_at_best)]}
        furthest = -math.inf
        for place, wide in reversed(places.values()):
            for i, k in enumerate(like.live):
                linear = self.linear(place, k)
                least = max(solved[i].log_likelihood, furthest - NOTHING)
                if linear.log_likelihood < least - STAYS:
                    continue  # the board itself gives no more than its slopes promise
                for w in {linear.wide, wide}:
                    here = self._weighed(replace(candidate, mean=linear.mean, scale=k, wide=w, rows=place.rows), place)
                    if here.log_likelihood > solved[i].log_likelihood:
                        solved[i] = here
                    if here.log_likelihood > furthest:
                        furthest, self.best, self.wide_at_best = here.log_likelihood, place, w
        self.solved_better(like.together(solved))
        return like.together([max(pair, key=lambda c: c.log_likelihood) for pair in zip(out, solved, strict=True)])

    def solved_better(self, firm: Candidate | None) -> None:
        """Take what boards that were solved give, on another way too, where it is likelier."""
        if firm and (self.firm is None or firm.log_likelihood > self.firm.log_likelihood):
            self.firm = firm

    def _weighed(self, c: Candidate, place: Solved) -> Candidate:
        """By Laplace's rule, with the types that it has wide."""
        like = self.likelihood
        noise = self.noise_at(place)
        apart = Apart.of(like, c.scale, c.wide, noise)
        fit = apart.log_likelihood(like.evidence.y, place) + apart.odds + float(like.weights[c.scale])
        freedom = like.freedoms[c.scale].widened(like.wild[c.scale], c.wide)
        covariance = freedom.spread(place.rows) + np.diag(noise)
        made = replace(c, covariance=covariance, log_likelihood=fit)
        return replace(made, beyond=self._beyond(made, apart, place)) if math.isfinite(fit) else made

    def _beyond(self, made: Candidate, apart: Apart, place: Solved) -> Array:
        """(n,) natural logarithms that the slopes promise beyond Laplace's value, laid on the readings that are off."""
        y, like = self.likelihood.evidence.y, self.likelihood
        promised = float(Whitener(made.covariance).log_likelihoods(y, made.mean[None, : len(y)])[0])
        more = max(promised + apart.odds + float(like.weights[made.scale]) - made.log_likelihood, 0.0)
        off = apart.off(y, place) ** 2 / np.diag(apart.noise)
        out: Array = more * off / max(float(off.sum()), 1e-30)
        return out


@dataclass(frozen=True)
class Apart:
    """Unknowns t and discrepancy d apart: t's covariance with its lower factor, what t tells of d, and N of the
    readings, given t."""

    mean: Array
    covariance: Array
    factor: Reals
    tells: Array
    noise: Array
    shift: Array
    odds: float

    @classmethod
    def of(cls, likelihood: Likelihood, scale: int, wide: Sequence[int], noise: Array) -> Apart:
        """At a scale, with some types wide; noise (n,): the readings' own variances. What does not depend on these is
        worked out once, as candidates share scales."""
        made = likelihood.kept(("apart", scale, *wide), lambda: cls._without_noise(likelihood, scale, wide))
        return replace(made, noise=made.noise + np.diag(noise))

    @classmethod
    def _without_noise(cls, likelihood: Likelihood, scale: int, wide: Sequence[int]) -> Apart:
        freedom = likelihood.freedoms[scale].widened(likelihood.wild[scale], wide)
        odds = sum(likelihood.wild[scale][k].log_odds for k in wide)
        whole, count = freedom.covariance, freedom.count
        of_t = whole[:count, :count]
        of_t = of_t + np.diag(1e-6 * np.diag(of_t) + 1e-12)
        factor = np.linalg.cholesky(of_t)
        across = whole[count:, :count]
        half = lower_solved(factor, across.T)
        tells = upper_solved(factor, half).T if across.any() else np.zeros_like(across)
        left = whole[count:, count:] - tells @ whole[:count, count:]
        return cls(freedom.mean[:count], of_t, factor, tells, left, freedom.mean[count:], odds)

    def off(self, y: Array, place: Solved) -> Array:
        """(n,) readings less what the board of a place gives, with what t tells of d."""
        return self._off(y, place)[0]

    def _off(self, y: Array, place: Solved) -> tuple[Array, Array]:
        by = place.t - self.mean
        return y - place.mean[: len(y)] - self.shift - self.tells @ by, by

    def cost(self, y: Array, place: Solved) -> float:
        off, by = self._off(y, place)
        white = lower_solved(self.factor, by[:, None])
        return 0.5 * (float(off @ np.linalg.solve(self.noise, off)) + float((white**2).sum()))

    def log_likelihood(self, y: Array, place: Solved) -> float:
        """Laplace's."""
        if not np.isfinite(place.mean).all():
            return -math.inf
        j = place.rows + self.tells.T  # (T, n)
        bent = np.linalg.solve(self.noise, j.T)
        fit = -self.cost(y, place) - 0.5 * float(np.linalg.slogdet(2 * math.pi * self.noise)[1])
        return fit - 0.5 * float(np.linalg.slogdet(np.eye(len(y)) + bent @ self.covariance @ j)[1])


def acting(rows: Array, noise: Array) -> Array:
    """(T,) which unknowns do anything that is worth following: rows (T, n), noise (n,) variances."""
    out: Array = (np.abs(rows) / np.sqrt(noise)).max(axis=1, initial=0.0) > ACTS
    return out


def _within(unknowns: Sequence[Unknown], start: Array, t: Array) -> Array:
    """Each unknown within what it can be; one step leads a value by decades only so far, since its slope is another
    there."""
    most = np.array([LEAKS if u.stray is not None else LIMIT if u.stated and not u.log else FAR for u in unknowns])
    stride = np.array([STRIDE / u.share if u.log else math.inf for u in unknowns])
    out: Array = np.clip(np.clip(t, -most, most), start - stride, start + stride)
    return out


def board_at(likelihood: Likelihood, candidate: Candidate, estimate: Array) -> Change:
    """The candidate's board with its unknown values moved."""
    values: dict[str, object] = {}
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
