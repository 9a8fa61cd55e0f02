"""A runner of a rehearsal: it knows how the fault-free board went, and ends where there is nothing more to learn.

A rehearsal asks of a run which step shows the fault first, and what burns. Once a step has shown it only a burn could
still count. So what the fault-free board's run had yet to come to is solved for this board in the same order, without
the bench, the guard and the readings around it. Where no part comes near a rating in any of it the run ends there. Else
it has to be made in full: what burns, when and how far depends on what the faulty board's own run does next.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Protocol

from wakeboard.harness.run.runner import Result, Runner
from wakeboard.instruments.virtual.circuit import CircuitError, SolveError

if TYPE_CHECKING:
    from wakeboard.harness.describe.sequence.sequence import Sequence as StepSequence
    from wakeboard.harness.run.bench.bench import OpenBench
    from wakeboard.harness.run.predict import CircuitLimits
    from wakeboard.instruments.virtual.time.instant import Heard, Instant
    from wakeboard.results.records import RunStart, Step


class Before(Protocol):
    """How another board went before. ahead: after each step, how the bench still came to stand."""

    @property
    def ahead(self) -> Mapping[int, Sequence[Heard]]: ...

    def shows(self, step: Step) -> bool:
        """Whether a step shows more than it did there."""


class Followed(Runner):
    """past: after each step, in how many states the circuit was looked at. may_burn: the run has shown its fault, and
    has to be made in full all the same. result: set by who runs it."""

    result: Result

    def __init__(
        self, sequence: StepSequence, bench: OpenBench, start: RunStart, predictor: CircuitLimits, circuit: Instant,
        before: Before | None,
    ) -> None:  # fmt: skip
        super().__init__(sequence, bench, start, predictor=predictor)
        self.past: dict[int, int] = {}
        self.may_burn = False
        self._circuit = circuit
        self._before = before

    def take(self, model: Any) -> Step:
        step = super().take(model)
        self.past[step.number] = len(self._circuit.course)
        if self._before is not None and not self.ended_by and self._before.shows(step):
            self.may_burn = self._could_burn(self._before.ahead.get(step.number, ()))
            self.ended_by = "it has shown"
        return step

    def _could_burn(self, ahead: Sequence[Heard]) -> bool:
        try:
            return self._circuit.nears_a_rating(ahead)
        except (CircuitError, SolveError):
            return True
