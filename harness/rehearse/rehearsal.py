"""`rehearse`: every fault planted in turn, each judged caught, escaped, equivalent or burned."""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from wakeboard.harness.describe.sequence.steps import step_kinds
from wakeboard.harness.rehearse.job import Job, Judged
from wakeboard.harness.rehearse.pool import Progress, judge_all
from wakeboard.harness.rehearse.reach import Sight, fault_library
from wakeboard.harness.rehearse.trial import Burn, Trial
from wakeboard.instruments.virtual.circuit.faults.alike import alike

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.describe.sequence.sequence import Sequence as StepSequence
    from wakeboard.instruments.virtual.circuit import Fault


class NoRehearsal(ValueError):
    """The virtual bench could not even take the fault-free board through the sequence."""


@dataclass(frozen=True)
class Caught:
    fault: str
    step: int
    name: str


@dataclass(frozen=True)
class Escaped:
    fault: str
    cheapest: Sight | None
    read_at: int | None = None
    """The step that takes this reading already, with a limit that is too wide."""


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

    def as_json(self) -> dict[str, object]:
        """The document of `wakeboard rehearse --json`."""
        return {
            "sequence": self.sequence,
            "faults": self.faults,
            "caught": [{"fault": c.fault, "step": c.step, "name": c.name} for c in self.caught],
            "escaped": [
                {
                    "fault": e.fault,
                    "cheapest": _sight(e)
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


def _sight(escaped: Escaped) -> dict[str, object]:
    sight = escaped.cheapest
    assert sight is not None
    return {
        "point": sight.point, "state": sight.state, "quantity": sight.quantity,
        "within": list(sight.within) if sight.within else None, "read_at": escaped.read_at,
    }  # fmt: skip


def rehearse(
    sequence: StepSequence,
    planted: Sequence[Sequence[Fault]] | None = None,
    *,
    workers: int | None = None,
    progress: Progress | None = None,
    save: bool = True,
    on: str | None = None,
    keep: str | None = None,
    bleed: bool = True,
) -> Rehearsal:
    """Plant each set of faults (default: every single fault of the library) and judge. Raises CircuitError, ValueError.

    save: look for what would have saved a burned part (runs the sequence again). on: "local" or the address of a
    scheduler (spread.py); keep: a file of what is done. Raises SpreadError with those. bleed: whether the bench has a
    known resistor (not with on and keep).
    """
    begun = time.perf_counter()
    board = sequence.board
    sets = [[fault] for fault in fault_library(board)] if planted is None else [list(each) for each in planted]
    job = Job(sequence, sets, save=save, bleed=bleed)
    if job.good.error:
        raise NoRehearsal(f"the board as drawn could not be taken through {sequence.file}: {job.good.error}")
    result = Rehearsal(sequence.title, job.good)
    for judged in _judged(job, sets, _engine(workers, on, keep), progress):
        _sort_in(result, judged, job)
    result.seconds = time.perf_counter() - begun
    return result


Engine = Callable[[Job, Sequence[Sequence["Fault"]], Progress], list[Judged]]
"""What judges every set of faults, in their order."""


def _engine(workers: int | None, on: str | None, keep: str | None) -> Engine:
    if on is None and keep is None:
        return lambda job, sets, told: judge_all(job, sets, workers=workers, progress=told)
    from wakeboard.harness.rehearse.spread import judge_spread

    return lambda job, sets, told: judge_spread(job, sets, on=on or "local", workers=workers, keep=keep, progress=told)


def drawn_sets(board: Board, count: int, at_once: int, seed: int) -> list[list[Fault]]:
    """So many sets of different faults, drawn from the library at random."""
    library = fault_library(board)
    drawn = random.Random(seed)
    return [drawn.sample(library, at_once) for _ in range(count)]


def _judged(job: Job, sets: Sequence[Sequence[Fault]], engine: Engine, progress: Progress | None) -> Iterator[Judged]:
    """A judgement on each set of faults. Of those that a settled circuit cannot tell apart one is run, where no step
    looks at anything else."""
    kinds = _kinds(job, sets)
    first = {kind: sets[k] for k, kind in reversed(list(enumerate(kinds)))}

    def told(done: int, total: int) -> None:
        if progress is not None:
            progress(done * len(sets) // total, len(sets))

    found = dict(zip(first, engine(job, list(first.values()), told), strict=True))
    return (found[kind].of(faults) for kind, faults in zip(kinds, sets, strict=True))


def _kinds(job: Job, sets: Sequence[Sequence[Fault]]) -> list[Hashable]:
    """Equal for sets of faults of which one is run for all."""
    if any(step_kinds()[step.do].needs.in_time for step in job.sequence.steps):
        return [tuple(sorted(map(str, faults))) for faults in sets]
    return [alike(job.shared.prepared.circuit, faults) for faults in sets]


def _sort_in(result: Rehearsal, judged: Judged, job: Job) -> None:
    trial, name = judged.trial, " ".join(judged.trial.faults)
    if trial.error:
        result.broken.append((name, trial.error))
    elif judged.step is not None:
        result.caught.append(Caught(name, judged.step, trial.names.get(judged.step, "")))
    elif judged.sight is not None:
        result.escaped.append(Escaped(name, judged.sight, job.reach.read_already(judged.sight, job.good)))
    else:
        result.equivalent.append(name)
    if judged.burn is not None:
        result.burned.append(Burned(name, judged.burn, trial.names.get(judged.burn.step, ""), judged.rescue))
