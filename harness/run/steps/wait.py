"""Let time pass; the guard watches meanwhile."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from wakeboard.harness.describe.sequence.step_model import StepModel
from wakeboard.harness.describe.sequence.steps import Needs
from wakeboard.harness.describe.toml.fields import Seconds
from wakeboard.results.told import WaitTold

if TYPE_CHECKING:
    from wakeboard.harness.run.context import Context

KIND = "wait"
NEEDS = Needs(power="either")
TELLS = (WaitTold,)


class Model(StepModel):
    do: Literal["wait"]
    seconds: Seconds = Field(alias="for", description='how long, such as "2 s"')


def run(context: Context, model: Model) -> None:
    context.time.sleep(model.seconds)
    context.log.tell(WaitTold(model.seconds))
