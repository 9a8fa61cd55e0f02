"""An explanation with what it predicts, and the result of weighing many."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Final

from wakeboard.harness.explain.evidence.roughness import MOST_AS_DRAWN
from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.harness.explain.rank import rank
from wakeboard.harness.explain.rank.suspects import Suspect
from wakeboard.instruments.virtual.circuit.bench.change import DRAWN, Change

if TYPE_CHECKING:
    from wakeboard.harness.explain.evidence.roughness import ModelFit


SPEAKS: Final = 1.0
"""By how much more likely (natural logarithm) than on the drawn board the readings must be with a fault that predicts
nearly the same, for them to speak for it: a factor of e (common practice: less is "not worth a mention")."""


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
    ends: tuple[tuple[float, float], ...] = ()  # between which ends each fitted value lies (95 %), where looked for …
    breadths: tuple[float, ...] = ()  # … and over how much of its logarithm it would be as likely as at its best; 0: no
    freed: frozenset[object] = frozenset()  # groups of readings that it leaves unexplained
    scale: int = 0  # the scale of what nobody states at which it is likeliest (freedom.SCALES)
    wide: tuple[int, ...] = ()  # types of unknowns that are wider than the table has them (wild.py)
    beside: Change = DRAWN  # what parts lack of what is drawn (structure.py)
    rows: Array | None = None  # (T, n) what one deviation of each unknown does, where not at the drawn values
    firm: float = -math.inf  # log likelihood that its board gave where it was solved, if it was
    beyond: Array | None = None  # (n,) there: by how much its slopes promise more than its board gives, by reading

    @property
    def texts(self) -> tuple[str, ...]:
        """The faults in their own language, values to three digits."""
        return tuple(s.write(v, 3) for s, v in zip(self.suspects, self.values, strict=True))

    @property
    def change(self) -> Change:
        out = self.beside
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
            (s.key, None if v is None else float(f"{v:.6g}")) for s, v in zip(self.suspects, self.values, strict=True)
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
    fit: ModelFit | None = None  # how well the model fits, and what was learnt of it
    log_other: float = -math.inf  # log weight of something else, as `score` of the others

    @cached_property
    def unshown(self) -> tuple[int, ...]:
        """Places of the faults for which no reading speaks: they predict what the drawn board does, within what these
        readings tell apart, and fit them no better. They stand with the drawn board: many of them, each as unlikely as
        before anything was read, are no reason to doubt it."""
        none = self.none.hypothesis()
        return tuple(
            k for k, c in enumerate(self.candidates)
            if c.log_likelihood + c.occam < self.none.log_likelihood + SPEAKS
            and rank.distance(none, c.hypothesis()) < rank.APART
        )  # fmt: skip

    @property
    def best_score(self) -> float:
        """Of the likeliest fault, or of none."""
        return max([self.none.score, *(c.score for c in self.candidates[:1])])

    @property
    def p_unshown(self) -> float:
        """Probability of all of them."""
        return float(self.probabilities[list(self.unshown)].sum())

    @property
    def p_as_drawn(self) -> float:
        """Probability that all is as drawn as far as these readings can tell."""
        return self.p_none + self.p_unshown

    @property
    def as_drawn_as_may_be(self) -> bool:
        """Whether that is the most that is stated of it: what was taken off lies on something else."""
        return self.p_as_drawn > MOST_AS_DRAWN - 1e-6


def likeliest(candidates: Iterable[Candidate]) -> list[Candidate]:
    """Of each explanation, whatever its values, the likeliest candidate; best first."""
    best: dict[tuple[str, ...], Candidate] = {}
    for c in candidates:
        if c.texts_open not in best or c.score > best[c.texts_open].score:
            best[c.texts_open] = c
    return sorted(best.values(), key=lambda c: -c.score)


def log_prior(suspects: Iterable[Suspect]) -> float:
    """Log odds of these faults against their absence."""
    return sum(math.log(s.prior) - math.log1p(-s.prior) for s in suspects)
