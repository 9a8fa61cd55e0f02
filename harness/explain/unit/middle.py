"""The middle of what several units of one board read, weighed as one unit's readings would be: what all of them show.

    middle = Middle.of(group)
    middle.weigh()              what one fault explains it, on a board without rework
    middle.weigh(found)         … and what one more beside those that were found in it

In it is what at least half of the units read. It is as uncertain as they scatter around it, so that what one of them
shows alone, or two of four, is no oddity of all.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np

from wakeboard.harness.describe.board import spreads
from wakeboard.harness.explain.evidence.freedom import ROUGHEST
from wakeboard.harness.explain.evidence.observe import Observation, told
from wakeboard.harness.explain.evidence.predict import Predictor
from wakeboard.harness.explain.evidence.readings import Evidence
from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.harness.explain.rank import structure
from wakeboard.harness.explain.rank.candidate import Candidate, Weighing
from wakeboard.harness.explain.rank.suspects import chances, in_most_units
from wakeboard.harness.explain.rank.weigh import Weigher
from wakeboard.harness.explain.unit.cases import WIDTHS, BoardModel, Case, effect_of, unknowns, weigher
from wakeboard.instruments.virtual.circuit.bench.change import Change

LEAST: Final = 2
"""Units that must have read it, …"""
SHARE: Final = 0.5
"""… and as a share of all."""
LARGE: Final = 5.0
"""Standard deviations by which a common fault moves the readings, all together, where the model is as rough as it may
be: what all units show in small is the model's error."""
_MEDIAN: Final = math.sqrt(math.pi / 2) * 1.4826
"""Standard error of a median of normal values times the root of their number, by their median absolute deviation."""


@dataclass(frozen=True)
class Round:
    """weighing: what one fault explains; roughest: covariance (n, n) of the board's readings at the roughest scale of
    what nobody states; lacks: what the parts lack; unsettled: whether one fault does not do."""

    weighing: Weighing
    roughest: Array
    lacks: structure.Lacks
    unsettled: bool


@dataclass(frozen=True)
class Middle:
    """observations: what at least half of the units read, each as one of them has it; off (U, n): how far each unit is
    off its own drawn board there, NaN where it has no such reading."""

    model: BoardModel
    units: tuple[str, ...]
    observations: tuple[Observation, ...]
    off: Array

    @classmethod
    def of(cls, group: Sequence[Case]) -> Middle:
        ordered = sorted(group, key=lambda case: case.unit)
        seen: dict[tuple[object, ...], Observation] = {}
        for case in ordered:
            for o in case.observations:
                seen.setdefault(told(o), o)
        off = np.array([[case.off.get(key, np.nan) for key in seen] for case in ordered])
        kept = np.isfinite(off).sum(axis=0) >= max(LEAST, SHARE * len(group))
        observed = tuple(o for o, keep in zip(seen.values(), kept.tolist(), strict=True) if keep)
        return cls(ordered[0].model, tuple(case.unit for case in ordered), observed, off[:, kept])

    @property
    def key(self) -> Hashable:
        """What tells it from the middle of other units, or of other readings."""
        return self.units, tuple(told(o) for o in self.observations), self.off.tobytes()

    @cached_property
    def fixed(self) -> Change:
        return Change(values=spreads.centres(self.model.circuit, set()))

    @cached_property
    def evidence(self) -> Evidence:
        """Medians, off the drawn board; uncertain by the reading, and as a median is of values that scatter so."""
        drawn = self._predictor(Change()).predict([Change()], exact=True)[0]
        median = np.nanmedian(self.off, axis=0)
        scatter = np.nanmedian(np.abs(self.off - median), axis=0) / np.sqrt(np.isfinite(self.off).sum(axis=0))
        return Evidence(
            drawn + median,
            np.hypot([o.sigma for o in self.observations], _MEDIAN * scatter),
            [o.group for o in self.observations],
            np.array([WIDTHS[o.quantity] for o in self.observations]),
        )

    def weigh(self, found: Sequence[Candidate] = (), begin: structure.Lacks = ()) -> Round:
        """What one fault explains, beside those `found` before on a board that lacks something (`begin`).

        Raises ValueError where the circuit has no answer.
        """
        known = Change()
        for each in found:
            known = known.plus(each.change)
        keys = {suspect.key for each in found for suspect in each.suspects}
        others = [s for s in in_most_units(self.model.suspects) if s.key not in keys]
        free, before = unknowns(self.model, self.fixed), chances(self.model.suspects, doubted=False)

        def make(lacks: structure.Lacks) -> Weigher:
            predictor = self._predictor(known.plus(structure.without(lacks)))
            return weigher(predictor, self.evidence, self.observations, others, free, before, least=LARGE)

        weighing, first, lacks = structure.weighed(make, self.model.lacking, False, begin)
        return Round(weighing, first.spread.covariances[ROUGHEST], lacks, first.unsettled(weighing))

    def effect(self, candidate: Candidate) -> Array:
        """(n,) what a candidate alone does to the readings of the drawn board."""
        return effect_of(self._predictor(Change()), replace(candidate, beside=Change()).change)

    def _predictor(self, beside: Change) -> Predictor:
        return Predictor(
            self.model.circuit, self.model.supplies, self.observations, self.fixed.plus(beside), stand=self.model.stand
        )
