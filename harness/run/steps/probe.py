"""Volts of one point in the state that the bench is in, held against nothing: what an explanation asks to be measured.

    of = "RADIO_RST"
    load = "10 kΩ"                          with a resistor of about so many ohms from the point to ground

The bench's own test resistor is put across where it has one; else a person holds one there and says so.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field, field_validator

from wakeboard.harness.describe.sequence.step_model import StepModel, positive
from wakeboard.harness.describe.sequence.steps import Needs
from wakeboard.harness.describe.toml.fields import Ohms
from wakeboard.harness.run.decide import OPEN
from wakeboard.harness.run.errors import NoAnswer
from wakeboard.instruments.quantity import show

if TYPE_CHECKING:
    from wakeboard.harness.run.context import Context

KIND = "probe"
NEEDS = Needs(power="on")


class Model(StepModel):
    """of: a point, line, rail, supply or net; load: the resistor from it to ground, none where not given."""

    do: Literal["probe"]
    of: str = Field(min_length=1, description="the point to probe")
    load: Ohms | None = None

    @field_validator("load")
    @classmethod
    def _above_zero(cls, value: float | None) -> float | None:
        return positive(value, "10 kΩ")


def run(context: Context, model: Model) -> None:
    context.power.need_on(KIND)
    for net in context.meter.points([context.drawn.net(model.of)]):
        if model.load is None:
            context.log.record(net, "dc volts", context.meter.volts_for(OPEN), OPEN)
        elif context.bench.bleed_ohms is not None:
            with context.meter.loaded(model.load) as put:
                if put is not None:
                    context.log.record(net, "dc volts", context.meter.volts_for(OPEN), OPEN, load_ohms=put)
        else:
            _held(context, net, model.load)
    if not context.log.readings:
        context.log.outcome = "skipped"


def _held(context: Context, net: str, ohms: float) -> None:
    """A resistor in a person's hand."""
    try:
        if context.ask(f"Hold {show(ohms, 'Ω')} from {net} to ground, beside the probe: is it on?") != "yes":
            return
        across = 1.0 / (1.0 / ohms + 1.0 / context.bench.input_ohms)
        context.log.record(net, "dc volts", context.meter.volts_for(OPEN), OPEN, load_ohms=across)
        context.ask("Take the resistor off: is it off?")
    except NoAnswer:
        context.log.say("nobody may be asked to hold the resistor")
