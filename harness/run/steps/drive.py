"""Does a pin move the net that it should? Driven over the console, its net measured in each state, then released.

of = ["RADIO_RST", "SENS_EN"]                   each line's driver high, low, released
pin = "U1.GPIO12", level = "high", keep = true  one pin to one level, kept until a later step releases it
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from wakeboard.harness.describe.sequence.step_model import StepModel
from wakeboard.harness.describe.sequence.steps import Needs
from wakeboard.harness.describe.toml.fields import OneOrMore, VoltsLimits
from wakeboard.harness.run.decide import OPEN, Limits
from wakeboard.harness.run.errors import Refused
from wakeboard.harness.run.services.unmeasured import NO_POINT
from wakeboard.harness.run.steps import _pins

if TYPE_CHECKING:
    from wakeboard.harness.run.context import Context

KIND = "drive"
NEEDS = Needs(power="on", of=("lines",), links=True, pin_command=True, driven=True)


class Model(StepModel):
    """of: lines; or pin and level. expect: limits for the net of `pin`; keep: leave the pin driven."""

    do: Literal["drive"]
    of: OneOrMore = ()
    pin: str | None = None
    level: Literal["high", "low", "off"] | None = None
    keep: bool = False
    expect: VoltsLimits | None = None


def run(context: Context, model: Model) -> None:
    context.power.need_on(KIND)
    if model.pin is not None:
        _one(context, model, model.pin, model.level or "high")
        return
    if not model.of:
        raise Refused("a drive step names lines (`of`) or a `pin`")
    for line in context.drawn.lines(model.of):
        if line.driven_by is None:
            raise Refused(f"no pin drives {line.name}: the board file has no driven_by for it")
        for level in ("high", "low"):
            with _pins.driven(context, line.driven_by, level) as done:
                if done:
                    _measure(context, line.net, _limits(context, line.net, level))


def _one(context: Context, model: Model, pin: str, level: str) -> None:
    if not _pins.drive(context, pin, level):
        return
    net = context.drawn.net(pin)
    if model.expect is not None:
        limits = Limits(model.expect.low, model.expect.high, "step")
    else:
        limits = _limits(context, net, level)
    if context.meter.reaches(net):
        _measure(context, net, limits)
    elif model.expect is not None:
        context.log.text(net, "", "error", says=NO_POINT)
    if not model.keep and level != "off":
        _pins.drive(context, pin, "off")


def _limits(context: Context, net: str, level: str) -> Limits:
    """The level's limits by the standard of the line on this net; released, there is nothing to hold it against."""
    line = next((line for line in context.board.lines.values() if line.net == net), None)
    if line is None or level == "off":
        return OPEN
    allowed = context.drawn.thresholds(line).limits(level)
    return Limits(allowed.low, allowed.high, "board")


def _measure(context: Context, net: str, limits: Limits) -> None:
    for reached in context.meter.points([net]):
        context.log.record(reached, "dc volts", context.meter.volts_for(limits), limits)
