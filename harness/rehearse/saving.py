"""What would have saved a part that burned: a check, a limit, a ramp, another order - each tried by running it again.

A change counts only when the run with it no longer burns the part and the fault-free board does as well as before.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

from wakeboard.harness.describe.sequence.steps import needs_of, step_kinds
from wakeboard.harness.rehearse.trial import SEVERITY, Burn, Shared, Trial, run_trial
from wakeboard.instruments.quantity import show

if TYPE_CHECKING:
    from wakeboard.harness.describe.sequence.sequence import Sequence as StepSequence
    from wakeboard.instruments.virtual.circuit import Fault

LOWER: Final = (0.5, 0.25, 0.1)  # of the step's own current limit, tried in turn
SLOWER: Final = (0.1, 0.1)  # V every s


@dataclass
class Saving:
    """Looks for what saves the parts of one sequence; what a change does to the fault-free board is tried once."""

    sequence: StepSequence
    good: Trial
    shared: Shared
    _harmless: dict[str, bool] = field(default_factory=dict)

    def saved_by(self, faults: list[Fault], trial: Trial, burn: Burn) -> str | None:
        """The first change, in order of effort, that saves the part; None where none that is known does."""
        for says, changed in _changes(self.sequence, self.good, trial, burn.step):
            again = run_trial(changed, faults, self.shared)
            burned = any(found.part == burn.part and found.rating == burn.rating for found in again.burns)
            if not burned and not again.error and self._does_no_harm(says, changed):
                return says
        return None

    def _does_no_harm(self, says: str, changed: StepSequence) -> bool:
        if says not in self._harmless:
            self._harmless[says] = _as_well(run_trial(changed, [], self.shared), self.good)
        return self._harmless[says]


def _as_well(again: Trial, good: Trial) -> bool:
    """Whether the fault-free board comes as far as before with no outcome worse than it had already."""
    before, after = Counter(good.steps.values()), Counter(again.steps.values())
    worse = any(after[outcome] > before[outcome] for outcome, weight in SEVERITY.items() if weight)
    return not worse and len(again.steps) >= len(good.steps) and not again.burns


def _changes(sequence: StepSequence, good: Trial, trial: Trial, number: int) -> Iterator[tuple[str, StepSequence]]:
    """(in words, the sequence) for each change that may save a part which burned in step `number`."""
    warned = trial.caught_at(good)
    if warned is not None and warned < number:
        name = trial.names.get(warned, "")
        yield f'on_fail = "stop" in step {warned}, {name}', _with(sequence, warned - 1, on_fail="stop")
    power = _power_step(sequence, number)
    if power is None:
        return
    index, step = power
    for share in LOWER:
        limit = step.limit * share
        yield f"limit {show(limit, 'A')} at {step.supply}", _with(sequence, index, limit=limit)
    yield _slower(sequence, index)
    for later in _supplies_after(sequence, index):
        yield f"{sequence.steps[later].supply} before {step.supply}", _swapped(sequence, index, later)
    yield _checked_first(sequence)


def _power_step(sequence: StepSequence, number: int) -> tuple[int, Any] | None:
    for index in range(min(number, len(sequence.steps)) - 1, -1, -1):
        if _energises(sequence.steps[index]):
            return index, sequence.steps[index]
    return None


def _energises(step: Any) -> bool:
    """Whether its kind switches an output on, of which supply its `supply` says."""
    return needs_of(step.do).energises and hasattr(step, "supply")


def _with(sequence: StepSequence, index: int, **changed: object) -> StepSequence:
    steps = list(sequence.steps)
    steps[index] = steps[index].model_copy(update=changed)
    return replace(sequence, steps=tuple(steps))


def _slower(sequence: StepSequence, index: int) -> tuple[str, StepSequence]:
    from wakeboard.harness.describe.sequence.step_model import Climb

    volts, seconds = SLOWER
    ramp = Climb(volts=volts, seconds=seconds)
    says = f"ramp {show(volts, 'V')} every {show(seconds, 's')} at {sequence.steps[index].supply}"
    return says, _with(sequence, index, ramp=ramp)


def _checked_first(sequence: StepSequence) -> tuple[str, StepSequence]:
    """Every point's unpowered resistance against the circuit, before anything is energised."""
    table = {"do": "resistance", "of": "every point", "limits_from": "circuit", "on_fail": "stop"}
    step = step_kinds()["resistance"].Model.model_validate(table)
    first = next(index for index, each in enumerate(sequence.steps) if _energises(each))
    steps = (*sequence.steps[:first], step, *sequence.steps[first:])
    says = f'resistance of every point with limits_from = "circuit" before {sequence.steps[first].supply} is on'
    return says, replace(sequence, steps=steps)


def _supplies_after(sequence: StepSequence, index: int) -> list[int]:
    name = sequence.steps[index].supply
    return [
        later
        for later in range(index + 1, len(sequence.steps))
        if _energises(sequence.steps[later]) and sequence.steps[later].supply != name
    ]


def _swapped(sequence: StepSequence, first: int, second: int) -> StepSequence:
    """The blocks from on to off of two supplies change places."""
    steps = list(sequence.steps)
    a, b = _block(steps, first), _block(steps, second)
    moved = steps[: a[0]] + steps[b[0] : b[1]] + steps[a[1] : b[0]] + steps[a[0] : a[1]] + steps[b[1] :]
    return replace(sequence, steps=tuple(moved))


def _block(steps: list[Any], first: int) -> tuple[int, int]:
    for index in range(first, len(steps)):
        if needs_of(steps[index].do).ends:
            return first, index + 1
    return first, len(steps)
