"""A regulator whose input is too low for its output, or a boost whose input is too high."""

from __future__ import annotations

from collections.abc import Iterator

from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study.cases import Case
from wakeboard.harness.review.study.study import Study
from wakeboard.harness.review.study.supplied import REGULATORS, dropout, enabled, limited, set_volts
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.part import Part

JUNCTIONS = 0.6
"""V of stated dropout from which a linear regulator is a bipolar follower, whose junctions take as much at any current;
common practice, no source."""

SLACK = 0.005  # relative: what a load may pull a regulator away from its voltage while it still regulates


def find(study: Study) -> Iterator[Concern]:
    for part in study.board.parts.values():
        if part.kind not in REGULATORS or "OUT" not in part.pins:
            continue
        aim = set_volts(study, part)
        rails = study.rails_on(part.pins["OUT"])
        if aim is None:
            continue
        for k, case in study.undriven():
            on = any(study.rail_should_be_on(rail.name, case) for rail in rails)
            if on and enabled(study, part, k) and part.pins["IN"] not in study.rails.bad[k]:
                concern = (_too_high if part.kind.endswith("boost") else _too_low)(study, part, aim, k, case)
                if concern:
                    yield concern


def _too_low(study: Study, part: Part, aim: float, k: int, case: Case) -> Concern | None:
    given, out = study.volts(part.pins["IN"])[k], study.volts(part.pins["OUT"])[k]
    if part.kind.endswith("ldo") and dropout(part) > max(JUNCTIONS, given - aim) and aim * (1 - SLACK) <= out:
        return _by_junctions(part, aim, case, given, out)
    if out >= aim * (1 - SLACK) or given - aim >= dropout(part) or limited(study, part, k):
        return None
    if part.pins["OUT"] not in study.rails.bad[k] and study.rails_on(part.pins["OUT"]):
        return None  # it drops out, and the rail is still what it may be
    return Concern(
        "headroom", out < 0.95 * aim, (part.pins["OUT"], part.pins["IN"]), path=(part.name,),
        state=case.state, value=given - aim, unit="V", weight=aim - out,
        says=f"{part.name} has {show(given, 'V')} at its input for {show(aim, 'V')}: it drops out, "
        f"{part.pins['OUT']} is {show(out, 'V')}",
        do="raise the least supply voltage, lower the drops before it, or choose a lower dropout or output",
        settles="" if "dropout" in part.values or given < aim else f"{part.name}'s data sheet: dropout",
    )  # fmt: skip


def _by_junctions(part: Part, aim: float, case: Case, given: float, out: float) -> Concern:
    """It regulates by a dropout that falls with the current, which that of a bipolar follower does not."""
    needed = dropout(part)
    return Concern(
        "headroom", aim - (given - needed) > 0.05 * aim, (part.pins["OUT"], part.pins["IN"]), path=(part.name,),
        state=case.state, value=given - aim, unit="V", weight=needed - (given - aim),
        says=f"{part.name} has {show(given, 'V')} at its input for {show(out, 'V')}, {show(given - aim, 'V')} above "
        f"it, and its dropout is {show(needed, 'V')}: so much is a bipolar follower's, at any current",
        do="raise the least supply voltage, lower the drops before it, or choose a lower dropout or output",
    )  # fmt: skip


def _too_high(study: Study, part: Part, aim: float, k: int, case: Case) -> Concern | None:
    given, out = study.volts(part.pins["IN"])[k], study.volts(part.pins["OUT"])[k]
    if out <= aim * (1 + SLACK):
        return None
    return Concern(
        "headroom", out > 1.05 * aim, (part.pins["OUT"], part.pins["IN"]), path=(part.name,),
        state=case.state, value=given - aim, unit="V", weight=out - aim,
        says=f"{part.name} steps up only and has {show(given, 'V')} at its input for {show(aim, 'V')}: its rectifier "
        f"passes the input through, {part.pins['OUT']} is {show(out, 'V')}",
        do="feed it from less than its output, or use a converter that steps up and down",
    )  # fmt: skip
