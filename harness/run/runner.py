"""The runner: one unit through one sequence.

Invariants, which hold whatever a step, an instrument, a person or the operating system does:

1. Nothing is energised before every output of the off-list was switched off and said to be off.
2. Nothing is energised without a current limit, nor before its check for a short has passed, unless the step says why.
3. When `run` returns or raises, every output was commanded off, and the record says whether that was confirmed.
4. A step is committed before the next one begins; what a step measured before it was broken off is committed too, also
   where a press comes while it is written down: then the outputs go off first, and the step is written down after.
5. A bench that fails gives the outcome "error", never "fail": it says nothing of the board.
6. After a trip nothing is switched on again in this run.
7. However often a person presses Ctrl-C, or a signal says the same: 3 holds. The first press ends the steps, wherever
   in the code it came, one more the measuring of the discharge. One that came when the steps were over is told.
8. The discharge of each rail is measured before a person is told to touch, where the meter still answers.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from wakeboard.harness.describe.sequence.steps import StepKind, step_kinds
from wakeboard.harness.run import presses
from wakeboard.harness.run.context import Context
from wakeboard.harness.run.decide import worst
from wakeboard.harness.run.errors import OperatorStop, Refused, Tripped, own_fault, power_cut
from wakeboard.harness.run.fitness.atrest import check_at_rest
from wakeboard.harness.run.guard.owner import OffReport
from wakeboard.harness.run.predict import CircuitLimits
from wakeboard.harness.run.record import NullRecorder
from wakeboard.harness.run.services import unmeasured
from wakeboard.harness.run.services.timing import KEEP_LEASE
from wakeboard.harness.run.steps import _discharge
from wakeboard.instruments.errors import BenchError
from wakeboard.results.records import STOPPED_SAYS, RunRecord, RunStart, Step, SupplyTrace, Trace, Trip

if TYPE_CHECKING:
    from wakeboard.harness.describe.sequence.sequence import Sequence as StepSequence
    from wakeboard.harness.describe.sequence.step_model import StepModel
    from wakeboard.harness.run.bench.bench import OpenBench
    from wakeboard.harness.run.ports import Observer, Recorder


SWITCHING = "switching the outputs off, and making sure that they are: please wait"
TOO_LATE = "Ctrl-C was pressed when the steps were over, while the outputs were switched off: it changed nothing"


@dataclass(frozen=True)
class Result:
    """How a run ended. error: what broke it off, None where it came to its end; off: the state of the outputs."""

    record: RunRecord
    error: BaseException | None
    off: OffReport

    @property
    def outcome(self) -> str:
        return self.record.outcome or "error"


class Runner:
    """Takes one unit through one sequence. Use `run` once."""

    def __init__(
        self,
        sequence: StepSequence,
        bench: OpenBench,
        start: RunStart,
        *,
        recorder: Recorder | None = None,
        observer: Observer | None = None,
        predictor: CircuitLimits | None = None,
        asker: Callable[[str, bool], str] | None = None,
        more: Callable[[Runner], StepModel | None] | None = None,
    ) -> None:
        """more: asked for a further step after the sequence's own, again and again, until it gives None."""
        self.sequence = sequence
        self._more = more
        self.bench = bench
        self.start = start
        self.recorder: Recorder = recorder or NullRecorder()
        self.observer = observer
        self.context = Context(
            sequence.board,
            bench,
            predictor=predictor or CircuitLimits(sequence.board),
            observer=observer,
            asker=asker,
            unit=start.unit,
            folder=os.path.dirname(os.path.abspath(sequence.file or "sequence.toml")),
        )
        self.steps: list[Step] = []
        self.error: BaseException | None = None
        self.trip: Trip | None = None
        self._charged = ""  # why nobody knows whether the board is discharged
        self.ended_by = ""  # why no further step is taken
        self.broken_off: OffReport | None = None  # what was said to be off when a step was broken off
        self._number = 0
        self._told: Step | None = None  # the record of the last step, as it is, or was to be, in the store
        self._run_id = ""
        self._started = 0.0
        self._notes: list[str] = []

    def run(self) -> Result:
        """Every step in order, then everything off. Raises what the recorder's `begin` raises, with nothing on yet."""
        with presses.guarded():
            return self._run()

    def _run(self) -> Result:
        self.begin()
        try:
            try:
                self._work()
                presses.look()
            finally:
                presses.hold(SWITCHING)
        except BaseException as error:  # noqa: BLE001  told in the result, after the power is off
            presses.hold(SWITCHING)
            self.break_off(error)
        return self.finish()

    # --- the same in pieces, for who brings the steps one by one (sitting.py) ---------------------------------------
    def begin(self) -> None:
        """The run is in the store; nothing was asked of the bench. Raises what the recorder raises."""
        self._run_id = self.recorder.begin(self.start)
        self._started = time.time()

    def make_ready(self) -> None:
        """Every output off, and said to be off. Raises BenchError."""
        report = self.context.guard.prove_off()
        if not report.confirmed:
            raise BenchError(f"{report.says()}; nothing was energised")
        for model in self.sequence.steps:
            if (before := step_kinds()[model.do].before) is not None:
                before(self.context, model)
        self._notes = check_at_rest(self.bench)

    def take(self, model: Any) -> Step:
        """One further step, committed. Where it ends the run, `ended_by` says why; then only `finish` is left."""
        number, kind = self._number + 1, step_kinds()[model.do]
        if self.observer is not None:
            self.observer.step_begins(number, max(number, len(self.sequence.steps)), model.title, kind.name)
        step = self._step(number, model, kind)
        if self.error is not None:
            self.ended_by = str(self.error) or type(self.error).__name__
        elif self._stops_after(step, model):
            self.ended_by = f"step {number}, {step.name}: {step.outcome}"
        return step

    def break_off(self, error: BaseException) -> None:
        """What ends the run before its last step."""
        presses.arrived()
        self.error = self.error or error
        self._note_trip(error)

    def finish(self) -> Result:
        """Everything off, whatever happened, and the run's end in the store."""
        off = self._make_safe()
        record = RunRecord(
            id=self._run_id,
            start=self.start,
            started=self._started,
            ended=time.time(),
            outcome=self._outcome(),
            outputs_off=off.confirmed,
            energised_s=self.context.guard.energised(),
            trip=self.trip,
            says=self._says(off),
            steps=tuple(self.steps),
        )
        return Result(self._ended(record), self.error, off)

    def _ended(self, record: RunRecord) -> RunRecord:
        """The record, as far as the store takes it: what fails there is told and hides nothing else."""
        try:
            self.recorder.end(
                record.outcome or "error",
                outputs_off=record.outputs_off,
                energised_s=record.energised_s or 0.0,
                trip=self.trip,
                says=record.says,
            )
        except Exception as error:  # noqa: BLE001
            self.error = self.error or error
            told = [*filter(None, (record.says,)), f"the run's end was not kept: {error}"]
            return replace(record, outcome="error", says="; ".join(told))
        return record

    # --- the steps --------------------------------------------------------------------------------------------------
    def _work(self) -> None:
        unknown = [model.do for model in self.sequence.steps if model.do not in step_kinds()]
        if unknown:  # a sequence that was made by hand, or read where the board's own kinds were known
            raise Refused(f'there is no step kind "{unknown[0]}"; known: {", ".join(step_kinds())}')
        self.make_ready()
        for model in self._models():
            self.take(model)
            if self.ended_by:
                return

    def _models(self) -> Iterator[object]:
        yield from self.sequence.steps
        while self._more is not None and (model := self._more(self)) is not None:
            yield model

    def _step(self, number: int, model: Any, kind: StepKind) -> Step:
        context, self._number = self.context, number
        context.begin(kind.stops)
        started = context.time.now
        try:
            return self._taken(number, model, kind, started)
        except BaseException as error:  # while the step was written down
            press = error if not isinstance(error, Exception) else presses.behind(error)
            if press is None or self.error is not None:
                raise
            self._broken(number, press)
            return self._keep_again(number) or self._commit(number, model.title, kind.name, started, press)

    def _taken(self, number: int, model: Any, kind: StepKind, started: float) -> Step:
        context = self.context
        broke: BaseException | None = None
        for note in self._notes:  # of the bench; with the first step
            context.log.say(note)
        self._notes = []
        try:
            kind.run(context, model)
            unmeasured.tell(context, model, kind)
        except BaseException as error:  # noqa: BLE001  committed with the step, then told
            broke = own_fault(kind.name, kind.own, error)
        if broke is not None:
            self._broken(number, broke)
        return self._commit(number, model.title, kind.name, started, broke)

    def _keep_again(self, number: int) -> Step | None:
        """The step whose keeping was broken off, as it was told; None where its record had not been made."""
        step = self._told
        if step is None or step.number != number:
            return None
        return step if step in self.steps[-1:] else self._keep(step)

    def _broken(self, number: int, error: BaseException) -> None:
        """The power goes off first, then the story is told."""
        presses.hold(SWITCHING)
        presses.arrived()
        self.error = error
        self.context.alive = False
        self._note_trip(error)
        with contextlib.suppress(Exception):
            self.broken_off = self.context.guard.all_off()
        if hasattr(error, "step") and not error.step:
            error.step = str(number)
        self.context.log.say(_in_words(error))

    def _note_trip(self, error: BaseException) -> None:
        """What the guard has cut the power for, in a step or between two."""
        if isinstance(error, Tripped) and self.trip is None:
            cut = error.cut
            self.trip = Trip(cut.rule, self._number, error.supply, _number(cut.volts), _number(cut.amps))

    def _commit(self, number: int, title: str, kind: str, started: float, broke: BaseException | None) -> Step:
        context = self.context
        self._note_relays(number, kind)
        step = Step(
            number=number,
            name=title,
            kind=kind,
            outcome=_outcome_of(context, broke),
            started=started,
            ended=context.time.now,
            readings=tuple(context.log.readings),
            says="; ".join(context.log.remarks),
            detail=context.log.detail,
            trace=self._trace(),
            traffic=self._traffic(),
        )
        with contextlib.suppress(Exception):  # a cut is told by the next step's first call
            context.guard.beat(KEEP_LEASE)
        self._told = step
        return self._keep(step)

    def _keep(self, step: Step) -> Step:
        self.recorder.commit(step)
        self.steps.append(step)
        if self.observer is not None:
            self.observer.step_ends(step)
        return step

    def _note_relays(self, number: int, kind: str) -> None:
        """With the last step: how often each relay that moved has moved in its life. Asking is also what makes some
        cards write their counts down (2700 User's Manual, p2-32)."""
        last = (self._more is None and number == len(self.sequence.steps)) or kind == _discharge.DONE
        if not last or self.bench.probing.by_hand or not self.bench.self_check:
            return
        with contextlib.suppress(BenchError):
            counts = self.bench.probing.counts()
            if counts:
                self.context.log.notes.relay_counts = counts

    def _stops_after(self, step: Step, model: Any) -> bool:
        if step.outcome not in ("fail", "tripped", "error"):
            return False
        stops: bool = model.on_fail == "stop" if model.on_fail is not None else self.context.stops
        return stops

    def _trace(self) -> Trace | None:
        try:
            tracks = self.context.guard.trace()
        except Exception:  # noqa: BLE001  a guard that died keeps its trace; the step is committed without
            return None
        if not tracks:
            return None
        begun = self.context.time.begun
        return Trace(
            {
                name: SupplyTrace([t - begun for t in track.times], track.volts, track.amps, track.limit, track.mode)
                for name, track in tracks.items()
            }
        )

    def _traffic(self) -> Sequence[tuple[float, str, str, str]]:
        begun = self.context.time.begun
        supplies = self.context.guard.traffic()  # first: it takes longer, and a press in it must lose nothing
        others = [(each.time, each.instrument, each.direction, each.text) for each in self.bench.take_traffic()]
        return [(at - begun, name, way, text) for at, name, way, text in sorted([*supplies, *others])]

    # --- the end ----------------------------------------------------------------------------------------------------
    def _make_safe(self) -> OffReport:
        """Everything off; then, where the run was broken off with the board charged, its discharge measured."""
        were_on = list(self.context.power.on)
        off = self._off()
        self.context.power.off_unknown = "" if off.confirmed else off.says()
        if were_on and off.confirmed:
            self.context.power.on.clear()
            self.context.power.pins.clear()
            self._discharge(were_on)
        return self._believed(self._last_look(off))

    def _last_look(self, off: OffReport) -> OffReport:
        """Outputs that were off a moment ago may have come back; that is the bench's failure, and no unit's."""
        guard = self.context.guard
        if off.confirmed:
            try:
                off = guard.look_again()
            except BaseException:  # noqa: BLE001  then as after any other failure
                off = self._off()
        if guard.came_on is not None and not isinstance(self.error, BenchError):
            self.error = power_cut("", guard.came_on)
        return off

    def _believed(self, off: OffReport) -> OffReport:
        """The guard has heard every supply say off; one that the meter has seen to be on is on."""
        context = self.context
        states = {
            **off.states,
            **dict.fromkeys(context.power.doubtful, "unknown"),
            **dict.fromkeys(context.power.lying, "on"),
        }
        return OffReport(states, {**off.errors, **context.power.doubtful, **context.power.lying}, off.remarks)

    def _off(self) -> OffReport:
        """Whatever is raised, it is tried again; unknown is not off."""
        told = ""
        for _ in range(3):
            try:
                return self.context.guard.all_off()
            except BaseException as error:  # noqa: BLE001
                told = str(error) or type(error).__name__
        return OffReport(dict.fromkeys(self.bench.supplies, "unknown"), dict.fromkeys(self.bench.supplies, told))

    def _discharge(self, were_on: Sequence[str] = ()) -> None:
        """A last step of its own, numbered after those of the sequence; a bench that no longer answers is no reason to
        hide what happened before."""
        context = self.context
        context.begin(stops=False)
        context.guard.acknowledge()
        started = context.time.now
        broke: BaseException | None = None
        try:
            if self.bench.probing.by_hand and self._stopped:
                self._charged = _discharge.not_measured(context, were_on)
                context.log.outcome = "skipped"
                context.log.say(self._charged)
            else:
                with presses.allowed():
                    _discharge.measure(context)
        except BaseException as error:  # noqa: BLE001  told in the step; a second Ctrl-C skips it
            presses.hold(SWITCHING)
            presses.arrived()
            broke = error
            if not isinstance(error, Exception):  # a person's first press, of a run that was over but for this
                self.error = self.error or error
            context.log.say(
                f"the discharge was not measured ({_in_words(error)}): wait, and measure by hand before touching"
            )
        try:
            number = max(self._number, len(self.sequence.steps)) + 1
            self._commit(number, _discharge.DONE, _discharge.DONE, started, broke)
        except Exception as error:  # noqa: BLE001  the power is off; the store's failure is told, not raised
            self.error = self.error or error

    @property
    def _stopped(self) -> bool:
        return isinstance(self.error, (KeyboardInterrupt, OperatorStop))

    def _outcome(self) -> str:
        broken = self.error is not None and not isinstance(self.error, Tripped)
        if broken or self.context.power.lying or self.context.power.doubtful:
            return "error"
        if self.trip is not None:
            return "tripped"
        return worst(step.outcome for step in self.steps)

    def _says(self, off: OffReport) -> str:
        told = []
        if self._stopped:
            told.append(STOPPED_SAYS)
        elif self.error is not None:
            told.append(str(self.error) or type(self.error).__name__)
        elif presses.pressed():
            told.append(TOO_LATE)
        if self._charged:
            told.append(f"the discharge was {self._charged}")
        back = self.context.guard.came_on
        if back is not None and not any(back.says in each for each in told):
            told.append(back.says)
        odd = [off.says()] if not off.confirmed else off.odd()
        return "; ".join([*told, *(each for each in odd if not any(each in before for before in told))])


def _in_words(error: BaseException) -> str:
    """What broke a step off, for a person."""
    if isinstance(error, KeyboardInterrupt):
        return "broken off by Ctrl-C or a signal"
    return str(error) or type(error).__name__


def _outcome_of(context: Context, broke: BaseException | None) -> str:
    if isinstance(broke, Tripped):
        return "tripped"
    if broke is not None:
        return "error"
    return context.log.outcome or worst(reading.outcome for reading in context.log.readings)


def _number(value: float) -> float | None:
    return value if value == value else None
