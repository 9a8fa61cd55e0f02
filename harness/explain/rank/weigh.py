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

from wakeboard.harness.explain.evidence.freedom import CLOSE, ROUGHEST, SCALES, USUAL, Freedom
from wakeboard.harness.explain.evidence.readings import Answered, Evidence
from wakeboard.harness.explain.evidence.roughness import MOST_AS_DRAWN
from wakeboard.harness.explain.evidence.whiten import Whitener
from wakeboard.harness.explain.rank import rank
from wakeboard.harness.explain.rank.candidate import Candidate, Weighing, likeliest, log_prior
from wakeboard.harness.explain.rank.expansion import MISSES, expanded, leaves_some
from wakeboard.harness.explain.rank.fitting import Fitter, stayed
from wakeboard.harness.explain.rank.likelihood import IMPERFECT, Likelihood, Predicts, Spread, Teachers
from wakeboard.harness.explain.rank.modelfit import model_fit
from wakeboard.harness.explain.rank.pairs import Pairing, needed
from wakeboard.harness.explain.rank.screening import BEHIND, Screened, places, screen, telling
from wakeboard.harness.explain.rank.suspects import Chances, Suspect, bridges_between
from wakeboard.harness.explain.rank.twins import twins
from wakeboard.instruments.virtual.circuit.bench.change import Change
from wakeboard.instruments.virtual.circuit.bench.unknowns import Unknown

__all__ = ["Answered", "Candidate", "Evidence", "Predicts", "Weigher", "Weighing", "needed"]

SCREENED: Final = 36
"""Suspects that are solved in all scenes after screening."""
TRIED: Final = 16
"""Of those, in any case, however far behind."""
FINALISTS: Final = 16
"""Of those, refined and weighed with a covariance of their own."""
SCREENED_AT: Final = (USUAL, CLOSE)
"""Scales of what nobody states at which suspects are screened (places in freedom.SCALES)."""
UNSEEN: Final = 1e-3
"""Standard deviations of each reading by less than which a fault moves it, where it shows in none."""
ANSWER_VOLTS: Final = 0.01
"""The standard deviation that counts there for a net that was not read and that an answer of the board needs."""
JOINED: Final = 7
"""Odd nets between any two of which a bridge is tried."""
TAKEN_APART: Final = 3
"""The likeliest pairs of which each fault is tried by itself, and single faults that are tried again beside them."""
CLEARER: Final = 3.0
"""Natural logarithms by which one fault and one wrong reading may be likelier than two faults."""
CLOSE_ENOUGH: Final = 0.97
"""Posterior probability of the singles (against "something else") from which pairs are not searched."""


@dataclass
class Weigher:
    """Weighs suspects for one unit. `unknowns`: what a reading may depend on and nobody knows, with how far `freedom`
    lets each go; `before`: the odds that the drawn board and something else begin with; `teachers`: what other units
    have read; `least`: by how many deviations of the roughest board a fault must move the readings to be looked at."""

    predictor: Predicts
    evidence: Evidence
    suspects: Sequence[Suspect]
    unknowns: Sequence[Unknown]
    freedom: Freedom
    before: Chances
    teachers: Teachers | None = None
    least: float = 0.0

    def weigh(self, pairs: bool = True) -> Weighing:
        """Rank none, one and, where needed and `pairs`, two faults; nothing is surer than the model."""
        found = self.singles(pairs)
        return no_surer_than_the_model(self.with_pairs(found) if pairs else found)

    def singles(self, more_follow: bool = False) -> Weighing:
        """None and one fault as the sums have them, with how well the model fits. more_follow: two faults are looked
        for next, where one does not do."""
        self._begin()
        self._tried = [*self.suspects, *bridges_between(self._odd_nets(), self.suspects)]
        return self._fitted(self._final(self._likeliest_singles(self._tried), more_follow))

    def with_pairs(self, found: Weighing) -> Weighing:
        """What `singles` found and, where one fault does not do, two."""
        if not self.unsettled(found):
            return found
        screened = screen(self.likelihood, self._tried, self.stages[-1:], self.rough)
        e, only = self.evidence, self.only
        pairing = Pairing(only, e.y[only], self.likelihood.base[only], self.white_few, self.silent, self.rough)
        both = self._large(self.fitter.solved(pairing.best(found.candidates, screened)))[:FINALISTS]
        refined = self.fitter.refine(both)
        final = self._final([*refined, *self._apart(refined, found.candidates)])
        singles = likeliest([*found.candidates, *(c for c in final if len(c.suspects) == 1)])
        pairs = needed(singles, [c for c in final if len(c.suspects) > 1])
        return self._fitted([*self._one_off(singles, pairs), *pairs])

    def _one_off(self, singles: Sequence[Candidate], pairs: Sequence[Candidate]) -> list[Candidate]:
        """Faults with a second one beside them, as likely as they are if the model may have one reading wrong: a second
        fault that a single reading speaks for is seldom as sure as that reading is. So are those that no reading tells
        from them. Against all else they gain nothing: none becomes likelier than the pair by more than CLEARER."""
        most = {
            c.texts_open: max(scores) + CLEARER
            for c in singles
            if (scores := [p.score for p in pairs if set(c.texts_open) < set(p.texts_open)]) and not c.freed
        }
        heads = [c for c in singles if c.texts_open in most]
        out = []
        for c in singles:
            alike = [head for head in heads if rank.distance(head.hypothesis(), c.hypothesis()) < rank.APART]
            room = max((most[head.texts_open] for head in alike), default=c.score) - c.score
            gained = min(self.likelihood.with_one_off(c), room) if room > 0 and not c.freed else 0.0
            out.append(replace(c, log_likelihood=c.log_likelihood + gained, firm=c.firm + gained))
        return out

    def _apart(self, pairs: Sequence[Candidate], singles: Sequence[Candidate]) -> list[Candidate]:
        """Each fault of the likeliest pairs by itself, and the likeliest single ones: to be put where the readings want
        them on the same terms."""
        likely = sorted(pairs, key=lambda c: -c.score)[:TAKEN_APART] + list(singles[:TAKEN_APART])
        one = {s.text: (s, v) for c in likely for s, v in zip(c.suspects, c.values, strict=True)}
        return self.fitter.solved(
            [replace(self.rough, suspects=(s,), values=(v,), log_prior=log_prior([s])) for s, v in one.values()]
        )

    def _fitted(self, weighed: list[Candidate]) -> Weighing:
        result = self._result(weighed)
        best = result.candidates[0] if result.candidates and result.probabilities[0] > result.p_none else result.none
        return replace(result, fit=model_fit(self.likelihood, best))

    def _large(self, candidates: list[Candidate]) -> list[Candidate]:
        """Those that move the readings by `least` and more, where the board is as rough as it may be, and account for
        half of that there."""
        if not self.least:
            return candidates
        y, n = self.evidence.y, len(self.evidence.y)
        measure, drawn = Whitener(self.spread.covariances[ROUGHEST]), self.likelihood.base[:n]
        means = np.array([c.mean[:n] for c in candidates]).reshape(-1, n)
        moved, left = measure(means - drawn), measure(y - means)
        off = measure((y - drawn)[None])[0]
        return [
            c for c, by, rest in zip(candidates, moved, left, strict=True)
            if float(by @ by) > self.least**2 and float(off @ off - rest @ rest) > 0.5 * self.least**2
        ]  # fmt: skip

    def _likeliest_singles(self, suspects: Sequence[Suspect]) -> list[Candidate]:
        """The likeliest single faults, refined: by the table's spreads, and by closer ones, since a small fault shows
        on a board that is much as drawn and on no other."""
        found: dict[tuple[str, ...], Candidate] = {}
        for scale in SCREENED_AT:
            covariance = self.spread.covariances[scale]
            rough = replace(self.rough, covariance=covariance)
            rough = self.likelihood.scored(rough)
            fitter = replace(self.fitter, white=Whitener(covariance))
            screened = screen(self.likelihood, suspects, self.stages, rough)
            for c in fitter.refine(self._best_singles(screened, rough, fitter)):
                found.setdefault(c.texts_open, replace(c, covariance=self.rough.covariance))
        return list(found.values())

    def _begin(self) -> None:
        """The drawn board: what it predicts, how sure that is, and what something else would have to account for."""
        self.silent: set[str] = set()
        self.likelihood = Likelihood(self.predictor, self.evidence, self.unknowns, self.freedom, self.teachers)
        base = self.likelihood.base
        if not np.all(np.isfinite(base)):
            raise ValueError("the circuit has no operating point in one of the bench states, even without a fault")
        self.spread = self.likelihood.spreads([Change()])[0]
        covariance = self.spread.covariance
        self.none = self.likelihood.over_scales(Candidate((), (), base, covariance, self.before.drawn), self.spread)
        self.rough = self.likelihood.scored(replace(self.none, mean=base, covariance=covariance))
        self.stages = telling(self.likelihood, self.rough)
        self.only = self.stages[-1]
        self.white = Whitener(covariance)
        self.white_few = self.white.part(self.only)
        self.fitter = Fitter(self.likelihood, self.white, self.only)
        fit, self.freed = self.likelihood.something_else(self.none, self.spread, self.before.further)
        self.other = fit + self.before.something_else

    def _odd_nets(self) -> list[str]:
        """Nets that something else would have to move, or that are off all the same, the oddest few: whatever joins two
        of them may be one cause. (What a residue of flux between the two would do by its slope, no residue may do.)"""
        odd = np.abs(self.none.hypothesis().residuals(self.evidence.y))
        worst: dict[str, float] = {}
        for (name, what), off in zip(self.evidence.groups, odd.tolist(), strict=True):
            if what == "net" and ((name, what) in self.freed or off > MISSES):
                worst[name] = max(worst.get(name, 0.0), off)
        return sorted(worst, key=lambda net: -worst[net])[:JOINED]

    def unsettled(self, result: Weighing) -> bool:
        """Whether one fault does not do: "something else" is in play, or the likeliest leaves readings unexplained."""
        best = result.candidates[0] if result.candidates else None
        if result.p_other > 1 - CLOSE_ENOUGH:
            return True
        if best is None or result.probabilities[0] < result.p_none:
            return False
        # a second fault may be what makes the model seem rough, or a part no such part
        roughest = self.likelihood.scales[best.scale].parts == SCALES[ROUGHEST].parts
        strained = result.fit is not None and result.fit.strained
        return bool(best.freed) or roughest or strained or leaves_some(best, self.evidence.y)

    def _best_singles(self, screened: Sequence[Screened], rough: Candidate, fitter: Fitter) -> list[Candidate]:
        best = max((s.rough for s in screened), default=0.0)
        place = places(screened)
        kept = [
            s for s in screened
            if math.isfinite(s.fit) and place[s.suspect.key] < SCREENED
            and (place[s.suspect.key] < TRIED or s.rough > best - BEHIND)
        ]  # fmt: skip
        found = [
            replace(rough, suspects=(s.suspect,), values=(s.value,), log_prior=log_prior([s.suspect])) for s in kept
        ]
        solved = self._large(fitter.solved(found))
        real = self._in_sight([c for c in solved if not self._idle(c)][:FINALISTS], rough)
        return [*real, *[c for c in solved if self._idle(c)][:FINALISTS]]

    def _idle(self, c: Candidate) -> bool:
        """Whether no reading so far shows it: a capacitor's value at rest, a pull on a line without power. It fits as
        the drawn board does, no better."""
        sigma = np.full(len(c.mean), ANSWER_VOLTS)
        sigma[: len(self.evidence.y)] = self.evidence.sigma
        return bool((np.abs(c.mean - self.likelihood.base) <= UNSEEN * sigma).all())

    def _final(self, candidates: list[Candidate], more_follow: bool = False) -> list[Candidate]:
        """The likeliest, weighed and fitted once more with covariances of their own, each scene solved exactly.

        Of candidates that predict the same one is solved for all.
        """
        alike: dict[tuple[object, ...], list[Candidate]] = {}
        idle = [c for c in candidates if self._idle(c)]
        self.silent |= {c.suspects[0].key for c in idle if len(c.suspects) == 1}
        for c in [c for c in candidates if not self._idle(c)]:
            alike.setdefault(c.solved_as, []).append(c)
        best = [group[0] for group in alike.values()]
        if not best:
            self._expanded([], [])
            return self._as_drawn(idle) or candidates
        spreads = self.likelihood.spreads([c.change for c in best])
        whites = [Whitener(s.covariance) for s in spreads]
        fitted = self.fitter.settled(best, whites)
        before = stayed(best, fitted)
        # what the unknowns do is taken where a value has arrived, and not where it began
        moved = [k for k, _ in before]
        far = dict(zip(moved, self.likelihood.spreads([fitted[k].change for k in moved]), strict=True))
        both = [*enumerate(fitted), *before]
        exact = self.likelihood.predict(
            [c.change for _, c in both], exact=True, near=[c.change for c in [*best, *(c for _, c in before)]]
        )
        own = [*(far.get(k, spread) for k, spread in enumerate(spreads)), *(spreads[k] for k, _ in before)]
        whole = [
            self.likelihood.over_scales(replace(c, mean=m), spread)
            for (_, c), m, spread in zip(both, exact, own, strict=True)
        ]
        for (k, _), c in zip(before, whole[len(fitted) :], strict=True):
            if c.score > whole[k].score:
                whole[k] = c
            else:
                spreads[k] = far[k]
        whole = whole[: len(fitted)]
        whole = self._expanded(whole, spreads, more_follow)
        idle = self._as_drawn(idle)
        out = [
            self.likelihood.forgiven(self.likelihood.lent(new, c), self.before.further, self.freed)
            for old, new in zip(best, whole, strict=True)
            for c in alike[old.solved_as]
        ]
        out = likeliest([*out, *twins(self.likelihood, out, self.suspects)])
        out += idle
        done = {c.texts_open for c in out}
        return [c for c in [*out, *(c for c in candidates if c.texts_open not in done)] if math.isfinite(c.score)]

    def _expanded(
        self, candidates: list[Candidate], spreads: Sequence[Spread], more_follow: bool = False
    ) -> list[Candidate]:
        """Candidates, and the drawn board on the same terms, with their tolerances where the readings put them."""
        none, *whole = expanded(
            self.likelihood, [self.none, *candidates], [self.spread, *spreads], more_follow=more_follow
        )
        if none.log_likelihood > self.none.log_likelihood:
            fit, freed = self.likelihood.something_else_at(none, self.before.further)
            if fit + self.before.something_else > self.other:
                self.other, self.freed = fit + self.before.something_else, freed
        self.none = replace(self.none, log_likelihood=none.log_likelihood, firm=none.firm)
        return whole

    def _as_drawn(self, idle: Sequence[Candidate]) -> list[Candidate]:
        """Candidates that predict what the drawn board does, as likely as it is."""
        return [
            replace(self.likelihood.lent(self.none, c), values=c.values, occam=c.occam, spreads=c.spreads) for c in idle
        ]

    def _in_sight(self, candidates: list[Candidate], rough: Candidate) -> list[Candidate]:
        """Those whose fit, rough as it is, comes within half of what the best gains over no fault at all."""
        if not candidates:
            return []
        best = max(c.log_likelihood for c in candidates)
        gain = max(best - rough.log_likelihood, 0.0)
        return [c for c in candidates if c.log_likelihood > best - max(0.5 * gain, 100.0)]

    def _result(self, candidates: list[Candidate]) -> Weighing:
        ordered = sorted(candidates, key=lambda c: -c.score)
        alike, freed = self._looks_like(ordered)
        other = float(np.logaddexp(self.other, alike))
        p = rank.posterior([self.none.score, other, *(c.score for c in ordered)], np.zeros(len(ordered) + 2))
        freed = freed if alike > self.other else self.freed
        return Weighing(
            ordered, p[2:], self.none, float(p[0]), float(p[1]), freed, self.likelihood.solved, log_other=other
        )

    def _looks_like(self, candidates: Sequence[Candidate]) -> tuple[float, frozenset[object]]:
        """Log weight of "something else" that looks like one of the faults in part, and what it moves besides.

        One cause does what the fault does and moves what the fault leaves; it looks like any of the suspects alike.
        """
        one = math.log(self.before.further) - math.log1p(-self.before.further)
        left = [(c.log_likelihood - math.log(IMPERFECT) - one + c.occam, c.freed) for c in candidates if c.freed]
        if not left:
            return -math.inf, frozenset()
        fit, freed = max(left, key=lambda each: each[0])
        return fit + self.before.something_else - math.log(len(self.suspects)), freed


def no_surer_than_the_model(result: Weighing) -> Weighing:
    """A weighing in which nothing is stated as more certain than how well the model fits allows: what is taken off goes
    to "not in this model"."""
    if result.fit is None:
        return result
    most = result.fit.most
    p = np.array([result.p_none, *result.probabilities])
    if result.p_other > most and p.sum() > 0:  # nor is "not in this model" any surer
        p, other = p * (1 - most) / p.sum(), most
    else:
        p, other = p * most, result.p_other * most + (1 - most)
    return replace(result, probabilities=p[1:], p_none=float(p[0]), p_other=float(other))


def not_surely_as_drawn(result: Weighing) -> Weighing:
    """A weighing in which a unit that somebody asks about is no more certainly as drawn than what its readings may not
    show allows: what is taken off goes to "not in this model"."""
    over = result.p_as_drawn - MOST_AS_DRAWN
    if over <= 0:
        return result
    p = np.array([result.p_none, *result.probabilities])
    p[[0, *(k + 1 for k in result.unshown)]] *= MOST_AS_DRAWN / result.p_as_drawn
    return replace(result, probabilities=p[1:], p_none=float(p[0]), p_other=result.p_other + over)
