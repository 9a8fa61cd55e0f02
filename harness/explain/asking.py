"""Goes on with a person at the bench: names the measurement that tells most, takes its value, looks again.

Ends when one group of explanations is left, when no safe measurement tells more, or when the person stops. What is
typed in is used for this explanation only: it is no reading of a run, so it is not stored.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Protocol

from harness.describe.state import BenchState
from harness.explain.cases import Case, with_reading
from harness.explain.explaining import Explanation, explain_case
from harness.explain.next import Choice
from harness.explain.observe import OHMS, REVERSED, VOLTS, Observation
from harness.explain.telling import choice_text, tell
from instruments.quantity import QuantityError, parse
from results.records import Reading

MOST = 12
"""Measurements after which it stops in any case."""


class Talks(Protocol):
    """Where it is said and asked (the command line's common options)."""

    @property
    def interactive(self) -> bool: ...

    def say(self, text: str = "") -> None: ...


class NobodyThere(ValueError):
    """There is nobody to measure."""

    exit_code = 2


@dataclass(frozen=True, slots=True)
class Taken:
    """A measurement that was made: the choice and its value (V or Ω; inf for more than the range)."""

    choice: Choice
    value: float


def go_on(explanation: Explanation, talks: Talks, *, pairs: bool = True) -> Explanation:
    """Ask on a terminal. Raises NobodyThere where no question may be asked."""
    if not talks.interactive:
        raise NobodyThere("--ask needs a person at a terminal; without it the next measurement is listed")

    def ask(choice: Choice) -> float | None:
        import click

        unit = "V" if choice.measurement.quantity == VOLTS else "Ω"
        while True:
            text = click.prompt(
                f"{choice_text(choice)}\n  reading (such as 1.27 V; over; skip; stop)", default="stop", err=True
            )
            answer = text.strip().lower()
            if answer == "stop":
                raise StopAsking
            if answer in ("skip", "over"):
                return None if answer == "skip" else math.inf
            try:
                return parse(text.strip(), unit)
            except QuantityError as error:
                talks.say(str(error))

    for line in tell(explanation):
        talks.say(line)
    after, taken = pursue(explanation, ask, pairs=pairs)
    talks.say("")
    for each in taken:
        talks.say(f"taken: {each.choice.measurement.does}: {each.value:g}")
    for line in tell(after):
        talks.say(line)
    return after


class StopAsking(Exception):
    """The person has had enough."""


def pursue(
    explanation: Explanation, measure: Callable[[Choice], float | None], *, pairs: bool = True, most: int = MOST
) -> tuple[Explanation, list[Taken]]:
    """Measure what tells most until one group is left. measure: the value, None to skip; raises StopAsking to end.

    Lifted parts are proposed to a person only: what is measured then belongs to another board.
    """
    taken: list[Taken] = []
    skipped: set[tuple[str, str, str]] = set()
    case = explanation.case
    while case is not None and len(taken) < most:
        choice = next(
            (c for c in explanation.next if _key(c) not in skipped and "lifted" not in c.measurement.state), None
        )
        if choice is None:
            break
        try:
            value = measure(choice)
        except StopAsking:
            break
        skipped.add(_key(choice))
        if value is None:
            continue
        taken.append(Taken(choice, value))
        case = with_reading(case, _observed(choice, value))
        explanation = _again(case, explanation, pairs)
    return explanation, taken


def _key(choice: Choice) -> tuple[str, str, str]:
    return choice.measurement.point, choice.measurement.quantity, choice.measurement.state


def _again(case: Case, before: Explanation, pairs: bool) -> Explanation:
    return replace(explain_case(case, pairs=pairs, shared=before.common), notes=before.notes)


def _observed(choice: Choice, value: float) -> Observation:
    m = choice.measurement
    net = str(m.detail["net"])
    if m.quantity == VOLTS:
        u = 1e-3 + 5e-4 * abs(value)
        reading = Reading(net, VOLTS, value, "V", u=u, state=m.state, says="typed in")
        return Observation(net, VOLTS, BenchState.parse(m.state), value, math.hypot(u, 3e-3), 0, reading)
    top = float(m.detail.get("top", 12e3))
    seen = min(max(value, 0.05), top)
    reading = Reading(net, m.quantity, None if value > top else value, "Ω", state=m.state, says="typed in")
    return Observation(
        net, OHMS, BenchState.parse(m.state), math.log10(seen), 0.05, 0, reading, turned=m.quantity == REVERSED,
        top=top, test_amps=1e-4, open_volts=9.0,
    )  # fmt: skip
