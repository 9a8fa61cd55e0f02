"""A question to the operator: what only eyes, nose or fingers can tell. Skipped where nobody may be asked."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from wakeboard.harness.describe.sequence.step_model import StepModel
from wakeboard.harness.describe.sequence.steps import Needs
from wakeboard.harness.run.errors import NoAnswer

if TYPE_CHECKING:
    from wakeboard.harness.run.context import Context

KIND = "ask"
NEEDS = Needs(power="either")


class Model(StepModel):
    """question: what is asked; expect: the answer that passes, "yes" where not given; answer "text" takes any text."""

    do: Literal["ask"]
    question: str = Field(min_length=1, description="what is asked")
    answer: Literal["yes or no", "text"] = "yes or no"
    expect: str | None = None


def run(context: Context, model: Model) -> None:
    try:
        given = context.ask(model.question, text=model.answer == "text")
    except NoAnswer:
        context.log.outcome = "skipped"
        context.log.say(f"not asked: {model.question}")
        return
    wanted = model.expect or ("yes" if model.answer == "yes or no" else None)
    outcome = "pass" if wanted is None or given.casefold() == wanted.casefold() else "fail"
    context.log.text(model.title, given, outcome, says=model.question)
