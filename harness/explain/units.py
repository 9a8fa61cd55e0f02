"""Several units together: common to all -> the design; one -> assembly; the reference unit too -> the bench.

Each unit is weighed alone first. What then explains most units alike is a flaw of the design, or a hidden property of a
part, and is given to every unit as known: what is left over in one unit is that unit's own.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from wakeboard.harness.explain.suspects import Suspect
from wakeboard.harness.explain.weigh import Weighing

COMMON_SHARE = 0.6
"""Share of the units that show it from which a fault counts as common."""
FROM = 0.5
"""Probability in one unit from which it counts there."""


@dataclass(frozen=True, slots=True)
class Common:
    """A fault that several units share: its suspect, the fitted value (geometric mean), and the units."""

    suspect: Suspect
    value: float | None
    units: tuple[str, ...]

    @property
    def text(self) -> str:
        return self.suspect.write(self.value, 3)


def member_probabilities(weighing: Weighing) -> dict[str, float]:
    """For each suspect the probability that it is part of the explanation of this unit."""
    out: dict[str, float] = defaultdict(float)
    for candidate, p in zip(weighing.candidates, weighing.probabilities, strict=True):
        for suspect in candidate.suspects:
            out[suspect.text] += float(p)
    return dict(out)


def common(weighings: Mapping[str, Weighing]) -> list[Common]:
    """Faults that at least two units, and most of those weighed, share."""
    if len(weighings) < 2:
        return []
    by_unit = {unit: member_probabilities(w) for unit, w in weighings.items()}
    texts = {text for p in by_unit.values() for text, each in p.items() if each >= FROM}
    found = []
    for text in sorted(texts):
        units = [unit for unit, p in by_unit.items() if p.get(text, 0.0) >= FROM]
        telling = [unit for unit, w in weighings.items() if tells(w, text)]
        if len(units) >= 2 and len(units) >= COMMON_SHARE * max(len(telling), len(units)):
            found.append(_common(text, units, weighings))
    return found


def tells(weighing: Weighing, text: str) -> bool:
    """Whether this unit's readings say anything about the fault: a candidate with it lies clearly off the likeliest.

    A unit whose run ended at a short says nothing of its reset line.
    """
    with_it = [c.log_likelihood for c in weighing.candidates if text in c.texts_open]
    best = max((c.log_likelihood for c in weighing.candidates), default=weighing.none.log_likelihood)
    return not with_it or abs(max(with_it) - best) > 3.0 or member_probabilities(weighing).get(text, 0.0) >= FROM


def _common(text: str, units: Sequence[str], weighings: Mapping[str, Weighing]) -> Common:
    values = []
    suspect = None
    for unit in units:
        for candidate in weighings[unit].candidates:
            if text in candidate.texts_open:
                k = candidate.texts_open.index(text)
                suspect = candidate.suspects[k]
                if (value := candidate.values[k]) is not None:
                    values.append(value)
                break
    assert suspect is not None
    product = 1.0
    for value in values:
        product *= value
    return Common(suspect, product ** (1 / len(values)) if values else None, tuple(units))
