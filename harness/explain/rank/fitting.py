"""Fits the values of candidates (a pull's ohms, a wrong resistor) by Gauss-Newton in the logarithm, all together."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.harness.explain.evidence.whiten import Whitener
from wakeboard.harness.explain.rank import rank
from wakeboard.harness.explain.rank.candidate import Candidate
from wakeboard.harness.explain.rank.likelihood import Likelihood
from wakeboard.instruments.virtual.circuit.bench.change import Change

STEPS: Final = 3
"""Further steps in a candidate's own measure."""
SETTLED: Final = 0.2
"""A value that a step moves by less (natural logarithm) has arrived."""
STEP: Final = 0.05
"""By which a fitted value is moved for its derivative (natural logarithm)."""


@dataclass(frozen=True)
class Fitter:
    """Fits in the observations `few` first, where that is cheap, then in all."""

    likelihood: Likelihood
    white: Whitener
    few: Sequence[int]

    def refine(self, candidates: list[Candidate]) -> list[Candidate]:
        """Fit the values of all candidates: in the telling scenes, then in all; best first."""
        fixed = [c for c in candidates if not c.fitted]
        current = begun = [c for c in candidates if c.fitted]
        whites = [self.white] * len(current)
        for only in (self.few, self.few, None):
            current = self.step(current, whites, only)
        best: dict[tuple[str, ...], Candidate] = {}
        for c in self.solved([*fixed, *current, *(back for _, back in stayed(begun, current))]):
            best.setdefault(tuple(s.key for s in c.suspects), c)
        return list(best.values())

    def solved(self, candidates: list[Candidate]) -> list[Candidate]:
        """The candidates with all their readings predicted, best first; equal changes are solved once."""
        if not candidates:
            return []
        unique: dict[tuple[object, ...], int] = {}
        changes: list[Change] = []
        for c in candidates:
            if c.solved_as not in unique:
                unique[c.solved_as] = len(changes)
                changes.append(c.change)
        means = self.likelihood.nearly(changes)
        scored = [self.likelihood.scored(replace(c, mean=means[unique[c.solved_as]])) for c in candidates]
        return sorted((c for c in scored if math.isfinite(c.score)), key=lambda c: -c.score)

    def settled(self, candidates: list[Candidate], whites: Sequence[Whitener]) -> list[Candidate]:
        """The candidates after as many steps as their values still move, a few at most: the measure of the drawn board
        may have led a value far away from where the candidate's own has it."""
        current = self.step(candidates, whites)
        moving = [k for k, c in enumerate(current) if _moved(candidates[k], c)]
        for _ in range(STEPS):
            if not moving:
                break
            after = self.step([current[k] for k in moving], [whites[k] for k in moving])
            still = [k for k, c in zip(moving, after, strict=True) if _moved(current[k], c)]
            for k, c in zip(moving, after, strict=True):
                current[k] = c
            moving = still
        return current

    def step(
        self, candidates: list[Candidate], whites: Sequence[Whitener], only: Sequence[int] | None = None
    ) -> list[Candidate]:
        """One step for every candidate with a fitted value, each in its own measure of what a deviation means."""
        plan: list[Change] = []
        near: list[Change] = []
        spans = []
        for c in candidates:
            first = len(plan)
            if c.fitted:
                plan += [c.change, *(c.moved({k: inwards(c, k)}).change for k in c.fitted)]
                near += [c.change] * (len(plan) - first)
            spans.append((first, len(plan)))
        if not plan:
            return candidates
        few = list(range(len(self.likelihood.evidence.y))) if only is None else list(only)
        means = self.likelihood.nearly(plan, only=few, near=near)
        return [
            self._stepped(c, means[a], means[a + 1 : b], white.part(few), few) if b > a else c
            for c, white, (a, b) in zip(candidates, whites, spans, strict=True)
        ]

    def _stepped(self, c: Candidate, mean: Array, moved: Array, white: Whitener, few: list[int]) -> Candidate:
        if not np.all(np.isfinite(mean)) or not len(moved):
            return c
        by = np.array([inwards(c, k) for k in c.fitted])
        j = white((np.where(np.isfinite(moved), moved, mean) - mean) / by[:, None])
        r = white((self.likelihood.evidence.y[few] - mean)[None, :])[0]
        information = j @ j.T
        delta = np.clip(np.linalg.solve(information + np.eye(len(j)) * 0.05, j @ r), -1.5, 1.5)
        known = np.diag(information)
        charge = sum(rank.occam_factor(c.suspects[k].log_range, float(i)) for k, i in zip(c.fitted, known, strict=True))
        spreads = tuple(1 / math.sqrt(max(float(i), 1e-6)) for i in known)
        out = c.moved(dict(zip(c.fitted, delta.tolist(), strict=True)))
        return replace(out, occam=charge, spreads=spreads)


def inwards(c: Candidate, k: int) -> float:
    """The step of a value's logarithm by which its slope is taken: at the upper end of its range a step back, since one
    further is none."""
    value, high = c.values[k], c.suspects[k].high
    assert value is not None
    assert high is not None
    return STEP if value * math.exp(STEP) <= high else -STEP


def stayed(before: Sequence[Candidate], after: Sequence[Candidate]) -> list[tuple[int, Candidate]]:
    """(number, candidate) of those that steps took further than what counts as settled, where they were: a step goes by
    slopes, and may lead past a knee to where the readings are missed. Charged as where they were led."""
    return [
        (k, replace(a, occam=b.occam, spreads=b.spreads))
        for k, (a, b) in enumerate(zip(before, after, strict=True)) if _moved(a, b)
    ]  # fmt: skip


def _moved(before: Candidate, after: Candidate) -> bool:
    """Whether a step took a fitted value further than what counts as settled."""
    pairs = zip(before.values, after.values, strict=True)
    return any(abs(math.log(b / a)) > SETTLED for a, b in pairs if a and b)
