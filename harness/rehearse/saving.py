"""What would have saved a part that burned: a lower limit, a slower ramp, another order - each tried by running it.

A change counts only when the run with it no longer burns the part and the fault-free board still passes as before.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from harness.rehearse.trial import Burn, Shared, Trial, run_trial
from instruments.quantity import show

if TYPE_CHECKING:
    from harness.describe.sequence import Sequence as StepSequence
    from instruments.virtual.circuit import Fault

LOWER: Final = (0.5, 0.25, 0.1)


def saved_by(sequence: StepSequence, good: Trial, faults: list[Fault], burn: Burn, shared: Shared) -> str | None:
    """The first change, in order of effort, that saves the part; None where none that is known does."""
    for says, changed in _changes(sequence, burn.step):
        trial = run_trial(changed, faults, shared)
        if any(found.part == burn.part and found.rating == burn.rating for found in trial.burns):
            continue
        again = run_trial(changed, [], shared)
        if len(again.steps) == len(good.steps) and sorted(again.steps.values()) == sorted(good.steps.values()):
            return says
    return None


def _changes(sequence: StepSequence, number: int) -> Iterator[tuple[str, StepSequence]]:
    """(in words, the sequence) for each change of the power-on step in force at a step."""
    power = _power_step(sequence, number)
    if power is None:
        return
    index, step = power
    for share in LOWER:
        limit = step.limit * share
        yield f"limit {show(limit, 'A')} at {step.supply}", _with(sequence, index, limit=limit)
    earlier = _moved_up(sequence, index, number)
    if earlier is not None:
        yield earlier
    for later in _supplies_after(sequence, index):
        yield f"{sequence.steps[later].supply} before {step.supply}", _swapped(sequence, index, later)


def _power_step(sequence: StepSequence, number: int) -> tuple[int, Any] | None:
    for index in range(min(number, len(sequence.steps)) - 1, -1, -1):
        if sequence.steps[index].do == "power on":
            return index, sequence.steps[index]
    return None


def _with(sequence: StepSequence, index: int, **changed: Any) -> StepSequence:
    steps = list(sequence.steps)
    steps[index] = steps[index].model_copy(update=changed)
    return replace(sequence, steps=tuple(steps))


def _moved_up(sequence: StepSequence, power: int, number: int) -> tuple[str, StepSequence] | None:
    """The isolation check right behind the power-on, stopping when it fails."""
    for index in range(power + 1, len(sequence.steps)):
        step = sequence.steps[index]
        if step.do == "power off":
            return None
        if step.do == "isolation" and index + 1 < number:
            return "on_fail = \"stop\" at the isolation check", _with(sequence, index, on_fail="stop")
    return None


def _supplies_after(sequence: StepSequence, index: int) -> list[int]:
    name = sequence.steps[index].supply
    return [
        later
        for later in range(index + 1, len(sequence.steps))
        if sequence.steps[later].do == "power on" and sequence.steps[later].supply != name
    ]


def _swapped(sequence: StepSequence, first: int, second: int) -> StepSequence:
    """The blocks "power on … power off" of two supplies change places."""
    steps = list(sequence.steps)
    a, b = _block(steps, first), _block(steps, second)
    moved = steps[: a[0]] + steps[b[0] : b[1]] + steps[a[1] : b[0]] + steps[a[0] : a[1]] + steps[b[1] :]
    return replace(sequence, steps=tuple(moved))


def _block(steps: list[Any], first: int) -> tuple[int, int]:
    for index in range(first, len(steps)):
        if steps[index].do == "power off":
            return first, index + 1
    return first, len(steps)
