"""How likely the readings are, given an explanation: predictions with their covariance, and the board's answers.

The covariance of predictions is H G H^T + u^2 + slack^2: H is what each unknown of the circuit does to each reading
(first order), G what is known of the unknowns and of the model's discrepancy (freedom.py), u the readings' own
uncertainty, slack what a net that nothing drives may still hold. Where other units have taught, G is narrower, and the
predictions are those of the board as learnt.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final, Protocol, TypeVar

import numpy as np

from wakeboard.harness.explain.evidence.freedom import BETWEEN, CLOSE, ROUGHEST, SCALES, USUAL, Freedom, Lesson, Scale
from wakeboard.harness.explain.evidence.readings import Evidence
from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.harness.explain.evidence.whiten import Whitener
from wakeboard.harness.explain.evidence.wild import Wilds, picked, wilds
from wakeboard.harness.explain.rank import rank
from wakeboard.harness.explain.rank.candidate import Candidate
from wakeboard.instruments.virtual.circuit.bench.change import Change
from wakeboard.instruments.virtual.circuit.bench.unknowns import Unknown

_Made = TypeVar("_Made")

UNTOUCHED: Final = 0.7
"""Probability that "something else" leaves an answer as it was (estimate, no source)."""
IMPERFECT: Final = 0.3
"""Probability that a true explanation still leaves a net unexplained (estimate, no source)."""

ONE_OFF: Final = 0.1
"""Probability that the model is wrong in one reading beside a true fault (estimate, no source)."""
MISLED: Final = 0.05
"""Probability that other units mislead: two of four with one fault are taken for the type (estimate, no source)."""
UNTAUGHT: Final = (CLOSE, BETWEEN, USUAL, ROUGHEST)
"""Scales at which a unit is weighed for that as if it were alone (places in freedom.SCALES)."""


class Predicts(Protocol):
    """What `wakeboard.harness.explain.evidence.predict.Predictor` does; a test may hand in its own."""

    def predict(
        self,
        changes: Sequence[Change],
        *,
        exact: bool = False,
        only: Sequence[int] | None = None,
        near: Sequence[Change] | None = None,
    ) -> Array:
        """(H, n) predicted observations."""

    def scenes(self) -> list[int]:
        """The scene of each observation."""

    def shifts(self, changes: Sequence[Change], unknowns: Sequence[Unknown]) -> Array:
        """(H, T, n) what one standard deviation of each unknown does."""

    def beside(
        self, changes: Sequence[Change], unknowns: Sequence[Unknown], deviations: Array, near: Sequence[Change],
        acting: Array, begin: Sequence[Array | None] = (),
    ) -> tuple[Array, Array, list[Array]]:  # fmt: skip
        """(H, n) predicted observations with strays flowing, (H, T, n) what one deviation of each unknown does, and
        where each is in balance, to `begin` at."""

    def slack(self, changes: Sequence[Change]) -> Array:
        """(H, n) standard deviation of what is not at rest."""

    def without(self, change: Change, paths: Sequence[str]) -> Array:
        """(P, n) predicted observations where one value alone is 0 beside a change."""


class Covariances:
    """Of the readings, by scale, each (n, n): worked out when it is asked for."""

    def __init__(self, freedoms: Sequence[Freedom], rows: Array, noise: Array) -> None:
        self._freedoms, self._rows, self._noise = freedoms, rows, noise
        self._made: dict[int, Array] = {}

    def __getitem__(self, scale: int) -> Array:
        if scale not in self._made:
            self._made[scale] = self._freedoms[scale].spread(self._rows) + np.diag(self._noise)
        return self._made[scale]


@dataclass(frozen=True)
class Spread:
    """rows (T, n): what one standard deviation of each unknown does; noise (n,): the readings' other variance. By scale
    of what nobody states: shifts, each (n,), what is expected beside the drawn values; covariances, each (n, n), of it
    all.
    """

    rows: Array
    noise: Array
    shifts: Sequence[Array]
    covariances: Covariances

    @property
    def covariance(self) -> Array:
        """At the table's own spreads."""
        return self.covariances[USUAL]


@dataclass(frozen=True)
class Teachers:
    """What other units read, off their drawn boards (U, n), NaN where they did not; the first `trusted` are known to be
    good."""

    off: Array
    trusted: int = 0


DEAD: Final = 12.0
"""Natural logarithms below the likeliest from which no hypothesis is weighed at a scale."""


@dataclass
class Likelihood:
    """Predictions and scores of one unit's candidates."""

    predictor: Predicts
    evidence: Evidence
    unknowns: Sequence[Unknown]
    freedom: Freedom
    teachers: Teachers | None = None
    solved: int = 0
    base: Array = field(init=False)  # the board as drawn and learnt, each reading under its own load alone
    offset: Array = field(init=False)  # what the other probes of a shared scene take from that
    learnt: Array = field(init=False)  # what other units add to the drawn board's readings
    lesson: Lesson | None = field(init=False, default=None)
    # by scale of what nobody states; where others have taught, behind these a few that they have not
    scales: list[Scale] = field(init=False)
    freedoms: list[Freedom] = field(init=False, default_factory=list)
    weights: Array = field(init=False, default_factory=lambda: np.log([s.chance for s in SCALES]))  # log, of each
    live: list[int] = field(init=False)  # scales at which hypotheses are weighed
    wild: Sequence[Wilds] = field(init=False)  # by scale: types that may be wider than the table has them
    _last: Whitener | None = field(init=False, default=None)
    _spreads: dict[Hashable, Spread] = field(init=False, default_factory=dict)
    _kept: dict[Hashable, Any] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        kinds = wilds(self.unknowns)
        powers = [2 if self.unknowns[int(w.members[0])].by_decades else 1 for w in kinds]
        self.scales = list(SCALES)
        self.live = list(range(len(SCALES)))
        self.wild = [
            Wilds(w.beside(scale.parts, power) for w, power in zip(kinds, powers, strict=True)) for scale in self.scales
        ]
        n = len(self.evidence.y)
        self.learnt = np.zeros(n)
        raw = self.predict([Change()], exact=True)[0]
        self.offset = raw - self.predict([Change()])[0]
        self.base = raw
        if not np.all(np.isfinite(raw)):
            return
        ((rows, noise),) = self._rows([Change()])
        self._learn(rows, noise)
        self.learnt = self.freedoms[USUAL].shift(rows)
        self.base = raw.copy()
        self.base[:n] += self.learnt

    def _learn(self, rows: Array, noise: Array) -> None:
        """What the teachers tell, at each scale; and how likely each scale is by that."""
        powers = [u.power for u in self.unknowns]
        self.freedoms = [self.freedom.scaled(scale, powers) for scale in SCALES]
        weights = np.log([s.chance for s in SCALES])
        if self.teachers is not None and len(self.teachers.off):
            widest = self.freedoms[ROUGHEST]
            piece = np.sqrt((self.freedom.of_piece[:, None] * rows**2).sum(axis=0) + noise)
            whole = np.sqrt(np.diag(widest.spread(rows)) + noise)
            trusted = [k < self.teachers.trusted for k in range(len(self.teachers.off))]
            self.lesson = Lesson.of(self.teachers.off, piece, whole, trusted)
            taught = [
                each.taught(rows, self.lesson, noise, w) for each, w in zip(self.freedoms, self.wild, strict=True)
            ]
            untaught = [(self.freedoms[k], weights[k]) for k in UNTAUGHT]
            weights = weights + np.array([told for _, told in taught])
            self.freedoms = [each for each, _ in taught] + [each for each, _ in untaught]
            weights = np.concatenate((
                weights - np.logaddexp.reduce(weights) + math.log(1 - MISLED),
                np.array([w for _, w in untaught]) + math.log(MISLED),
            ))  # fmt: skip
            self.scales = self.scales + [self.scales[k] for k in UNTAUGHT]
            self.wild = [*self.wild, *(self.wild[k] for k in UNTAUGHT)]
        self.weights = weights - np.logaddexp.reduce(weights)
        self.live = [k for k, w in enumerate(self.weights.tolist()) if w > self.weights.max() - DEAD]

    def predict(
        self,
        changes: Sequence[Change],
        exact: bool = False,
        only: Sequence[int] | None = None,
        near: Sequence[Change] | None = None,
    ) -> Array:
        """(H, n) by the predictor, and what was learnt of the drawn board; counted."""
        self.solved += len(changes)
        found = self.predictor.predict(changes, exact=exact, only=only, near=near)
        n = len(self.evidence.y)
        if only is None:
            found[:, :n] += self.learnt
        else:
            found += np.concatenate((self.learnt, np.zeros(max(only, default=0) + 1)))[list(only)]
        return found

    def nearly(
        self, changes: Sequence[Change], only: Sequence[int] | None = None, near: Sequence[Change] | None = None
    ) -> Array:
        """As `predict` in shared scenes, corrected by what sharing does to the drawn board."""
        offset = self.offset if only is None else self.offset[list(only)]
        out: Array = self.predict(changes, only=only, near=near) + offset
        return out

    def nearly_without(self, change: Change, paths: Sequence[str]) -> Array:
        """(P, n) as `nearly`, of a change with one value 0 beside it."""
        self.solved += len(paths)
        found = self.predictor.without(change, paths)
        found[:, : len(self.learnt)] += self.learnt
        out: Array = found + self.offset
        return out

    def spreads(self, changes: Sequence[Change]) -> list[Spread]:
        """What is not known, and uncertainty, do to the readings of each changed board (kept)."""
        new = {change.key: change for change in changes if change.key not in self._spreads}
        for key, (rows, noise) in zip(new, self._rows(list(new.values())), strict=True):
            self._spreads[key] = Spread(
                rows, noise, [each.shift(rows) for each in self.freedoms], Covariances(self.freedoms, rows, noise)
            )  # fmt: skip
        return [self._spreads[change.key] for change in changes]

    def _rows(self, changes: Sequence[Change]) -> list[tuple[Array, Array]]:
        """What each unknown does (T, n), and the other variance (n,), of each changed board."""
        if not changes:
            return []
        n = len(self.evidence.y)
        slack = self.predictor.slack(changes)[:, :n]
        rows = self.predictor.shifts(changes, self.unknowns)[:, :, :n]
        return list(zip(rows, self.evidence.sigma**2 + slack**2, strict=True))

    def fits(self, candidate: Candidate, spread: Spread, scales: Sequence[int] = ()) -> list[Candidate]:
        """Of a candidate of which the board was solved (its mean as `predict` gives it), at each scale of what nobody
        states (or at these): what it predicts, and the log likelihood of the readings, answers apart, with the scale's
        own weight."""
        n = len(self.evidence.y)
        raw = candidate.mean.copy()
        raw[:n] -= self.learnt
        out = []
        for k in scales or self.live:
            mean = raw.copy()
            mean[:n] += spread.shifts[k]
            made = replace(candidate, mean=mean, covariance=spread.covariances[k], scale=k)
            out.append(self.at_scale(made, spread.rows))
        return out

    def fits_again(self, candidate: Candidate, spread: Spread, scales: Sequence[int] = ()) -> list[Candidate]:
        """The same of a candidate whose mean is that of its likeliest scale."""
        raw = candidate.mean.copy()
        raw[: len(self.evidence.y)] += self.learnt - spread.shifts[candidate.scale]
        return self.fits(replace(candidate, mean=raw), spread, scales)

    def at_scale(self, candidate: Candidate, rows: Array, first: Sequence[int] = ()) -> Candidate:
        """With the types that are wider than the table has them, and the log likelihood of the readings."""
        y, k = self.evidence.y, candidate.scale
        mean, freedom = candidate.mean[: len(y)], self.freedoms[k]
        if not np.isfinite(mean).all():
            return replace(candidate, log_likelihood=-math.inf)
        try:
            picks, covariance, odds = picked(
                self.wild[k], freedom.of_type, freedom.of_piece, rows, candidate.covariance, y - mean, first
            )
            fit = float(self._measure(covariance).log_likelihoods(y, mean[None])[0])
        except np.linalg.LinAlgError:
            return replace(candidate, log_likelihood=-math.inf)
        fit += odds + float(self.weights[k])
        return replace(candidate, covariance=covariance, wide=picks, log_likelihood=fit)

    def over_scales(self, candidate: Candidate, spread: Spread) -> Candidate:
        """A candidate of which the board was solved (its mean as `predict` gives it), weighed over all scales of what
        nobody states; its mean and covariance are those of the likeliest."""
        return self.together(self.fits(candidate, spread))

    def together(self, at_scales: Sequence[Candidate]) -> Candidate:
        """One candidate of those at each scale: the likeliest's prediction, the likelihood of all."""
        best = max(at_scales, key=lambda c: c.log_likelihood)
        fit = float(np.logaddexp.reduce([c.log_likelihood for c in at_scales])) + self.answers(best)
        return replace(best, log_likelihood=fit if math.isfinite(fit) else -math.inf)

    def kept(self, key: Hashable, make: Callable[[], _Made]) -> _Made:
        """What was made of the freedoms before under this key, else made now."""
        if key not in self._kept:
            self._kept[key] = make()
        found: _Made = self._kept[key]
        return found

    # --- scores -----------------------------------------------------------------------------------------------
    def scored(self, candidate: Candidate) -> Candidate:
        """The candidate with the likelihood of the readings and of the board's answers."""
        try:
            mean = candidate.mean[: len(self.evidence.y)]
            measure = self._measure(candidate.covariance)
            fit = float(measure.log_likelihoods(self.evidence.y, mean[None])[0]) + self.answers(candidate)
        except np.linalg.LinAlgError:
            fit = -math.inf
        return replace(candidate, log_likelihood=fit if math.isfinite(fit) else -math.inf)

    def _measure(self, covariance: Array) -> Whitener:
        """The measure of a covariance, made once: many candidates have the drawn board's."""
        if self._last is None or self._last.covariance is not covariance:
            self._last = Whitener(covariance)
        return self._last

    def lent(self, solved: Candidate, other: Candidate) -> Candidate:
        """What was found for one candidate for another that predicts the same; their answers may differ."""
        own = replace(solved, suspects=other.suspects, log_prior=other.log_prior)
        return replace(own, log_likelihood=solved.log_likelihood - self.answers(solved) + self.answers(own))

    def answers(self, candidate: Candidate) -> float:
        """Log likelihood of the board's answers."""
        dead = {f"{a.part}:{word}" for a in self.evidence.answers for word in ("dead", "missing", "open", "short")}
        silent = {text.partition(":")[0] for text in candidate.texts_open if text in dead}
        return sum(a.log_likelihood(candidate.mean, a.part in silent) for a in self.evidence.answers)

    def something_else(self, drawn: Candidate, spread: Spread, rarity: float) -> tuple[float, frozenset[object]]:
        """Log likelihood under "not in this model", and the groups of readings that it leaves free.

        Something else leaves most answers as the drawn board gives them, and may change any.
        """
        fits, freed = [], []
        for each in self.fits_again(drawn, spread):
            fit, groups = self.freeing(each, rarity)
            fits.append(fit)
            freed.append(groups)
        return float(np.logaddexp.reduce(fits)) + self._answers_of_something(drawn), freed[int(np.argmax(fits))]

    def something_else_at(self, drawn: Candidate, rarity: float) -> tuple[float, frozenset[object]]:
        """The same of a board whose unknowns are where the readings put them."""
        fit, freed = self.freeing(drawn, rarity)
        return fit + self._answers_of_something(drawn), freed

    def _answers_of_something(self, drawn: Candidate) -> float:
        likely = (math.exp(a.log_likelihood(drawn.mean, silent=False)) for a in self.evidence.answers)
        return sum(math.log(UNTOUCHED * p + (1 - UNTOUCHED) * 0.5) for p in likely)

    def freeing(self, candidate: Candidate, rarity: float) -> tuple[float, frozenset[object]]:
        """Log likelihood where groups of readings that the candidate does not explain may sit anywhere."""
        e = self.evidence
        fit, freed = rank.log_something_else(
            e.y, candidate.hypothesis(), e.groups, e.widths, rarity, candidate.beyond
        )  # fmt: skip
        odds = sum(self.wild[candidate.scale][k].log_odds for k in candidate.wide)
        return fit + odds + float(self.weights[candidate.scale]), freed

    def forgiven(self, c: Candidate, rarity: float, freed_by_other: frozenset[object]) -> Candidate:
        """A candidate that explains much may leave something: it then pays for each group of readings that it leaves.

        Only where it leaves fewer than "something else" must leave: a fault that explains nothing earns nothing.
        """
        if not freed_by_other:
            return c
        fit, freed = self.freeing(c, rarity)
        fit += self.answers(c) + math.log(IMPERFECT)
        if fit > c.log_likelihood and freed < freed_by_other:
            return replace(c, log_likelihood=fit, freed=freed)
        return c

    def with_one_off(self, c: Candidate) -> float:
        """By how much likelier (natural logarithm) the readings are if one of them, whichever, may be anywhere: the
        model may have one wrong beside a fault."""
        n = len(self.evidence.y)
        try:
            inverse = np.linalg.inv(c.covariance)
        except np.linalg.LinAlgError:
            return 0.0
        variance = 1 / np.diag(inverse)
        off = (inverse @ (self.evidence.y - c.mean[:n])) * variance  # of each, given all others
        wide = variance + self.evidence.widths**2
        gained = 0.5 * (off**2 * (1 / variance - 1 / wide) + np.log(variance / wide))
        return float(np.logaddexp(0.0, gained.max() + math.log(ONE_OFF / n)))
