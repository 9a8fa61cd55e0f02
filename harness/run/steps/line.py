"""Control lines in a state: mean, AC RMS and frequency, and the level against the line's standard.

A mean between the thresholds with no AC is a divider; with AC it toggles. Where a line is odd it is read again with a
known resistor across it, or with the meter's high impedance, so that what pulls it can be computed (explain).

In the state "boot" no pin is driven. For any other state of a line its driver is asked over the console to drive the
level, and releases it afterwards.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from wakeboard.harness.describe.sequence.step_model import Of, StepModel
from wakeboard.harness.describe.sequence.steps import Needs
from wakeboard.harness.describe.toml.fields import VoltsLimits
from wakeboard.harness.run.decide import OPEN, Limits, decide
from wakeboard.harness.run.steps import _pins
from wakeboard.results.told import LinesTold

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Line
    from wakeboard.harness.run.context import Context

KIND = "line"
NEEDS = Needs(power="on", of=("lines",))
TELLS = (LinesTold,)

AC_SHARE = 0.02  # of the rail: less AC than this is noise, and a frequency cannot be read
AC_FLOOR = 0.03  # V
TOGGLE_SHARE = 0.1  # of the swing between the thresholds: more AC than this and the line is no steady level
SETTLE = 0.01  # s after a pin was driven


class Model(StepModel):
    """of: lines; state: a state of their `when`; expect: limits instead of the level's; second_load: whether a line is
    read again under another load."""

    do: Literal["line"]
    of: Of = ("every line",)
    state: str = "boot"
    expect: VoltsLimits | None = None
    second_load: Literal["never", "when odd", "always"] = "when odd"


def run(context: Context, model: Model) -> None:
    context.power.need_on(KIND)
    lines = {line.net: line for line in context.drawn.lines(model.of) if model.state in line.when}
    judged = [net for net, line in lines.items() if _holds(context, line)]
    thresholds: dict[str, dict[str, object]] = {}  # kept with the step, so that a report can draw the line against them
    context.log.tell(LinesTold(sorted(line.name for net, line in lines.items() if net not in judged), thresholds))
    for net in context.meter.points(judged):
        line = lines[net]
        thresholds[net] = _thresholds(context, line, line.when[model.state])
        if model.state == "boot" or line.driven_by is None or line.driven_by in context.power.pins:
            _measure(context, model, line, line.when[model.state])
        else:
            with _pins.driven(context, line.driven_by, line.when[model.state]):
                _measure(context, model, line, line.when[model.state])


def _holds(context: Context, line: Line) -> bool:
    """Whether the level can be expected: the supplies and rails that it needs are up, and its own rail is."""
    return all(context.drawn.is_up(name) for name in line.needs) and context.drawn.line_is_powered(line)


def _measure(context: Context, model: Model, line: Line, level: str) -> None:
    limits = _limits(context, model, line, level)
    mean = context.meter.volts_for(limits)
    ac = context.meter.ac()
    toggles = ac.value > max(AC_FLOOR, TOGGLE_SHARE * context.drawn.swing(line))
    outcome = decide(mean.value, mean.u, limits)
    says = context.drawn.level_says(line, mean.value)
    if toggles and model.expect is None:
        outcome, says = "fail", f"{says}: it toggles"
    context.log.record(line.net, "dc volts", mean, limits, outcome=outcome, says=says)
    context.log.record(line.net, "ac volts", ac, Limits())
    if ac.value > max(AC_FLOOR, AC_SHARE * context.drawn.swing(line)):
        context.log.record(line.net, "frequency", context.meter.frequency(), Limits(), load=False)
    odd = outcome != "pass" or toggles
    if model.second_load == "always" or (model.second_load == "when odd" and odd):
        _again(context, line)


def _thresholds(context: Context, line: Line, level: str) -> dict[str, object]:
    known = context.drawn.thresholds(line)
    return {"low": known.low_max, "high": known.high_min, "rail": known.rail, "expected": level}


def _limits(context: Context, model: Model, line: Line, level: str) -> Limits:
    if model.expect is not None:
        return Limits(model.expect.low, model.expect.high, "step")
    allowed = context.drawn.thresholds(line).limits(level)
    return Limits(allowed.low, allowed.high, "board")


def _again(context: Context, line: Line) -> None:
    """The same net under each known resistor of the bench; without one, into the meter's high impedance."""
    loads = context.bench.probing.loads()
    for ohms in loads:
        with context.meter.loaded(ohms) as put:
            if put is not None:
                context.log.record(line.net, "dc volts", context.meter.volts_for(OPEN), OPEN, load_ohms=put)
    if not loads and context.meter.high_impedance(True):
        seen = context.meter.volts_for(OPEN)
        context.log.record(line.net, "dc volts", seen, OPEN, load_ohms=context.bench.input_ohms)
        context.meter.high_impedance(False)
