"""What the tables of all step kinds share."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, field_validator

from wakeboard.harness.describe.toml.fields import OneOrMore, Table, refused
from wakeboard.instruments.quantity import Interval, QuantityError, parse

OnFail = Literal["stop", "go on"]


class StepModel(Table):
    """name: how the step is called in a report; on_fail: what a failure does to the rest of the run; why: the reason
    for something that would otherwise be refused; says: a remark for the reader."""

    do: str = Field(description="the kind of step")
    name: str = ""
    on_fail: OnFail | None = None
    why: str = ""
    says: str = ""

    @field_validator("why")
    @classmethod
    def _in_words(cls, why: str) -> str:
        if why and not why.strip():
            raise refused(f'"{why}"', "a reason in words, or nothing")
        return why

    @property
    def title(self) -> str:
        """The name, or what tells this step from others of its kind."""
        if self.name:
            return self.name
        told = getattr(self, "supply", None) or getattr(self, "of", None)
        if not told or told == ("all",):
            return self.do
        return f"{self.do}: {', '.join(told) if isinstance(told, tuple) else told}"


class Climb(Table):
    """A ramp: so many volts every so many seconds."""

    volts: float
    seconds: float


def _climb(found: object) -> object:
    allowed = 'a ramp, such as "0.5 V every 50 ms"'
    if not isinstance(found, str) or " every " not in found:
        raise refused(f'"{found}"', allowed)
    volts, _, seconds = found.partition(" every ")
    try:
        climb = Climb(volts=parse(volts, "V"), seconds=parse(seconds, "s"))
    except QuantityError as error:
        raise refused(error.found, allowed) from None
    if climb.volts <= 0 or climb.seconds <= 0:
        raise refused(f'"{found}"', allowed + ", both above zero")
    return climb


RampField = Annotated[Climb, BeforeValidator(_climb)]
Of = OneOrMore


def positive(value: float | None, example: str) -> float | None:
    """A validator's body: refuse zero and less."""
    if value is not None and value <= 0:
        raise refused(f"{value:g}", f'more than zero, such as "{example}"')
    return value


def ends(interval: Interval | None) -> tuple[float | None, float | None]:
    return (None, None) if interval is None else (interval.low, interval.high)
