"""What rises that should not: every supply that is off, and every rail that should be off, while others are on.

A source that is fed from another one is a danger: it ends the run, unless the step says to go on. A rail that rises is
odd and is measured around; it is a failure too, but stops nothing by itself.

Where the bench has a bleed resistor, a net that shows more than its limit into the meter's 10 MΩ is read again with the
resistor across it, and that reading decides: a nanoampere of leakage is no feed. Without one the meter's stands.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from wakeboard.harness.describe.sequence.step_model import Of, StepModel
from wakeboard.harness.describe.sequence.steps import Needs
from wakeboard.harness.describe.toml.fields import Seconds, VoltsLimits
from wakeboard.harness.run.decide import Limits
from wakeboard.results.told import BackFeedTold

if TYPE_CHECKING:
    from wakeboard.harness.run.context import Context
    from wakeboard.instruments.ports import Measurement

KIND = "back-feed"
NEEDS = Needs(power="on", of=("supplies", "rails"), accuses=True)
TELLS = (BackFeedTold,)
STOPS = True
FAILED = "Do not connect both sources. Set it aside for repair."

ISOLATED_VOLTS = 0.3  # where the step does not say: below it no silicon junction conducts (common practice, no source)


class Model(StepModel):
    """of: supplies and rails to look at; those that should be off where not given. expect: what they may show at most;
    bleed: false leaves the bench's bleed resistor away; within: how long a net may take to creep to its value."""

    do: Literal["back-feed"]
    of: Of = ("all",)
    expect: VoltsLimits | None = None
    bleed: bool = True
    within: Seconds = 5.0


def run(context: Context, model: Model) -> None:
    context.power.need_on(KIND)
    limits = _limits(model)
    supplies, rails = context.drawn.should_be_off(model.of)
    outcomes: dict[str, str] = {}
    for net in context.meter.points(dict.fromkeys([*supplies.values(), *rails.values()])):
        outcomes[net] = _measure(context, model, net, limits)
    fed = [name for name, net in supplies.items() if outcomes.get(net) == "fail"]
    context.log.tell(BackFeedTold(fed))
    if fed:
        context.log.say(f"{', '.join(fed)} fed from {', '.join(context.power.on)}: do not connect both")
    elif model.on_fail is None:
        context.stops = False


def _limits(model: Model) -> Limits:
    if model.expect is None:
        return Limits(None, ISOLATED_VOLTS, "")
    return Limits(model.expect.low, model.expect.high, "step")


def _measure(context: Context, model: Model, net: str, limits: Limits) -> str:
    high = limits.high if limits.high is not None else float("inf")
    seen = _arrived(context, high, model.within)
    bleed = context.bench.bleed_ohms if model.bleed else None
    if seen.value <= high - 2 * seen.u or bleed is None:
        return context.log.record(net, "dc volts", seen, limits).outcome
    context.log.record(net, "dc volts", seen, Limits(), says="before the bleed resistor")
    with context.meter.loaded(bleed) as ohms:
        seen = _arrived(context, high, model.within)
        return context.log.record(net, "dc volts", seen, limits, load_ohms=ohms, says="with the bleed resistor").outcome


def _arrived(context: Context, high: float, within: float) -> Measurement:
    """A reading that no longer creeps; a net that rises above its limit needs no more patience."""
    return context.meter.arrived(
        context.meter.volts(), within, lambda last, now: now.value > last.value and now.value > high + 2 * now.u
    )
