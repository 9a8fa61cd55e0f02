"""The current of a supply in the state that the bench is in."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from wakeboard.harness.describe.sequence.step_model import StepModel
from wakeboard.harness.describe.sequence.steps import Needs
from wakeboard.harness.describe.toml.fields import AmpsLimits, Seconds
from wakeboard.harness.run.errors import Refused
from wakeboard.harness.run.steps import _power

if TYPE_CHECKING:
    from wakeboard.harness.run.context import Context

KIND = "current"
NEEDS = Needs(power="on")


class Model(StepModel):
    """settle: a wait before the samples are taken."""

    do: Literal["current"]
    supply: str = Field(description="the supply whose current is read")
    expect: AmpsLimits | None = None
    settle: Seconds = 0.05


def run(context: Context, model: Model) -> None:
    context.power.need_on(KIND)
    if model.supply not in context.power.on:
        raise Refused(f"{model.supply} is not on: it has no current to read")
    context.time.sleep(model.settle)
    limit = context.power.on[model.supply][1]
    _power.read_current(context, model.supply, _power.current_limits(context, model.expect, limit))
