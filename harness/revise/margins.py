"""Lines with their margins: how far each stays inside its limits in the worst state solved, before and after.

Both ends of every supply's range are solved, and with `corners` for each line the ends of its parts' tolerances that
move it the most (circuit/bench/spread.py); a part without a stated tolerance is at its nominal. What the pins may hide
is the review's business (weak-pull), not a margin.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from wakeboard.harness.describe.board.levels import LevelError, line_thresholds
from wakeboard.harness.review.rules.undefined_level import judged
from wakeboard.instruments.virtual.circuit.bench.spread import spread
from wakeboard.instruments.virtual.circuit.errors import CircuitError, SolveError
from wakeboard.instruments.virtual.circuit.model import Variant

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Line
    from wakeboard.harness.review.study.cases import Case
    from wakeboard.harness.review.study.study import Study

LOOKED_AT: Final = 3
"""Cases of each line and state, the nearest to a limit as drawn, of which the corners are solved."""
LITTLE: Final = 0.1  # V: a lead's drop, or a neighbour's edge, is as much
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

    @property
    def pushed_out(self) -> bool:
        """Whether it was inside its limits and is not any more."""
        return self.before is not None and self.after is not None and self.before >= 0 and self.after < -TELL

    @property
    def nearly_out(self) -> bool:
        """Whether it was well inside its limits, and little of that is left."""
        if self.before is None or self.after is None:
            return False
        return 0 <= self.after < LITTLE and self.after < self.before / 2 and self.moved

    @property
    def word(self) -> str:
        """What became of it."""
        if self.before is None or self.after is None or not self.moved:
            return ""
        return "worse" if self.after < self.before else "better"

    def as_json(self) -> dict[str, object]:
        return {"line": self.line, "state": self.level, "before": self.before, "after": self.after, "is": self.word}


def margins(before: Study, after: Study, *, corners: bool = False) -> list[Margin]:
    """Every line's every state that can be judged in either. corners: in the worst case of the parts' tolerances."""
    here, there = _margins(before, corners), _margins(after, corners)
    return [Margin(*key, here.get(key), there.get(key)) for key in dict.fromkeys([*here, *there])]


def _margins(study: Study, corners: bool) -> dict[tuple[str, str], float]:
    found: dict[tuple[str, str], float] = {}
    for k, lines in _worst_cases(study, LOOKED_AT if corners else 1).items():
        ends = _ends(study, k, [line.net for line, _, _ in lines], corners)
        for line, state, level in lines:
            inside = _inside(study, line, level, *ends[line.net])
            if inside is not None:
                key = (line.name, f"{state}: {level}")
                found[key] = min(inside, found.get(key, inside))
    return found


def _worst_cases(study: Study, most: int) -> dict[int, list[tuple[Line, str, str]]]:
    """case -> lines to ask there: for each line in each state the cases in which it is nearest to a limit as drawn."""
    near: dict[tuple[str, str], list[tuple[float, int, tuple[Line, str, str]]]] = {}
    for k, case in study.each():
        for asked in _asked(study, case):
            line, state, level = asked
            inside = _inside(study, line, level, *(float(study.points.net(line.net)[k]),) * 2)
            if inside is not None:
                near.setdefault((line.name, state), []).append((inside, k, asked))
    found: dict[int, list[tuple[Line, str, str]]] = {}
    for cases in near.values():
        for _, k, asked in sorted(cases, key=lambda each: each[:2])[:most]:
            found.setdefault(k, []).append(asked)
    return found


def _asked(study: Study, case: Case) -> Iterator[tuple[Line, str, str]]:
    """(line, state, level) of each line that a case can be asked for."""
    for name, line in study.board.lines.items():
        state = case.line_state if case.line == name else "boot"
        level = line.when.get(state)
        if level is not None and case.line in ("", name) and judged(study, line, case):
            yield line, state, level


def _ends(study: Study, k: int, nets: list[str], corners: bool) -> dict[str, tuple[float, float]]:
    """The lowest and the highest volts of each net in a case; both the drawn ones where no corner has an answer."""
    drawn = {net: (float(study.points.net(net)[k]),) * 2 for net in nets}
    if not corners or not nets:
        return drawn
    try:
        found = spread(study.model, Variant(values=study.cases[k].values()), list(drawn), n=0)
    except (CircuitError, SolveError):
        return drawn
    return {net: found.of(net)[1:] for net in drawn}


def _inside(study: Study, line: Line, level: str, low: float, high: float) -> float | None:
    try:
        limits = line_thresholds(study.board, line).limits(level)
    except LevelError:
        return None
    ends = [limits.high - high] if limits.high is not None else []
    ends += [low - limits.low] if limits.low is not None else []
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
