"""Unpowered resistance to ground, both polarities, fixed range, after a check that nothing is charged.

The reading with the meter's plus lead on the net is held against the limits: that is the way the supply will push. The
one with swapped leads is kept beside it: a resistor reads the same both ways, a junction does not. A test current and
an open-circuit voltage act on the board meanwhile; the step says which.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from harness.describe.fields import Ohms, OhmsLimits, Seconds
from harness.run.decide import Limits, decide, decide_beyond
from harness.run.steps._model import Of, StepModel

if TYPE_CHECKING:
    from harness.run.context import Context
    from harness.run.ports import Measurement

KIND = "resistance"
STOPS = True

RESIDUAL_VOLTS = 0.05  # above this an ohms reading is wrong, and a charged rail is worth a wait
WAITS = (0.05, 0.1, 0.2, 0.4, 0.8, 1.6)  # s between readings while capacitors charge through the test current
AGREE = 0.01  # two readings that agree this well have settled
SHORT_OHMS = 100.0  # what counts as no short where neither step nor board says more (common practice, no source)
RANGES = (100.0, 1e3, 10e3, 100e3, 1e6, 10e6)


class Model(StepModel):
    """of: supplies, rails, lines, points or nets; expect: for the plus lead on the net; reversed: for swapped leads;
    range: the fixed range, else the first one well above the lower limit."""

    do: Literal["resistance"]
    of: Of = ("every supply",)
    expect: OhmsLimits | None = None
    reversed: OhmsLimits | None = None
    range: Ohms | None = None
    both_polarities: bool = True
    discharge_within: Seconds = 5.0


def run(context: Context, model: Model) -> None:
    context.need_off(KIND)
    limits = _limits(model)
    scale = model.range or _range_for(limits)
    _say_what_acts(context, scale)
    for net in context.order(context.nets(model.of)):
        if not _discharged(context, net, model.discharge_within):
            continue
        outcome = _measure(context, net, scale, limits, swapped=False)
        if model.both_polarities:
            low, high = (model.reversed.low, model.reversed.high) if model.reversed else (None, None)
            _measure(context, net, scale, Limits(low, high, "step" if model.reversed else ""), swapped=True)
        if outcome in ("pass", "marginal"):
            context.note_checked(net)


def _limits(model: Model) -> Limits:
    if model.expect is None:
        return Limits(SHORT_OHMS, None, "")
    return Limits(model.expect.low, model.expect.high, "step")


def _range_for(limits: Limits) -> float:
    wanted = limits.high or 2 * (limits.low or SHORT_OHMS)
    return next((scale for scale in RANGES if scale >= wanted), RANGES[-1])


def _say_what_acts(context: Context, scale: float) -> None:
    acts = context.bench.meter_acts(scale)
    context.detail["range_ohms"] = scale
    if acts is not None:
        amps, volts = acts
        context.detail.update(test_amps=amps, open_volts=volts)
        context.say(f"test current {amps * 1e6:g} µA, up to {volts:g} V on an open net")


def _discharged(context: Context, net: str, within: float) -> bool:
    """Whether the net holds no charge; where it keeps one, a failed reading says so and no ohms test is made."""
    context.reach(net)
    seen = context.until(lambda: context.meter_volts(), lambda m: abs(m.value) <= RESIDUAL_VOLTS, within)
    if abs(seen.value) <= RESIDUAL_VOLTS:
        return True
    limits = Limits(-RESIDUAL_VOLTS, RESIDUAL_VOLTS, "")
    context.record(net, "dc volts", seen, limits, outcome="fail", says="still charged: no ohms test was made")
    return False


def _measure(context: Context, net: str, scale: float, limits: Limits, swapped: bool) -> str:
    if swapped and not context.swap(True):
        context.say("leads not swapped: one polarity only")
        return "skipped"
    seen = _settled(context, scale)
    if swapped:
        context.swap(False)
    quantity = "ohms reversed" if swapped else "ohms"
    if seen.overload:
        outcome = decide_beyond(scale, limits)
        says = f"above the range of {scale:g} Ω"
        return context.record(net, quantity, seen, limits, outcome=outcome, says=says).outcome
    return context.record(net, quantity, seen, limits, outcome=decide(seen.value, seen.u, limits)).outcome


def _settled(context: Context, scale: float) -> Measurement:
    """A reading that repeats: capacitors charge through the test current first."""
    last = context.meter_ohms(scale)
    for wait in WAITS:
        context.sleep(wait)
        now = context.meter_ohms(scale)
        if last.overload and now.overload:
            return now
        if not (last.overload or now.overload) and abs(now.value - last.value) <= AGREE * abs(now.value) + 2 * now.u:
            return now
        last = now
    return last
