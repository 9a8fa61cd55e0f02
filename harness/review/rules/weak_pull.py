"""A fitted pull that loses against a pull that a silent pin may hide; a USB-C termination that is not there."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from wakeboard.harness.describe.board import Line
from wakeboard.harness.describe.levels import LevelError, line_thresholds
from wakeboard.harness.describe.preferred import values_between
from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.pulls import HiddenPull, hidden_pull, is_silent
from wakeboard.harness.review.rules.undefined_level import judged
from wakeboard.harness.review.standards import TYPE_C_RD, type_c_seen_as
from wakeboard.harness.review.study import Study
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.model import Variant

STEPS = 25  # ohms tried between the ends of a hidden pull's range


def find(study: Study) -> Iterator[Concern]:
    for name, line in study.board.lines.items():
        level = line.when.get("boot")
        if level is None:
            continue
        for part, pin in silent_pins(study, line.net):
            pull = hidden_pull(pin)
            fights = "pull_up" if level == "low" else "pull_down"
            if pull.up if fights == "pull_up" else pull.down:
                yield from _fight(study, name, line, level, f"{part}.{pin}", fights, pull)
    yield from _type_c(study)


def silent_pins(study: Study, net: str) -> list[tuple[str, str]]:
    """(part, pin) on a net whose board file does not say what they pull."""
    return [(part.name, pin) for part, pin, entry in study.chips() if part.pins[pin] == net and is_silent(entry)]


def _fight(
    study: Study, name: str, line: Line, level: str, pin: str, fights: str, pull: HiddenPull
) -> Iterator[Concern]:
    k = _settled_case(study, line, level)
    if k is None:
        return
    try:
        limits = line_thresholds(study.board, line).limits(level)
    except LevelError:
        return
    ohms = np.geomspace(pull.low, pull.high, STEPS)
    case = study.cases[k]
    points = study.model.solve([Variant(values={**case.values(), f"{pin}.{fights}": float(r)}) for r in ohms]).require()
    volts = points.net(line.net)
    holds = volts <= limits.high if limits.high is not None else volts >= (limits.low or 0.0)
    if holds.all():
        return
    enough = float(ohms[np.argmax(holds)]) if holds.any() else None
    worst = float(volts[0])
    yield Concern(
        "weak-pull", True, (line.net,), path=(pin.partition(".")[0],), state=case.state, value=worst, unit="V",
        weight=1.0,
        says=f"{name} should be {level} and the pin {pin} may hide a pull of {show(pull.low, 'Ω')} .. "
        f"{show(pull.high, 'Ω')} the other way ({pull.source}): the line would sit at {show(worst, 'V')}"
        + (f"; the fitted one holds against {show(enough, 'Ω')} and up" if enough else "; none of it is held"),
        do=_advice(study, line, level, pull, limits.high, limits.low),
    )  # fmt: skip


def _settled_case(study: Study, line: Line, level: str) -> int | None:
    """A case in which the line is judged, undriven, and holds its level as drawn."""
    for k, case in study.undriven():
        if case.corner == "nominal" and not case.drives and judged(study, line, case) and _holds(study, line, level, k):
            return k
    return None


def _holds(study: Study, line: Line, level: str, k: int) -> bool:
    try:
        return line_thresholds(study.board, line).level(float(study.points.net(line.net)[k])) == level
    except LevelError:
        return False


def _advice(study: Study, line: Line, level: str, pull: HiddenPull, high: float | None, low: float | None) -> str:
    """The pull that wins against the strongest hidden one, from the divider of the two."""
    from wakeboard.harness.describe.levels import rail_of

    rail = rail_of(study.board, line) or 3.3
    if level == "low" and high is not None:
        most = pull.low * high / (rail - high)
    else:
        most = pull.low * (rail - (low or 0.0)) / (low or rail)
    way = "down" if level == "low" else "up"
    fit = show(values_between(most / 10, most)[-1], "Ω")
    return f"fit a pull-{way} of {fit} or less on {line.net}, or find out what the pin pulls and write that down"


def _type_c(study: Study) -> Iterator[Concern]:
    for part in study.board.parts.values():
        if part.kind != "connector":
            continue
        for pin in ("CC1", "CC2"):
            if pin not in part.pins:
                continue
            ohms = _to_ground(study, part.pins[pin])
            if ohms is None or type_c_seen_as(ohms) != ["default", "1.5 A", "3 A"]:
                found = f"sees {show(ohms, 'Ω')} to ground" if ohms else "has nothing to ground"
                yield Concern(
                    "weak-pull", True, (part.pins[pin],), path=(part.name,), value=ohms, unit="Ω" if ohms else "",
                    says=f"{part.name}.{pin} {found}: a USB-C source switches on for {show(TYPE_C_RD, 'Ω')} only",
                    do=f"fit {show(TYPE_C_RD, 'Ω')} from {part.pins[pin]} to ground",
                )  # fmt: skip


def _to_ground(study: Study, net: str) -> float | None:
    siemens = sum(
        1 / float(part.values["value"])
        for part in study.board.parts.values()
        if part.kind == "resistor" and set(part.pins.values()) == {net, study.board.ground}
    )
    return 1 / siemens if siemens else None
