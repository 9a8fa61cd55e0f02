"""A line that nothing holds at the level that a state asks for."""

from __future__ import annotations

from collections.abc import Iterator

from wakeboard.harness.describe.board import Line
from wakeboard.harness.describe.levels import LevelError, line_thresholds
from wakeboard.harness.review.cases import Case
from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study import Study
from wakeboard.instruments.quantity import show


def find(study: Study) -> Iterator[Concern]:
    for name, line in study.board.lines.items():
        volts = study.volts(line.net)
        for k, case in study.each():
            state = case.line_state if case.line == name else "boot"
            level = line.when.get(state)
            if level is None or (case.line and case.line != name) or not judged(study, line, case):
                continue
            concern = _judge(study, name, line, k, case, state, level, volts[k])
            if concern:
                yield concern


def judged(study: Study, line: Line, case: Case) -> bool:
    """Whether a line's level can be asked for: its needs are on, its driver is not moved for a rail, a rail is up."""
    rails = study.board.rails
    if not all(study.rail_should_be_on(n, case) if n in rails else n in case.supplies for n in line.needs):
        return False
    if line.driven_by in case.drives and not case.line:
        return False
    always = [name for name, rail in study.board.rails.items() if not rail.on_when]
    return any(study.rail_should_be_on(name, case) for name in always)


def _judge(
    study: Study, name: str, line: Line, k: int, case: Case, state: str, level: str, volts: float
) -> Concern | None:
    try:
        thresholds = line_thresholds(study.board, line)
    except LevelError as error:
        return Concern(
            "level-mismatch", False, (line.net,), weight=0.0,
            says=f"{name}: {error}", do="name a standard that holds at this rail, or write thresholds on the line",
        )  # fmt: skip
    found = thresholds.level(volts)
    floating = found != level and study.floating(line.net, k)
    if found == level:
        return None
    limit = thresholds.limits(level)
    wanted = f"at most {show(limit.high, 'V')}" if limit.high is not None else f"at least {show(limit.low or 0.0, 'V')}"
    return Concern(
        "undefined-level", True, (line.net,), state=case.state, value=volts, unit="V",
        weight=abs(volts - (limit.high if limit.high is not None else limit.low or 0.0)),
        says=f"{name} should be {level} in the state {state!r} ({wanted}) and "
        + ("floats: nothing holds it" if floating else f"sits at {show(volts, 'V')}, {_words(found)}"),
        do=f"fit a pull-{'up' if level == 'high' else 'down'} on {line.net}, or a stronger one",
    )  # fmt: skip


def _words(level: str) -> str:
    return "between the levels" if level == "undefined" else level
