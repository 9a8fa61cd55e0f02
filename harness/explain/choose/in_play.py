"""The hypotheses that are still in play, for choosing what to measure next, and what "something else" would read.

"Something else" does what the likeliest explanation does that it looks like (the drawn board, or a fault that leaves
some nets unexplained); what it moves besides may sit anywhere. A net that it has moved already says by how much it
moves it, as in the ranking: one standard deviation in all, `rank.MOVED_ALIKE` of it the same in every state.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field

import numpy as np

from wakeboard.harness.explain.evidence.observe import Observation
from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.harness.explain.naming import words
from wakeboard.harness.explain.naming.members import members
from wakeboard.harness.explain.rank.candidate import Candidate, Weighing
from wakeboard.harness.explain.rank.rank import MOVED_ALIKE
from wakeboard.harness.explain.unit.cases import WIDTHS, Case
from wakeboard.instruments.virtual.circuit.bench.change import Change

LIVE = 1e-3
"""Probability from which a candidate counts as live."""
MOST = 24
"""Live candidates that are told apart at most."""


@dataclass(frozen=True)
class Free:
    """What something else does to the readings that it moves: their shift and its deviation, in widths (cases.WIDTHS)
    and by group of readings."""

    shift: dict[Hashable, float] = field(default_factory=dict)
    deviation: dict[Hashable, float] = field(default_factory=dict)

    def of(self, o: Observation) -> tuple[float, float]:
        """(shift, standard deviation) of an observation, V or decades; nothing where it is not moved."""
        width = WIDTHS[o.quantity]
        return width * self.shift.get(o.group, 0.0), width * self.deviation.get(o.group, 0.0)


@dataclass(frozen=True)
class Live:
    """The hypotheses in play: changes, probabilities (adding to 1), suspects, and candidates where these are known.

    other: the number of "something else" among them, with what it looks like; None where it is not in play.
    """

    changes: list[Change]
    probabilities: Array
    suspects: list[tuple[str, ...]]
    candidates: list[Candidate | None]
    other: int | None = None
    free: Free = field(default_factory=Free)


def never_certain(weighing: Weighing) -> float:
    """Probability that lies on something else only because nothing is stated as more certain than the model allows: no
    reading takes it away, so none is asked for its sake."""
    if weighing.fit is None or weighing.p_other >= weighing.fit.most:
        return 0.0
    return min(1 - weighing.fit.most, weighing.p_other)


def live(case: Case, weighing: Weighing, groups: Sequence[Sequence[int]], by_name: bool = False) -> Live:
    """None, each place that predicts otherwise, and something else. by_name: each fault by itself, as where parts are
    lifted: what no reading tells apart, a lifted pin does."""
    changes: list[Change] = []
    p: list[float] = []
    texts: list[tuple[str, ...]] = []
    found: list[Candidate | None] = []
    if weighing.p_as_drawn > LIVE:
        changes, p, texts, found = [weighing.none.change], [weighing.p_as_drawn], [()], [weighing.none]
    seen: dict[tuple[object, ...], int] = {}
    for c, probability in _in_order(weighing, [k for g in groups for k in g], by_name):
        if probability < LIVE:
            break
        own = c.texts if by_name else c.solved_as
        if own in seen:
            p[seen[own]] += probability
        elif len(p) < MOST:
            seen[own] = len(p)
            changes.append(c.change)
            p.append(probability)
            texts.append(c.texts)
            found.append(c)
    other, free = None, Free()
    p_other = weighing.p_other - never_certain(weighing)
    if p_other > LIVE and p:
        other = len(p)
        alike = next((c for c in weighing.candidates if c.freed and c.freed == weighing.freed), weighing.none)
        changes.append(alike.change)
        p.append(p_other)
        texts.append((words.OTHER,))
        found.append(alike)
        free = _free(case, weighing.freed, alike.mean)
    total = np.array(p)
    return Live(changes, total / total.sum() if len(p) else total, texts, found, other, free)


def _in_order(weighing: Weighing, places: Sequence[int], by_name: bool) -> list[tuple[Candidate, float]]:
    """Candidates with their probabilities, likeliest first."""
    if by_name:
        return [(m.named, m.probability) for m in members(weighing, places)]
    order = sorted(places, key=lambda k: -weighing.probabilities[k])
    return [(weighing.candidates[k], float(weighing.probabilities[k])) for k in order]


def _free(case: Case, freed: frozenset[object], mean: Array) -> Free:
    """Given the readings of each freed group so far: a normal of unit deviation whose parts are equally correlated."""
    found = Free()
    for group in freed:
        members = [k for k, o in enumerate(case.observations) if o.group == group]
        off = sum((case.observations[k].y - mean[k]) / WIDTHS[case.observations[k].quantity] for k in members)
        weight = MOVED_ALIKE / (MOVED_ALIKE * len(members) + 1 - MOVED_ALIKE)
        found.shift[group] = float(weight * off)
        found.deviation[group] = math.sqrt(1 - weight * MOVED_ALIKE * len(members))
    return found
