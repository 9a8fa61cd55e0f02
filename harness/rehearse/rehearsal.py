"""`rehearse`: every fault planted in turn, each judged caught, escaped, equivalent or burned."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from harness.rehearse.pool import run_trials
from harness.rehearse.reach import Reach, Sight, fault_library
from harness.rehearse.saving import Saving
from harness.rehearse.trial import Burn, Shared, Trial

if TYPE_CHECKING:
    from harness.describe.sequence import Sequence as StepSequence
    from instruments.virtual.circuit import Fault


class NoRehearsal(ValueError):
    """The virtual bench could not even take the fault-free board through the sequence."""

    exit_code = 3


@dataclass(frozen=True)
class Caught:
    fault: str
    step: int
    name: str


@dataclass(frozen=True)
class Escaped:
    fault: str
    cheapest: Sight | None


@dataclass(frozen=True)
class Burned:
    fault: str
    burn: Burn
    name: str
    saved_by: str | None


@dataclass
class Rehearsal:
    """The four lists, and how the fault-free board itself did."""

    sequence: str
    good: Trial
    caught: list[Caught] = field(default_factory=list)
    escaped: list[Escaped] = field(default_factory=list)
    equivalent: list[str] = field(default_factory=list)
    burned: list[Burned] = field(default_factory=list)
    broken: list[tuple[str, str]] = field(default_factory=list)
    """Trials that the virtual bench itself could not run to an answer: (fault, why)."""
    seconds: float = 0.0

    @property
    def faults(self) -> int:
        return len(self.caught) + len(self.escaped) + len(self.equivalent) + len(self.broken)

    @property
    def coverage(self) -> float | None:
        """Share of the non-equivalent faults that is caught; None where there are none."""
        total = len(self.caught) + len(self.escaped)
        return len(self.caught) / total if total else None

    def as_json(self) -> dict[str, Any]:
        """The document of `wakeboard rehearse --json`."""
        return {
            "sequence": self.sequence,
            "faults": self.faults,
            "caught": [{"fault": c.fault, "step": c.step, "name": c.name} for c in self.caught],
            "escaped": [
                {
                    "fault": e.fault,
                    "cheapest": {"point": e.cheapest.point, "state": e.cheapest.state, "quantity": e.cheapest.quantity}
                    if e.cheapest
                    else None,
                }
                for e in self.escaped
            ],
            "equivalent": self.equivalent,
            "burned": [
                {
                    "fault": b.fault, "part": b.burn.part, "rating": b.burn.rating, "reached": b.burn.reached,
                    "allowed": b.burn.allowed, "step": b.burn.step, "saved_by": b.saved_by,
                }
                for b in self.burned
            ],
            "broken": [{"fault": fault, "says": says} for fault, says in self.broken],
            "good": {"outcome": self.good.outcome, "burned": [b.part for b in self.good.burns]},
            "coverage": self.coverage,
            "seconds": self.seconds,
        }  # fmt: skip


Progress = Callable[[int, int], None]


def rehearse(
    sequence: StepSequence,
    planted: Sequence[Sequence[Fault]] | None = None,
    *,
    workers: int | None = None,
    progress: Progress | None = None,
    save: bool = True,
) -> Rehearsal:
    """Plant each set of faults (default: every single fault of the library) and judge. Raises CircuitError, ValueError.

    save: look for what would have saved a burned part (runs the sequence again).
    """
    begun = time.perf_counter()
    board = sequence.board
    sets = [[fault] for fault in fault_library(board)] if planted is None else [list(each) for each in planted]
    texts: list[list[str]] = [[], *([str(fault) for fault in each] for each in sets)]
    good, *trials = run_trials(sequence.file, texts, workers=workers, progress=progress)
    if good.error:
        raise NoRehearsal(f"the board as drawn could not be taken through {sequence.file}: {good.error}")
    result = Rehearsal(sequence.title, good)
    missed: list[int] = []
    for k, trial in enumerate(trials):
        name = " ".join(trial.faults)
        step = trial.caught_at(good)
        if trial.error:
            result.broken.append((name, trial.error))
        elif step is not None:
            result.caught.append(Caught(name, step, trial.names.get(step, "")))
        else:
            missed.append(k)
    if missed:
        _judge_missed(result, Reach(board), [sets[k] for k in missed], good)
    _judge_burned(result, sequence, sets, trials, save)
    result.seconds = time.perf_counter() - begun
    return result


def _judge_missed(result: Rehearsal, reach: Reach, missed: Sequence[Sequence[Fault]], good: Trial) -> None:
    """Faults that the sequence does not see: equivalent where no reachable reading moves, escaped otherwise."""
    shows = reach.shows(missed)
    for faults, margins in zip(missed, shows, strict=True):
        name = " ".join(str(fault) for fault in faults)
        sight = reach.cheapest(margins, good.states)
        if sight is None:
            result.equivalent.append(name)
        else:
            result.escaped.append(Escaped(name, sight))


def _judge_burned(
    result: Rehearsal, sequence: StepSequence, sets: Sequence[list[Fault]], trials: Sequence[Trial], save: bool
) -> None:
    """Parts that a fault burned and the fault-free board does not, the worst of each trial; what would save it."""
    known = {(burn.part, burn.rating) for burn in result.good.burns}
    saving: Saving | None = None
    for faults, trial in zip(sets, trials, strict=True):
        fresh = [burn for burn in trial.burns if (burn.part, burn.rating) not in known]
        if not fresh:
            continue
        burn = max(fresh, key=lambda found: found.reached / found.allowed)
        if save and saving is None:
            saving = Saving(sequence, result.good, Shared(sequence.board))
        rescue = saving.saved_by(faults, trial, burn) if saving is not None else None
        result.burned.append(Burned(" ".join(trial.faults), burn, trial.names.get(burn.step, ""), rescue))
