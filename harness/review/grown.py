"""A concern that two designs share, under the same rule at the same net: has it grown worse?

for each in grown(before, after):
    each.worse, each.told          True, "1 mA, now 40 mA"

How bad a concern is goes by what its rule compares: how far it is past what is allowed (`beyond`), its figure where
more (or less) of it is always worse, or the distance or share that the rule weighs its states by. What has no figure
in both designs is neither worse nor better.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from wakeboard.harness.review.apart import same
from wakeboard.harness.review.concern import Concern
from wakeboard.instruments.quantity import show

SHARE: Final = 0.05
"""Of how bad it is: what is less is rounding, or what any two units differ by."""
LEAST: Final[Mapping[str, float]] = {"V": 0.02, "A": 10e-6, "W": 0.01}
"""Base units: a change of less is told by nobody's meter on a board."""
MORE_IS_WORSE: Final = {
    ("backfeed", "A"), ("backfeed", "V"), ("phantom-power", "A"), ("phantom-power", "V"), ("pin-conflict", "A"),
    ("supervisor", "V"), ("charge", "A"),
}  # fmt: skip
LESS_IS_WORSE: Final = {("gate-drive", "V")}
WEIGHED: Final = {
    "undefined-level", "rail-limits", "level-mismatch", "headroom", "rating", "dissipation", "inrush", "reverse-path",
    "pull-up-window",
}  # fmt: skip
"""Rules whose weight is a distance in V, or a share of what is allowed."""


@dataclass(frozen=True)
class Grown:
    """One concern in both designs, of which the figure moved beyond rounding."""

    before: Concern
    after: Concern
    worse: bool

    @property
    def told(self) -> str:
        """Both figures."""
        was, now = (show(each.value or 0.0, each.unit) for each in (self.before, self.after))
        return f"{was}, now {now}"

    def as_json(self) -> dict[str, object]:
        return {
            "rule": self.after.rule, "nets": list(self.after.nets), "serious": self.after.serious, "worse": self.worse,
            "before": self.before.value, "after": self.after.value, "unit": self.after.unit, "says": self.after.says,
        }  # fmt: skip


def grown(before: Sequence[Concern], after: Sequence[Concern], renamed: Mapping[str, str] | None = None) -> list[Grown]:
    """What stands in both and moved, the worse first. What became serious, or is only slight now, is not in it: that is
    new, or gone (apart.py)."""
    first, last = _by_place(before, renamed or {}), _by_place(after, {})
    found = [
        each
        for place, here in first.items()
        if place in last and _serious(here) == _serious(last[place])
        for each in _moved(here, last[place])
    ]
    return sorted(found, key=lambda each: not each.worse)


def _by_place(concerns: Iterable[Concern], renamed: Mapping[str, str]) -> dict[tuple[str, str], list[Concern]]:
    found: dict[tuple[str, str], list[Concern]] = {}
    for head in concerns:
        for each in (head, *head.also):
            found.setdefault(same(each, renamed), []).append(each)
    return found


def _serious(concerns: Iterable[Concern]) -> bool:
    return any(each.serious for each in concerns)


def _moved(here: Sequence[Concern], there: Sequence[Concern]) -> Iterator[Grown]:
    """Those of the same parts side by side; where no path is the same, the worst against the worst. One a unit."""
    for unit in dict.fromkeys(each.unit for each in here):
        pairs = _pairs([e for e in here if e.unit == unit], [e for e in there if e.unit == unit])
        judged = [each for pair in pairs if (each := _judged(*pair)) is not None]
        if judged:
            yield max(judged, key=lambda each: each.worse)


def _pairs(here: Sequence[Concern], there: Sequence[Concern]) -> list[tuple[Concern, Concern]]:
    paths = {each.path: each for each in there}
    alike = [(each, paths[each.path]) for each in here if each.path in paths]
    if alike or not here or not there:
        return alike
    return [(max(here, key=_order), max(there, key=_order))]


def _order(concern: Concern) -> float:
    return badness(concern) or 0.0


def _judged(before: Concern, after: Concern) -> Grown | None:
    was, now = badness(before), badness(after)
    if was is None or now is None or before.value is None or after.value is None:
        return None
    if abs(now - was) <= SHARE * abs(was) or abs(after.value - before.value) <= LEAST.get(after.unit, 0.0):
        return None
    return Grown(before, after, now > was)


def badness(concern: Concern) -> float | None:
    """How bad it is, to be compared under the same rule and unit only; None where nothing says it."""
    if concern.beyond is not None:
        return concern.beyond
    if concern.value is None:
        return None
    kind = (concern.rule, concern.unit)
    if kind in MORE_IS_WORSE:
        return concern.value
    if kind in LESS_IS_WORSE:
        return -concern.value
    return concern.weight if concern.rule in WEIGHED and concern.weight else None
