"""Volts of any points in the state that the bench is in, against the step's limits or the circuit's.

    of = "every point"                      each net by itself
    load = true                             with the bench's known resistor from the net to ground

A level into 10 MΩ says that a net is high; under a known resistor it says how strongly it is held, and by what: a pull
that is missing, wrong or hidden shows there though the level is right.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from wakeboard.harness.describe.sequence.step_model import Of, StepModel
from wakeboard.harness.describe.sequence.steps import Needs
from wakeboard.harness.describe.state import BenchState
from wakeboard.harness.describe.toml.fields import VoltsLimits
from wakeboard.harness.run.decide import OPEN, Limits

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from wakeboard.harness.run.context import Context

KIND = "volts"
NEEDS = Needs(power="on")


class Model(StepModel):
    """of: supplies, rails, lines, points or nets. expect: limits, else the circuit's. load: under the bench's known
    resistor; without one on the bench the nets are read without."""

    do: Literal["volts"]
    of: Of = ("every point",)
    expect: VoltsLimits | None = None
    load: bool = False


def run(context: Context, model: Model) -> None:
    context.power.need_on(KIND)
    ohms = context.bench.bleed_ohms if model.load else None
    if model.load and ohms is None:
        context.log.say("the bench has no known resistor: read without")
    live = {context.board.supplies[name].net for name in context.power.on}
    nets = context.drawn.nets(model.of)
    if model.expect is None:
        _foresee(context, nets, live if ohms is not None else set(), ohms)
    for net in context.meter.points(nets):
        if ohms is None or net in live:  # a supply that is on would only feed the resistor
            limits = _limits(context, model, net, context.bench.input_ohms)
            context.log.record(net, "dc volts", context.meter.volts_for(limits), limits)
            continue
        with context.meter.loaded(ohms) as put:
            limits = _limits(context, model, net, ohms)
            context.log.record(net, "dc volts", context.meter.volts_for(limits), limits, load_ohms=put)


def _foresee(context: Context, nets: Sequence[str], live: Collection[str], ohms: float | None) -> None:
    """Have the circuit's limits of all nets computed together, and of those that are not read under the resistor."""
    state, reached = _state(context), [net for net in nets if context.meter.reaches(net)]
    for across, some in (
        (ohms, [net for net in reached if net not in live]),
        (context.bench.input_ohms, [net for net in reached if net in live]),
    ):
        if some:
            context.time.computing()
            context.predictor.prepare_loaded(state, some, across or context.bench.input_ohms, context.time.computing)


def _state(context: Context) -> BenchState:
    return BenchState(context.power.on, context.power.pins)


def _limits(context: Context, model: Model, net: str, ohms: float) -> Limits:
    """The step's, else what the circuit shows with so many ohms across: the meter's own belong to the reading."""
    if model.expect is not None:
        return Limits(model.expect.low, model.expect.high, "step")
    context.time.computing()
    return context.predictor.loaded(_state(context), net, ohms, context.time.computing) or OPEN
