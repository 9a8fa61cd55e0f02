"""Weighs suspects against a run's readings: none, one, then two faults, with their values fitted.

    screen    every suspect at a few values, all at once, against the covariance of the nominal board
    refine    the likeliest: values by Gauss-Newton, each scene solved exactly
    weigh     the finalists with a covariance of their own: tolerances as they act on that faulty board
    pairs     only where no single fault accounts for what is odd: screened as if effects added, then solved

The covariance of predictions is J S J^T + u^2: J is how each toleranced value of the circuit moves each reading (finite
differences, one standard deviation each), S the variances of those values (rectangular within their tolerance).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from harness.explain import rank
from harness.explain.predict import Change
from harness.explain.suspects import Suspect
from harness.explain.uncertainty import Array

SCREENED = 36  # suspects that are solved in all scenes after screening
FINALISTS = 16  # of those, refined
WEIGHED = 8  # of those, weighed with a covariance of their own
PAIRS = 60  # pairs that are solved
UNTOUCHED = 0.7  # probability that "something else" leaves an answer as it was (estimate, no source)
IMPERFECT = 0.3  # probability that a true explanation still leaves a net unexplained (estimate, no source)
TELLING = 40.0  # squared standard deviations that a further scene must add to be screened
STEP = 0.05  # by which a fitted value is moved for its derivative (natural logarithm)
FIRSTS = 25  # suspects that are tried with every other as a pair
CLOSE_ENOUGH = 0.97
"""Posterior probability of the singles (against "something else") from which pairs are not searched."""


class Predicts(Protocol):
    """What `harness.explain.predict.Predictor` does; a test may hand in its own."""

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

    def slack(self, changes: Sequence[Change]) -> Array:
        """(H, n) standard deviation of what is not at rest."""


@dataclass(frozen=True)
class Answered:
    """An answer of the board: whether it came, which predicted volts it needs (column, low, high), and whose it is."""

    came: bool
    needs: tuple[tuple[int, float | None, float | None], ...]
    part: str

    def log_likelihood(self, mean: Array, silent: bool) -> float:
        """Log probability of what happened, given predicted volts; `silent`: the part cannot answer at all."""
        answers = 0.0 if silent else math.prod(_within(float(mean[k]), low, high) for k, low, high in self.needs)
        p = UNSURE + (1 - 2 * UNSURE) * answers
        return math.log(p if self.came else 1 - p)


UNSURE = 0.02
"""How often an answer comes, or fails to, against what its needs would have (estimate, no source)."""
EDGE_VOLTS = 0.05
"""How softly a need for so many volts is judged: one standard deviation."""


def _within(volts: float, low: float | None, high: float | None) -> float:
    if not math.isfinite(volts):
        return 0.5

    def below(z: float) -> float:
        return 0.5 * math.erfc(-z / math.sqrt(2))

    above_low = 1.0 if low is None else below((volts - low) / EDGE_VOLTS)
    below_high = 1.0 if high is None else below((high - volts) / EDGE_VOLTS)
    return above_low * below_high


@dataclass(frozen=True)
class Evidence:
    """What was read: y (n,) with sigma (n,), which readings move together, how far something else could move each.

    Predictions have n columns for the readings, then those that `answers` need.
    """

    y: Array
    sigma: Array
    groups: Sequence[tuple[str, str]]
    widths: Array
    answers: tuple[Answered, ...] = ()


@dataclass(frozen=True)
class Candidate:
    """An explanation: its suspects with their fitted values (None: nothing to fit) and what it predicts."""

    suspects: tuple[Suspect, ...]
    values: tuple[float | None, ...]
    mean: Array
    covariance: Array
    log_prior: float
    log_likelihood: float = -math.inf
    occam: float = 0.0
    spreads: tuple[float, ...] = ()  # standard uncertainty of each fitted value, relative
    freed: frozenset[object] = frozenset()  # groups of readings that it leaves unexplained

    @property
    def texts(self) -> tuple[str, ...]:
        """The faults in their own language, values to three digits."""
        return tuple(s.write(v, 3) for s, v in zip(self.suspects, self.values, strict=True))

    @property
    def change(self) -> Change:
        out = Change()
        for suspect, value in zip(self.suspects, self.values, strict=True):
            out = out.plus(suspect.change(value))
        return out

    @property
    def texts_open(self) -> tuple[str, ...]:
        """The suspects without their values."""
        return tuple(s.text for s in self.suspects)

    @property
    def solved_as(self) -> tuple[object, ...]:
        """What tells its solution from others': places that predict the same, values to six digits."""
        return tuple(
            (s.same_as or s.text, None if v is None else float(f"{v:.6g}"))
            for s, v in zip(self.suspects, self.values, strict=True)
        )

    @property
    def fitted(self) -> list[int]:
        """Indices of the suspects that have a fitted value."""
        return [k for k, s in enumerate(self.suspects) if s.fitted]

    def moved(self, deltas: dict[int, float]) -> Candidate:
        """The candidate with values multiplied by exp(delta), kept within their ranges."""
        values = list(self.values)
        for k, delta in deltas.items():
            suspect, value = self.suspects[k], values[k]
            assert value is not None
            assert suspect.low is not None
            assert suspect.high is not None
            values[k] = min(max(value * math.exp(delta), suspect.low), suspect.high)
        return replace(self, values=tuple(values))

    @property
    def score(self) -> float:
        return self.log_prior + self.log_likelihood + self.occam

    def hypothesis(self) -> rank.Hypothesis:
        mean = self.mean[: len(self.covariance)]
        return rank.Hypothesis(" + ".join(self.texts) or "none", self.log_prior, mean, self.covariance, self.occam)


@dataclass
class Weighing:
    """The result: candidates best first with probabilities; `none` and `other` (something else) among the numbers."""

    candidates: list[Candidate]
    probabilities: Array
    none: Candidate
    p_none: float
    p_other: float
    freed: frozenset[object]
    solved: int = 0


@dataclass(frozen=True)
class _Screened:
    """A suspect's best value, its predictions (m,) for the screened observations, and its log density there."""

    suspect: Suspect
    value: float | None
    values: list[float | None]
    means: Array
    fit: float


@dataclass
class Weigher:
    """Weighs suspects for one unit. `tolerances`: one Change per toleranced value, moved by a standard deviation."""

    predictor: Predicts
    evidence: Evidence
    suspects: Sequence[Suspect]
    tolerances: Sequence[Change]
    something_else: float
    rarity: float = 0.05
    solved: int = 0

    # --- the whole way ----------------------------------------------------------------------------------------
    def weigh(self, pairs: bool = True) -> Weighing:
        """Rank none, one and, where needed and `pairs`, two faults."""
        self.shared_base = self._predict([Change()])[0]
        self.base = self._predict([Change()], exact=True)[0]
        if not np.all(np.isfinite(self.base)):
            raise ValueError("the circuit has no operating point in one of the bench states, even without a fault")
        covariance = self.covariances([Change()])[0]
        none = self._scored(Candidate((), (), self.base, covariance, self._log_prior(())))
        self.white = _Whitener(covariance)
        self.only = self._telling(none)
        self.white_few = _Whitener(covariance[np.ix_(self.only, self.only)])
        screened = self.screen()
        other, freed = self._other(none)
        weighed = self._final(self._refine(self._best_singles(screened)), none)
        result = self._result(none, weighed, other, freed)
        if pairs and self._unsettled(result):
            weighed += needed(weighed, self._final(self._refine(self._best_pairs(weighed, screened)), none))
            result = self._result(none, weighed, other, freed)
        return result

    def _unsettled(self, result: Weighing) -> bool:
        """Whether one fault does not do: "something else" is in play, or the likeliest leaves readings unexplained."""
        best = result.candidates[0] if result.candidates else None
        leaves = best is not None and bool(best.freed) and result.probabilities[0] > result.p_none
        return result.p_other > 1 - CLOSE_ENOUGH or leaves

    # --- predictions ------------------------------------------------------------------------------------------
    def _predict(
        self,
        changes: Sequence[Change],
        exact: bool = False,
        only: Sequence[int] | None = None,
        near: Sequence[Change] | None = None,
    ) -> Array:
        self.solved += len(changes)
        return self.predictor.predict(changes, exact=exact, only=only, near=near)

    def covariances(self, changes: Sequence[Change]) -> list[Array]:
        """Covariance of the readings of each changed board: its tolerances and the readings' uncertainty."""
        noise = np.diag(self.evidence.sigma**2)
        slack = self.predictor.slack(changes)[:, : len(noise)]
        if not self.tolerances or not changes:
            return [noise + np.diag(s**2) for s in slack]
        plan = [c.plus(t) for c in changes for t in self.tolerances]
        near = [c for c in changes for _ in self.tolerances]
        moved = self._predict([*plan, *changes], near=[*near, *changes])
        count = len(self.tolerances)
        out = []
        for k in range(len(changes)):
            j = (moved[k * count : (k + 1) * count] - moved[len(plan) + k])[:, : len(noise)]
            j = np.where(np.isfinite(j), j, 0.0)
            out.append(j.T @ j + noise + np.diag(slack[k] ** 2))
        return out

    # --- screening --------------------------------------------------------------------------------------------
    def _telling(self, none: Candidate, scenes: int = 5) -> list[int]:
        """Observations of the few scenes that tell most: those with the oddest readings, each net counted once."""
        of = np.array(self.predictor.scenes())[: len(self.evidence.y)]
        nets = list(self.evidence.groups)
        odd = np.minimum(none.hypothesis().residuals(self.evidence.y) ** 2, 400.0)
        chosen: list[int] = []
        weight = odd + 0.5
        for _ in range(min(scenes, len(set(of)))):
            totals = {s: float(weight[of == s].sum()) for s in dict.fromkeys(of.tolist()) if s not in chosen}
            best = max(totals, key=lambda s: totals[s])
            if len(chosen) > 1 and totals[best] < TELLING:
                break
            chosen.append(best)
            seen = {nets[k] for k in np.flatnonzero(of == best).tolist()}
            weight = np.array([w * (0.2 if nets[k] in seen else 1.0) for k, w in enumerate(weight)])
        return [int(k) for k in np.flatnonzero(np.isin(of, chosen))]

    def screen(self) -> list[_Screened]:
        """All suspects over their grids in the telling scenes, corrected by what sharing does to the nominal board."""
        keys: dict[str, Suspect] = {}
        for suspect in self.suspects:
            keys.setdefault(suspect.same_as or suspect.text, suspect)
        plan = [(key, value) for key, s in keys.items() for value in s.grid()]
        few = self.only
        means = self._predict([keys[key].change(value) for key, value in plan], only=few)
        means = means + (self.base - self.shared_base)[few]
        rows: dict[str, list[int]] = {}
        for k, (key, _) in enumerate(plan):
            rows.setdefault(key, []).append(k)
        best = {key: self._best_on_grid(keys[key], means[rows[key]]) for key in keys}
        return [replace(best[s.same_as or s.text], suspect=s) for s in self.suspects]

    def _best_on_grid(self, suspect: Suspect, means: Array) -> _Screened:
        """The best value of a suspect, between its grid points by interpolation in the logarithm."""
        values = suspect.grid()
        good = np.all(np.isfinite(means), axis=1)
        if len(values) > 2 and good.sum() > 2:
            from scipy.interpolate import PchipInterpolator

            at = np.log(np.array([v for v, g in zip(values, good, strict=True) if g and v is not None]))
            fine = np.linspace(at[0], at[-1], 6 * len(at))
            means = PchipInterpolator(at, means[good], axis=0)(fine)
            values = [float(v) for v in np.exp(fine)]
        fit = self.white_few.log_likelihoods(self.evidence.y[self.only], means)
        k = int(np.argmax(fit))
        return _Screened(suspect, values[k], values, means, float(fit[k]))

    def _log_prior(self, suspects: Iterable[Suspect]) -> float:
        return sum(math.log(s.prior) - math.log1p(-s.prior) for s in suspects)

    def _scored(self, candidate: Candidate) -> Candidate:
        try:
            mean = candidate.mean[: len(self.evidence.y)]
            fit = rank.log_gaussian(self.evidence.y, mean, candidate.covariance) + self._answers(candidate)
        except np.linalg.LinAlgError:
            fit = -math.inf
        return replace(candidate, log_likelihood=fit if math.isfinite(fit) else -math.inf)

    def _answers(self, candidate: Candidate) -> float:
        """Log likelihood of the board's answers."""
        dead = {f"{a.part}:{word}" for a in self.evidence.answers for word in ("dead", "missing", "open", "short")}
        silent = {text.partition(":")[0] for text in candidate.texts_open if text in dead}
        return sum(a.log_likelihood(candidate.mean, a.part in silent) for a in self.evidence.answers)

    def _best_singles(self, screened: Sequence[_Screened]) -> list[Candidate]:
        def rough(s: _Screened) -> float:
            return s.fit + self._log_prior([s.suspect]) - (2.0 if s.suspect.fitted else 0.0)

        kept = [s for s in sorted(screened, key=rough, reverse=True)[:SCREENED] if math.isfinite(s.fit)]
        found = [
            Candidate((s.suspect,), (s.value,), self.base, self.white.covariance, self._log_prior([s.suspect]))
            for s in kept
        ]
        return self._solved(found)[:FINALISTS]

    def _solved(self, candidates: list[Candidate]) -> list[Candidate]:
        """The candidates with all their readings predicted, best first; equal changes are solved once."""
        if not candidates:
            return []
        unique: dict[tuple[object, ...], int] = {}
        changes: list[Change] = []
        for c in candidates:
            if c.solved_as not in unique:
                unique[c.solved_as] = len(changes)
                changes.append(c.change)
        means = self._predict(changes) + (self.base - self.shared_base)
        solved = [self._scored(replace(c, mean=means[unique[c.solved_as]])) for c in candidates]
        return sorted((c for c in solved if math.isfinite(c.score)), key=lambda c: -c.score)

    # --- refining ---------------------------------------------------------------------------------------------
    def _refine(self, candidates: list[Candidate]) -> list[Candidate]:
        """Fit the values of all candidates together: in the telling scenes, then in all."""
        fixed = [c for c in candidates if not c.fitted]
        current = [c for c in candidates if c.fitted]
        whites = [self.white] * len(current)
        for only in (self.only, self.only, None):
            current = self._gauss_newton(current, whites, only)
        return self._solved([*fixed, *current])

    def _gauss_newton(
        self, candidates: list[Candidate], whites: Sequence[_Whitener], only: Sequence[int] | None = None
    ) -> list[Candidate]:
        """One step for every candidate with a fitted value, each in its own measure of what a deviation means."""
        plan: list[Change] = []
        near: list[Change] = []
        spans = []
        for c in candidates:
            first = len(plan)
            plan += [c.change, *(c.moved({k: STEP}).change for k in c.fitted)]
            near += [c.change] * (len(plan) - first)
            spans.append((first, len(plan)))
        if not plan:
            return candidates
        few = list(range(len(self.evidence.y))) if only is None else list(only)
        means = self._predict(plan, only=few, near=near) + (self.base - self.shared_base)[few]
        return [
            self._stepped(c, means[a], means[a + 1 : b], white.part(few), few)
            for c, white, (a, b) in zip(candidates, whites, spans, strict=True)
        ]

    def _stepped(self, c: Candidate, mean: Array, moved: Array, white: _Whitener, few: list[int]) -> Candidate:
        if not np.all(np.isfinite(mean)) or not len(moved):
            return c
        j = white((np.where(np.isfinite(moved), moved, mean) - mean) / STEP)
        r = white((self.evidence.y[few] - mean)[None, :])[0]
        information = j @ j.T
        delta = np.clip(np.linalg.solve(information + np.eye(len(j)) * 0.05, j @ r), -1.5, 1.5)
        known = np.diag(information)
        charge = sum(rank.occam_factor(c.suspects[k].log_range, float(i)) for k, i in zip(c.fitted, known, strict=True))
        spreads = tuple(1 / math.sqrt(max(float(i), 1e-6)) for i in known)
        out = c.moved(dict(zip(c.fitted, delta.tolist(), strict=True)))
        return replace(out, occam=charge, spreads=spreads)

    def _final(self, candidates: list[Candidate], none: Candidate) -> list[Candidate]:
        """The likeliest, weighed and fitted once more with covariances of their own, each scene solved exactly.

        Of candidates that predict the same one is solved for all.
        """
        alike: dict[tuple[object, ...], list[Candidate]] = {}
        for c in self._in_sight(candidates, none):
            alike.setdefault(c.solved_as, []).append(c)
        best = [group[0] for group in alike.values()][:WEIGHED]
        if not best:
            return candidates
        whites = [_Whitener(k) for k in self.covariances([c.change for c in best])]
        fitted = self._gauss_newton(best, whites)
        exact = self._predict([c.change for c in fitted], exact=True, near=[c.change for c in best])
        out = []
        for old, new, mean, white in zip(best, fitted, exact, whites, strict=True):
            for c in alike[old.solved_as]:
                shared = replace(new, suspects=c.suspects, log_prior=c.log_prior)
                out.append(self._forgiving(self._scored(replace(shared, mean=mean, covariance=white.covariance))))
        done = {c.texts_open for c in out}
        return [c for c in [*out, *(c for c in candidates if c.texts_open not in done)] if math.isfinite(c.score)]

    def _forgiving(self, c: Candidate) -> Candidate:
        """A candidate that explains much may leave something: it then pays for each group of readings that it leaves.

        Only where it leaves fewer than "something else" must leave: a fault that explains nothing earns nothing.
        """
        if not self.freed:
            return c
        fit, freed = rank.log_something_else(
            self.evidence.y, c.hypothesis(), self.evidence.groups, self.evidence.widths, self.rarity
        )
        fit += self._answers(c) + math.log(IMPERFECT)
        if fit > c.log_likelihood and freed < self.freed:
            return replace(c, log_likelihood=fit, freed=freed)
        return c

    def _in_sight(self, candidates: list[Candidate], none: Candidate) -> list[Candidate]:
        """Those whose fit, rough as it is, comes within half of what the best gains over no fault at all."""
        if not candidates:
            return []
        best = max(c.log_likelihood for c in candidates)
        gain = max(best - none.log_likelihood, 0.0)
        return [c for c in candidates if c.log_likelihood > best - max(0.5 * gain, 100.0)]

    def _other(self, none: Candidate) -> tuple[float, frozenset[object]]:
        fit, freed = rank.log_something_else(
            self.evidence.y, none.hypothesis(), self.evidence.groups, self.evidence.widths, self.rarity
        )
        self.freed = freed
        # Something else leaves most answers as the drawn board gives them, and may change any.
        answers = (math.exp(a.log_likelihood(none.mean, silent=False)) for a in self.evidence.answers)
        told = sum(math.log(UNTOUCHED * p + (1 - UNTOUCHED) * 0.5) for p in answers)
        return fit + told + math.log(self.something_else), freed

    def _result(self, none: Candidate, candidates: list[Candidate], other: float, freed: frozenset[object]) -> Weighing:
        ordered = sorted(candidates, key=lambda c: -c.score)
        p = rank.posterior([none.score, other, *(c.score for c in ordered)], np.zeros(len(ordered) + 2))
        return Weighing(ordered, p[2:], none, float(p[0]), float(p[1]), freed, self.solved)

    # --- pairs ------------------------------------------------------------------------------------------------
    def _best_pairs(self, singles: list[Candidate], screened: Sequence[_Screened]) -> list[Candidate]:
        """Two faults at once, their effects added for a first guess: the likeliest, all readings solved."""
        few, y = self.only, self.evidence.y[self.only]
        firsts = self._firsts(singles, screened)
        rough: list[tuple[float, Candidate]] = []
        for suspect, value, mean in firsts:
            for each in screened:
                if each.suspect.text == suspect.text or each.suspect.same_as == (suspect.same_as or "-"):
                    continue
                fit = self.white_few.log_likelihoods(y, each.means + (mean - self.base[few]))
                k = int(np.argmax(fit))
                pair = (suspect, each.suspect)
                prior = self._log_prior(pair)
                charge = -2.0 * sum(s.fitted for s in pair)
                both = Candidate(pair, (value, each.values[k]), self.base, self.white.covariance, prior)
                rough.append((float(fit[k]) + prior + charge, both))
        rough.sort(key=lambda r: -r[0])
        unique: dict[frozenset[str], Candidate] = {}
        for _, c in rough:
            unique.setdefault(frozenset(s.text for s in c.suspects), c)
            if len(unique) >= PAIRS:
                break
        return self._solved(list(unique.values()))[:FINALISTS]

    def _firsts(
        self, singles: list[Candidate], screened: Sequence[_Screened]
    ) -> list[tuple[Suspect, float | None, Array]]:
        """One member of the pairs: the best singles as they stand, each place once."""
        out: dict[str, tuple[Suspect, float | None, Array]] = {}
        for c in sorted(singles, key=lambda c: -c.score):
            s = c.suspects[0]
            out.setdefault(s.same_as or s.text, (s, c.values[0], c.mean[self.only]))
        for each in sorted(screened, key=lambda s: -(s.fit + self._log_prior([s.suspect]))):
            s = each.suspect
            k = each.values.index(each.value)
            out.setdefault(s.same_as or s.text, (s, each.value, each.means[k]))
            if len(out) >= FIRSTS:
                break
        return list(out.values())[:FIRSTS]


NEEDED = 3.0
"""How much better, in natural logarithms, two faults must fit than one of them alone to be listed at all."""


def needed(singles: Sequence[Candidate], pairs: Sequence[Candidate]) -> list[Candidate]:
    """Pairs of which both members are needed: minimal explanations. A second fault that no reading asks for is none."""
    alone: dict[str, float] = {}
    for c in singles:
        alone[c.suspects[0].text] = max(alone.get(c.suspects[0].text, -math.inf), c.log_likelihood + c.occam)
    return [
        p for p in pairs if p.log_likelihood + p.occam > max(alone.get(s.text, -math.inf) for s in p.suspects) + NEEDED
    ]


class _Whitener:
    """Standardises residuals with one covariance: white(r) has unit covariance."""

    def __init__(self, covariance: Array) -> None:
        self.covariance = covariance
        self._lower = np.linalg.cholesky(covariance)
        self._log_det = 2 * float(np.log(np.diag(self._lower)).sum())

    def part(self, few: Sequence[int]) -> _Whitener:
        """The measure of some of the readings."""
        return self if len(few) == len(self.covariance) else _Whitener(self.covariance[np.ix_(few, few)])

    def __call__(self, residuals: Array) -> Array:
        """(k, n) -> (k, n)."""
        out: Array = np.linalg.solve(self._lower, residuals.T).T
        return out

    def log_likelihoods(self, y: Array, means: Array) -> Array:
        """(k,) log densities; -inf where a mean is not finite."""
        good = np.all(np.isfinite(means), axis=1)
        out = np.full(len(means), -math.inf)
        if np.any(good):
            w = self(y - means[good])
            out[good] = -0.5 * ((w**2).sum(axis=1) + self._log_det + y.size * math.log(2 * math.pi))
        return out
