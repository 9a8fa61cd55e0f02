"""A line that nothing holds at the level that a state asks for."""

from __future__ import annotations

from collections.abc import Iterator

from wakeboard.harness.describe.board import Line
from wakeboard.harness.describe.levels import LevelError, line_thresholds
from wakeboard.harness.review.cases import Case
from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study import Study
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.part import Part

CONTROLS = {"mosfet": "G", "bjt": "B"}
PIN_WORDS = {"G": "gate", "B": "base", "EN": "enable"}
SERIES = 10e3
"""Ω; a resistor up to this lies in a control line, a larger one holds it; common practice, no source."""


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
    yield from _controls(study)


def _controls(study: Study) -> Iterator[Concern]:
    """Gates, bases and enables that nothing holds at boot and that are no line of the board file."""
    lines = {line.net for line in study.board.lines.values()}
    near = _behind_resistors(study, lines)
    rails = {rail.net for rail in study.board.rails.values()}
    for part in study.board.parts.values():
        pin = CONTROLS.get(part.kind) or ("EN" if "EN" in part.pins and part.kind != "chip" else None)
        net = part.pins.get(pin) if pin else None
        if net is None or net in near or net in rails:
            continue
        for k, case in study.undriven():
            if not case.drives and case.corner == "nominal" and study.floating(net, k) and not _fed(study, part, k):
                yield Concern(
                    "undefined-level", True, (net,), path=(part.name,), state=case.state,
                    says=f"nothing holds {part.name}'s {PIN_WORDS[pin or '']} ({net}) at power-on: it floats, and the "
                    "part may be on or off",
                    do=f"fit a resistor from {net} to where {part.name} is off",
                )  # fmt: skip


def _fed(study: Study, part: Part, k: int) -> bool:
    """Whether a part is of no matter because the rail that it cannot be on without is said to be dead already."""
    return any(net in study.rails.bad[k] for net in part.pins.values() if net != part.pins.get("OUT"))


def _behind_resistors(study: Study, nets: set[str]) -> set[str]:
    """The nets, and those that a resistor of 10 kΩ or less joins to them."""
    found = set(nets)
    for part in study.board.parts.values():
        if part.kind == "resistor" and float(part.values["value"]) <= SERIES and set(part.pins.values()) & nets:
            found |= set(part.pins.values()) - {study.board.ground}
    return found


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
