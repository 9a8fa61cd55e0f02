"""What is rehearsed: a sequence, how the fault-free board goes through it, and the judgement on a set of faults.

    job = Job(sequence, planted)             runs the fault-free board
    job.judge([parse_fault("D3:reversed")])

A job is made once. Where worker processes can inherit it they do, and find the compiled circuit, the limits that were
predicted and the fault-free points ready; elsewhere each makes its own from the sequence's file.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

from wakeboard.harness.rehearse.reach import Reach, Sight
from wakeboard.harness.rehearse.saving import Saving
from wakeboard.harness.rehearse.trial import Burn, Shared, Trial, fault_free, run_trial

if TYPE_CHECKING:
    from wakeboard.harness.describe.sequence.sequence import Sequence as StepSequence
    from wakeboard.instruments.virtual.circuit import Fault


@dataclass(frozen=True)
class Judged:
    """One set of faults. step: the first that shows it, None where none does; then sight: the cheapest measurement to
    add, None where no reading moves. burn: the worst of what the fault-free board does not burn; rescue: what saves
    it."""

    trial: Trial
    step: int | None
    sight: Sight | None = None
    burn: Burn | None = None
    rescue: str | None = None

    @property
    def missed(self) -> bool:
        return self.step is None and not self.trial.error

    def of(self, faults: Sequence[Fault]) -> Judged:
        """The same judgement on faults that the circuit cannot tell from these."""
        return replace(self, trial=replace(self.trial, faults=tuple(str(fault) for fault in faults)))


class Job:
    """See above. save: look for what would have saved a burned part (runs the sequence again). bleed: whether the bench
    has a known resistor that can be put across a point."""

    def __init__(
        self, sequence: StepSequence, planted: Sequence[Sequence[Fault]], *, save: bool = True, bleed: bool = True
    ) -> None:
        self.sequence = sequence
        self.planted = planted
        self.save = save
        self.bleed = bleed
        self.shared = Shared(sequence.board, planted, bleed)
        self._course = fault_free(sequence, self.shared)
        self.good = self._course.trial
        self._burns_anyway = {(burn.part, burn.rating) for burn in self.good.burns}

    @cached_property
    def reach(self) -> Reach:
        return Reach(self.sequence.board, self.planted, self.bleed)

    @cached_property
    def _saving(self) -> Saving:
        return Saving(self.sequence, self.good, self.shared)

    def judge(self, planted: Sequence[Sequence[Fault]]) -> list[Judged]:
        """A judgement on each set of faults; those that the sequence misses are looked for in one batch."""
        trials = [run_trial(self.sequence, faults, self.shared, self._course) for faults in planted]
        judged = [self._judged(faults, trial) for faults, trial in zip(planted, trials, strict=True)]
        missed = [k for k, each in enumerate(judged) if each.missed]
        if missed:
            shows = self.reach.shows([planted[k] for k in missed])
            for k, margins in zip(missed, shows, strict=True):
                judged[k] = replace(judged[k], sight=self.reach.cheapest(margins, self.good.states))
        return judged

    def _judged(self, faults: Sequence[Fault], trial: Trial) -> Judged:
        step = None if trial.error else trial.caught_at(self.good)
        fresh = [burn for burn in trial.burns if (burn.part, burn.rating) not in self._burns_anyway]
        if not fresh:
            return Judged(trial, step)
        burn = max(fresh, key=lambda found: found.reached / found.allowed)
        rescue = self._saving.saved_by(list(faults), trial, burn) if self.save else None
        return Judged(trial, step, burn=burn, rescue=rescue)
