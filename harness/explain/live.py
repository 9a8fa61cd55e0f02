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

from wakeboard.harness.explain import words
from wakeboard.harness.explain.candidate import Candidate, Weighing
from wakeboard.harness.explain.cases import WIDTHS, Case
from wakeboard.harness.explain.observe import Observation
from wakeboard.harness.explain.rank import MOVED_ALIKE
from wakeboard.harness.explain.uncertainty import Array
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
    """The hypotheses in play: changes, probabilities (adding to 1), suspects and, but for none, candidates.

    other: the number of "something else" among them, with what it looks like; None where it is not in play.
    """

    changes: list[Change]
    probabilities: Array
    suspects: list[tuple[str, ...]]
    candidates: list[Candidate | None]
    other: int | None = None
    free: Free = field(default_factory=Free)


def live(case: Case, weighing: Weighing, groups: Sequence[Sequence[int]]) -> Live:
    """None, the likeliest member of each suspect that predicts otherwise, and something else."""
    changes: list[Change] = []
    p: list[float] = []
    texts: list[tuple[str, ...]] = []
    found: list[Candidate | None] = []
    if weighing.p_none > LIVE:
        changes, p, texts, found = [Change()], [weighing.p_none], [()], [None]
    members = sorted((k for g in groups for k in g), key=lambda k: -weighing.probabilities[k])
    seen: dict[tuple[object, ...], int] = {}
    for k in members:
        c = weighing.candidates[k]
        if weighing.probabilities[k] < LIVE:
            break
        if c.solved_as in seen:
            p[seen[c.solved_as]] += float(weighing.probabilities[k])
        elif len(p) < MOST:
            seen[c.solved_as] = len(p)
            changes.append(c.change)
            p.append(float(weighing.probabilities[k]))
            texts.append(c.texts)
            found.append(c)
    other, free = None, Free()
    if weighing.p_other > LIVE and p:
        other = len(p)
        alike = next((c for c in weighing.candidates if c.freed and c.freed == weighing.freed), weighing.none)
        changes.append(alike.change)
        p.append(weighing.p_other)
        texts.append((words.OTHER,))
        found.append(alike)
        free = _free(case, weighing.freed, alike.mean)
    total = np.array(p)
    return Live(changes, total / total.sum() if len(p) else total, texts, found, other, free)


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
