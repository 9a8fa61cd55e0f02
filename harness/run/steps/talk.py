"""Send a line to the board's console and expect an answer; values in it become readings with limits.

    send = "climate"
    expect = 'climate (?P<celsius>[\\d.]+) C (?P<humidity>[\\d.]+) %'
    limits = { celsius = "10 .. 40", humidity = "10 .. 90" }

Each named group is a reading: a number where it is one, else text. What does not answer in time, or answers otherwise,
fails; a serial port that vanishes is an error of the bench.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

from pydantic import Field, field_validator

from wakeboard.harness.describe.sequence.step_model import StepModel
from wakeboard.harness.describe.sequence.steps import Needs
from wakeboard.harness.describe.toml.fields import Pattern, Seconds, refused
from wakeboard.harness.run.decide import OPEN, Limits, decide
from wakeboard.harness.run.steps import _console
from wakeboard.instruments.quantity import Interval, QuantityError, parse_interval

if TYPE_CHECKING:
    from wakeboard.harness.run.context import Context

KIND = "talk"
NEEDS = Needs(power="on", links=True, answers=True)


class Model(StepModel):
    """limits: name of a group -> plain numbers in the unit that the board answers in."""

    do: Literal["talk"]
    send: str | None = None
    expect: Pattern = Field(description="the regular expression that the answer matches")
    limits: dict[str, Any] = Field(default_factory=dict)
    timeout: Seconds = 2.0
    link: str | None = None

    @field_validator("limits")
    @classmethod
    def _limits(cls, found: dict[str, object]) -> dict[str, Interval]:
        return {name: _interval(text) for name, text in found.items()}


def _interval(text: Any) -> Interval:
    try:
        return parse_interval(text, "")
    except QuantityError as error:
        raise refused(error.found, error.allowed) from None


def run(context: Context, model: Model) -> None:
    answer = _console.ask(context, model.send, model.expect, model.timeout, model.link)
    if answer.match is None:
        said = f"answered {answer.text!r}" if answer.text.strip() else f"no answer within {model.timeout:g} s"
        context.log.text(model.title, answer.text.strip(), "fail", says=said)
        return
    groups = answer.match.groupdict()
    if not groups:
        context.log.text(model.title, answer.match[0].strip(), "pass")
    for name, text in groups.items():
        _take(context, model, name, text)


def _take(context: Context, model: Model, name: str, text: str | None) -> None:
    interval = model.limits.get(name)
    limits = Limits(interval.low, interval.high, "step") if interval else OPEN
    of = f"{model.title}.{name}"
    number = _number(text)
    if number is None:
        context.log.text(of, text or "", "fail" if interval else "pass")
    else:
        outcome = decide(number, 0.0, limits)
        context.log.number(of, "number", number, "", limits, outcome, says=text or "")


def _number(text: str | None) -> float | None:
    try:
        return float(text) if text is not None and text.strip()[:1] in "+-.0123456789" else None
    except ValueError:
        return None
