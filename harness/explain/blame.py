"""Board or bench: what the reference unit, known to be good, shows as well is not the fault of the board.

    shown = Shown.of("SK-A-000", weighing, grouped, odd)    what the reference unit's readings come to
    blamed(group, members, shown, circuit)                  the group with the bench as cause, where that is so

A lead that leaks, a route on the wrong channel or a meter out of its accuracy moves the readings of each unit alike,
and every unit then seems to carry the same fault: the one that is known not to have it tells.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from wakeboard.harness.explain.naming import words

if TYPE_CHECKING:
    from wakeboard.harness.explain.rank.weigh import Weighing
    from wakeboard.instruments.virtual.circuit import Circuit
    from wakeboard.results.explanation import Group

BENCH = "the bench"
SURE = 0.5
"""Probability from which the reference unit counts as showing a fault."""
ALIKE = 0.3
"""Difference of the logarithms of two fitted values that may be one cause: about a third."""
SHARE = 0.5
"""Share of the odd readings that the reference unit must have too, where no fault of the list explains them."""
DO = "look at leads, routes, meter and supply before any board"


@dataclass(frozen=True)
class Shown:
    """What the reference unit shows: suspects by text with their fitted value (those that its readings cannot tell
    apart are all listed), its odd readings, and whether something outside the model explains them."""

    unit: str
    faults: dict[str, float | None]
    odd: frozenset[str]
    unknown: bool

    @classmethod
    def of(cls, unit: str, weighing: Weighing, grouped: Sequence[Sequence[int]], odd: Sequence[str]) -> Shown:
        faults: dict[str, float | None] = {}
        if grouped and float(weighing.probabilities[list(grouped[0])].sum()) >= SURE:
            for candidate in (weighing.candidates[k] for k in grouped[0]):
                for suspect, value in zip(candidate.suspects, candidate.values, strict=True):
                    faults.setdefault(suspect.text, value)
        return cls(unit, faults, frozenset(odd), weighing.p_other >= SURE)

    def has(self, text: str, value: float | None) -> bool:
        """Whether the reference unit shows this suspect, with about this value where it has one."""
        if text not in self.faults:
            return False
        own = self.faults[text]
        return own is None or value is None or abs(math.log(own / value)) < ALIKE


def blamed(group: Group, members: Sequence[tuple[str, float | None]], shown: Shown, circuit: Circuit) -> Group:
    """A group with the bench as cause of those of its faults that the reference unit shows too.

    members: (text without value, value) of the group's likeliest explanation, in the order of its faults.
    """
    known = f"{shown.unit}, which is known to be good"
    if not group.faults:
        alike = [label for label in group.accounts_for if label in shown.odd]
        if group.name != words.OTHER or not shown.unknown or len(alike) < max(1.0, SHARE * len(group.accounts_for)):
            return group
        says = f"the bench: {known}, has {len(alike)} of these odd readings too: {DO}"
        return replace(group, name=BENCH, says=says, bench=tuple(alike))
    theirs = [text for text, (open_, value) in zip(group.faults, members, strict=True) if shown.has(open_, value)]
    if not theirs:
        return group
    own = tuple(text for text in group.faults if text not in theirs)
    bench = f"the bench: {known}, reads as if {words.describe_all(circuit, theirs)} as well: {DO}"
    says = f"{words.describe_all(circuit, own)}; and {bench}" if own else bench
    return replace(
        group, name=" and ".join((*own, BENCH)), faults=own, says=says, same=(), either=(), ways=(),
        bench=tuple(theirs), common=tuple(text for text in group.common if text in own),
    )  # fmt: skip
