"""Lines with their margins: how far each stays inside its limits in the worst state solved, before and after.

Both ends of every supply's range are solved; tolerances of parts are at their nominal. What the pins may hide is the
review's business (weak-pull), not a margin.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from wakeboard.harness.describe.levels import LevelError, line_thresholds
from wakeboard.harness.review.rules.undefined_level import judged

if TYPE_CHECKING:
    from wakeboard.harness.describe.board import Line
    from wakeboard.harness.review.study import Study

TELL: Final = 0.02  # V, and 2 %: what a meter would not call a difference between two units


@dataclass(frozen=True)
class Margin:
    """A line in one of its states: V inside its limit (below zero: outside), in A and in B; None where it is not."""

    line: str
    level: str
    before: float | None
    after: float | None

    @property
    def moved(self) -> bool:
        if self.before is None or self.after is None:
            return self.before is not self.after
        return abs(self.before - self.after) > TELL

    def as_json(self) -> dict[str, Any]:
        return {"line": self.line, "state": self.level, "before": self.before, "after": self.after}


def margins(before: Study, after: Study) -> list[Margin]:
    """Every line's every state that can be judged in either."""
    here, there = _margins(before), _margins(after)
    return [Margin(*key, here.get(key), there.get(key)) for key in dict.fromkeys([*here, *there])]


def _margins(study: Study) -> dict[tuple[str, str], float]:
    found: dict[tuple[str, str], float] = {}
    for name, line in study.board.lines.items():
        volts = study.volts(line.net)
        for k, case in study.each():
            state = case.line_state if case.line == name else "boot"
            level = line.when.get(state)
            if level is None or (case.line and case.line != name) or not judged(study, line, case):
                continue
            inside = _inside(study, line, level, volts[k])
            if inside is not None:
                key = (name, f"{state}: {level}")
                found[key] = min(inside, found.get(key, inside))
    return found


def _inside(study: Study, line: Line, level: str, volts: float) -> float | None:
    try:
        limits = line_thresholds(study.board, line).limits(level)
    except LevelError:
        return None
    ends = [limits.high - volts] if limits.high is not None else []
    ends += [volts - limits.low] if limits.low is not None else []
    return min(ends, default=None)


@dataclass(frozen=True)
class Comparable:
    """Which nets of A's units can still be compared with B's: those that sit alike in every state that both have."""

    alike: list[str]
    moved: list[tuple[str, str, float, float]]
    """(net, state, V in A, V in B), the state in which they differ most."""


def comparable(before: Study, after: Study) -> Comparable:
    """By the net names that a sequence or a person measures: supplies, rails, lines, points."""
    board = after.board
    tables = (before.board.supplies, before.board.rails, before.board.lines, before.board.points)
    nets = dict.fromkeys(row.net for table in tables for row in table.values())
    states = {_key(case): k for k, case in after.each()}
    pairs = [(k, states[_key(case)]) for k, case in before.each() if _key(case) in states]
    alike, moved = [], []
    for net in nets:
        if net not in board.nets:
            continue
        a, b = before.volts(net), after.volts(net)
        k, other = max(pairs, key=lambda pair: abs(a[pair[0]] - b[pair[1]]), default=(0, 0))
        if abs(a[k] - b[other]) > TELL + TELL * abs(a[k]):
            moved.append((net, before.cases[k].state, a[k], b[other]))
        else:
            alike.append(net)
    return Comparable(alike, moved)


def _key(case: Any) -> tuple[str, str]:
    return case.state, case.corner
