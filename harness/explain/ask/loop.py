"""Goes on: names the measurement that tells most, has it taken, looks again.

    go_on(explanation, talks)                      a person measures and types each value
    at_bench(explanation, store=…, described=…)    the bench measures: its supplies, relays, console and guard

Ends when one group of explanations is left, when no safe measurement tells more, or when the person stops. What is
typed in is used for this explanation only: it is no reading of a run, so it is not stored. What a bench reads is kept
as a run of its own (follow_ups.py), and a later explanation takes it in.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Protocol

from wakeboard.harness.explain.choose.least_effort import Choice
from wakeboard.harness.explain.evidence.observe import VOLTS, Observation, sigma_at
from wakeboard.harness.explain.explaining import explain_case, next_choices
from wakeboard.harness.explain.explanation import Explanation
from wakeboard.harness.explain.telling import choice_text, tell
from wakeboard.harness.explain.unit.cases import CannotExplain, Case, with_reading
from wakeboard.instruments.quantity import QuantityError, parse, show

if TYPE_CHECKING:
    from wakeboard.harness.describe.bench import Bench
    from wakeboard.harness.explain.ask import inquiry
    from wakeboard.harness.run.hand.operator import Operator
    from wakeboard.harness.run.runner import Result
    from wakeboard.results.records import RunRecord
    from wakeboard.results.store.store import Store

MOST = 12
"""Measurements after which it stops in any case."""


class Talks(Protocol):
    """Where it is said and asked (the command line's common options)."""

    @property
    def interactive(self) -> bool: ...

    def say(self, text: str = "") -> None: ...
    def ask(self, question: str, default: str) -> str: ...


class NobodyThere(ValueError):
    """There is nobody to measure."""


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
        unit = "V" if choice.measurement.quantity == VOLTS else "Ω"
        talks.say(f"\n{_state_first(choice)}")
        while True:
            text = talks.ask(f"{choice_text(choice)}\n  reading (such as 1.27 V; over; skip; stop)", "stop")
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
    if not taken:  # the answer that stands above is all of it
        return after
    talks.say("")
    for each in taken:
        talks.say(f"taken: {each.choice.measurement.does}: {each.value:g}")
    for line in tell(after):
        talks.say(line)
    return after


def _state_first(choice: Choice) -> str:
    """What is to have power, under which limit, before hands go to the board."""
    state = choice.measurement.detail["observation"].state
    on = [f"{name} on, {show(volts, 'V')}, limit {show(amps, 'A')}" for name, (volts, amps) in state.supplies.items()]
    if not on:
        return "State: all outputs off, and discharged."
    pins = [f"{pin} driven {level}" for pin, level in state.pins.items()]
    return f"State: {'; '.join(on + pins)}. Probes off the board and hands clear while power goes on."


class StopAsking(Exception):
    """The person has had enough."""


def pursue(
    explanation: Explanation, measure: Callable[[Choice], float | None], *, pairs: bool = True, most: int = MOST
) -> tuple[Explanation, list[Taken]]:
    """Measure what tells most until one group is left. measure: the value, None to skip; raises StopAsking to end.

    Lifted parts are proposed to a person only: what is measured then belongs to another board.
    """
    taken: list[Taken] = []
    skipped: set[tuple[str, str, str, str]] = set()
    case = explanation.case
    while case is not None and len(taken) < most:
        choice = _first(explanation, skipped)
        if choice is None:
            break
        try:
            value = measure(choice)
        except StopAsking:
            break
        skipped.add(choice.measurement.key)
        if value is None:
            continue
        taken.append(Taken(choice, value))
        case = with_reading(case, _observed(choice, value))
        explanation = _again(case, explanation, pairs)
    return explanation, taken


def _first(explanation: Explanation, skipped: set[tuple[str, str, str, str]]) -> Choice | None:
    """The best that was not skipped and lifts no part: among those at hand, else among all."""
    for choice in explanation.next:
        if choice.measurement.key not in skipped and "lifted" not in choice.measurement.state:
            return choice
    further = next_choices(explanation, 1, lambda m: m.key not in skipped and "lifted" not in m.state)
    return further[0] if further else None


@dataclass(frozen=True)
class Asked:
    """What a bench was asked for. result: the run that it was kept as, None where nothing was left to ask; refused:
    why proposals were not measured -> how many."""

    explanation: Explanation
    taken: Sequence[inquiry.Taken] = ()
    result: Result | None = None
    refused: Mapping[str, int] = field(default_factory=dict)

    def as_json(self) -> dict[str, object]:
        """The entry "asked" beside the keys of the explanation."""
        record = self.result.record if self.result is not None else None
        return {
            "run": record.id if record else None, "outcome": record.outcome if record else None,
            "outputs_off": record.outputs_off if record else None,
            "taken": [
                {**taken.choice.told().as_json(), "readings": [r.as_json() for r in taken.readings]}
                for taken in self.taken
            ],
            "refused": dict(self.refused),
        }  # fmt: skip


def at_bench(
    explanation: Explanation,
    *,
    store: Store,
    described: Bench | None = None,
    operator: Operator | None = None,
    tell: Callable[[Explanation, Choice | None], None] = lambda _explanation, _next: None,
    pairs: bool = True,
    **manner: Any,
) -> Asked:
    """Have the bench measure what tells most until one group is left; kept in the store for the explained run's unit.

    described: the bench file; None: the virtual bench, with what was planted in the run. tell: called with each new
    explanation and what is measured next. manner: further keywords of `session.take_unit`. Everything is off when it
    returns, or the result says that it is not confirmed. Raises CannotExplain, and BenchError where the bench cannot be
    opened.
    """
    from wakeboard.harness.describe.sequence.sequence import Sequence as StepSequence
    from wakeboard.harness.explain.ask.bench_states import Ways
    from wakeboard.harness.explain.ask.inquiry import Inquiry
    from wakeboard.harness.explain.unit.follow_ups import sequence_text
    from wakeboard.harness.run.session import take_unit
    from wakeboard.results.records import ASKED

    case = explanation.case
    if case is None:
        raise CannotExplain(f"{explanation.board} has no [parts]: without a circuit nothing says what to measure next")
    run, board = case.run, case.model.board
    _must_be_as_it_was(run, store, described is None)
    if not next_choices(explanation):
        return Asked(explanation)
    asks = Inquiry(
        explanation, Ways.of(run, board), tell, pairs,
        links=None if described is None else frozenset(described.links), helped=operator is not None,
    )  # fmt: skip
    result = take_unit(
        StepSequence(ASKED, board, (), text=sequence_text(run)),
        unit=run.unit,
        described=described,
        plants=tuple(run.start.plants) if described is None else (),
        store=store,
        operator=operator,
        more=asks,
        **manner,
    )
    return Asked(asks.finish(result.record.steps), asks.taken, result, asks.refused)


def _must_be_as_it_was(run: RunRecord, store: Store, virtual: bool) -> None:
    """Raises CannotExplain where the unit on the bench would not be the one that was measured."""
    now = [each.text for each in store.rework_in_force(run.unit, run.board)]
    if now != [each.text for each in run.rework]:
        raise CannotExplain(
            f"{run.unit} was reworked since run {run.id[:8]}: what is measured now belongs to another circuit. Take it "
            "through its sequence again, then explain that run"
        )
    if virtual and not run.start.virtual:
        raise CannotExplain(
            f"run {run.id[:8]} was taken on a real bench, and the virtual one does not have that board: give its bench "
            "file with --bench"
        )


def _again(case: Case, before: Explanation, pairs: bool) -> Explanation:
    after = explain_case(case, before.others, pairs=pairs, reference=before.reference)
    return replace(after, notes=before.notes)


def _observed(choice: Choice, value: float) -> Observation:
    """What was typed in as an observation. value: what the meter shows, V or Ω, of both where a resistor stands across;
    inf for more than its range."""
    wanted: Observation = choice.measurement.detail["observation"]
    if wanted.quantity == VOLTS:
        reading = replace(wanted.reading, value=value, u=1e-3 + 5e-4 * abs(value), says="typed in")
        made = replace(wanted, y=value, reading=reading)
    else:
        y = wanted.counted(value if wanted.shunt is None else min(value, wanted.shunt))
        ohms = wanted.ohms_of(y)
        reading = replace(wanted.reading, value=ohms if math.isfinite(ohms) else None, says="typed in")
        made = replace(wanted, y=y, reading=reading)
    return replace(made, sigma=sigma_at(made, made.y))
