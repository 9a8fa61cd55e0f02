"""One unit at an open bench, taken step by step by a program: the same steps, refusals, guard and record as a sequence.

    with Sitting(empty(board), unit="SK-A-001") as bench:
        bench.step(do="resistance", of="USB", expect="> 1 kΩ")
        bench.step(do="power on", supply="USB", limit="120 mA")
        bench.step(do="probe", of="TP7").readings[0].value
    bench.result                                          everything is off; the record of the run

A program may fail between two steps, hang, or be killed. Leaving the block switches everything off and measures the
discharge, whatever was raised. Between two steps the guard's process waits for `patience` seconds; a program that says
nothing for longer has lost the power, and its next step says so. Of a program that is killed the guard sees the end at
once.
"""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final, Self

from wakeboard.harness.describe.problems import Problem
from wakeboard.harness.describe.sequence.checks import check_sequence
from wakeboard.harness.describe.sequence.sequence import Sequence as StepSequence
from wakeboard.harness.describe.sequence.sequence import read_steps
from wakeboard.harness.describe.sequence.steps import step_kinds
from wakeboard.harness.describe.toml.document import Document
from wakeboard.harness.run import presses
from wakeboard.harness.run.errors import OutputsOn, Refused
from wakeboard.harness.run.predict import CircuitLimits
from wakeboard.harness.run.record import NullRecorder, StoreRecorder
from wakeboard.harness.run.runner import SWITCHING, Result, Runner
from wakeboard.harness.run.session import in_force, open_bench, rework_faults, run_start

if TYPE_CHECKING:
    from wakeboard.harness.describe.bench import Bench
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.run.bench.bench import OpenBench
    from wakeboard.harness.run.hand.operator import Operator
    from wakeboard.harness.run.ports import Observer
    from wakeboard.results.records import Step
    from wakeboard.results.store.store import Store

PATIENCE: Final = 30.0
"""s that a program may think between two steps while power is on: long enough for a computation, short enough that a
board is not left alone with power by a program that hangs."""
LONGEST_PATIENCE: Final = 600.0
"""s: more than that is no patience but a board that nobody looks after."""
SCRIPT: Final = "script"
"""The title of a run whose steps a program brings."""


def empty(board: Board, title: str = SCRIPT) -> StepSequence:
    """A sequence without steps, for a program that brings its own."""
    return StepSequence(title, board, ())


class Sitting:
    """See above. Use as a context manager; `step` raises Refused for what a sequence would be refused for, and once the
    sitting has ended (`ended_by` says why)."""

    def __init__(
        self,
        sequence: StepSequence,
        *,
        unit: str,
        described: Bench | None = None,
        plants: Sequence[str] = (),
        store: Store | None = None,
        observer: Observer | None = None,
        operator: Operator | None = None,
        energise: bool = False,
        operator_name: str | None = None,
        patience: float = PATIENCE,
        before: Callable[[OpenBench], None] | None = None,
        prepared: object = None,
        predictor: CircuitLimits | None = None,
    ) -> None:
        """described: the bench file; None: the virtual bench, with `plants` in the unit. energise: stands for the key
        of a person at a real bench; without it and without an `operator` nothing is switched on there."""
        if described is not None and plants:
            raise Refused("faults can be planted in the virtual bench only, not in a board on a real one")
        _must_be_patience(patience)
        self._process = os.getpid()
        self.sequence = sequence
        self.unit = unit
        self.result: Result | None = None
        self._described, self._plants, self._store = described, tuple(plants), store
        self._observer, self._operator, self._energise = observer, operator, energise
        self._operator_name, self._patience, self._before = operator_name, patience, before
        self._prepared, self._predictor = prepared, predictor
        self._bench: OpenBench | None = None
        self._runner: Runner | None = None
        self._tables: list[dict[str, object]] = []

    # --- from first to last -----------------------------------------------------------------------------------------
    def __enter__(self) -> Self:
        with presses.guarded():
            try:
                self._open()
            except BaseException:
                self.close()
                raise
        return self

    def __exit__(self, _kind: object, error: BaseException | None, _trace: object) -> None:
        try:
            self.close(error)
        except KeyboardInterrupt as press:  # it came before presses were held: nothing is off yet
            self.close(press)
            raise

    def _open(self) -> None:
        """Raises BenchError where the bench cannot be opened, or an output cannot be confirmed off."""
        board = self.sequence.board
        reworked = rework_faults(self._store, self.unit, board)
        self._bench = open_bench(
            self.sequence, self.unit, self._described, (*self._plants, *reworked), self._operator, self._prepared,
            self._energise,
        )  # fmt: skip
        if self._before is not None:
            self._before(self._bench)
        self._runner = Runner(
            self.sequence,
            self._bench,
            run_start(self.sequence, self._bench, self.unit, self._plants, self._operator_name),
            recorder=StoreRecorder(self._store) if self._store is not None else NullRecorder(),
            observer=self._observer,
            predictor=self._predictor or CircuitLimits(board, in_force(reworked)),
            asker=self._operator.ask if self._operator is not None else None,
        )
        self._runner.begin()
        self._runner.make_ready()
        if self._operator is not None:
            self._operator.beat = self._runner.context.time.pulse
            self._operator.power = self._runner.context.power.says

    def close(self, error: BaseException | None = None) -> None:
        """Everything off, the discharge measured, the run's end in the store. Raises OutputsOn where an output is not
        confirmed off. A second call does nothing."""
        if self._bench is None or self._elsewhere:
            return
        with presses.guarded():
            presses.hold(SWITCHING)
            bench, runner = self._bench, self._runner
            self._bench = None
            try:
                if runner is not None:
                    if error is not None and not isinstance(error, Exception):
                        runner.break_off(error)  # a person's Ctrl-C; what a program raises is no failure of the bench
                    self.result = runner.finish()
            finally:
                bench.close()
        left = self.result.off if self.result is not None else bench.guard.left
        if left is None or not left.confirmed:
            raise OutputsOn(left.says() if left else "outputs not confirmed off: the guard did not say") from error

    # --- the steps --------------------------------------------------------------------------------------------------
    def step(self, table: Mapping[str, object] | None = None, **keys: object) -> Step:
        """One step, as a sequence file has it: step(do="volts", of=["TP3"], expect="1.7 .. 1.9 V"). Its record.

        Raises Refused for a table that a sequence file would be refused for, and BenchError, Tripped, … as they broke
        the step off; everything is off by then.
        """
        self._live()
        made = {**(table or {}), **keys}
        step = self.take(self._checked(made))
        self._tables.append(_plain(made))
        return step

    def take(self, model: Any) -> Step:
        """The same with a step that is read already."""
        runner = self._live()
        before = step_kinds()[model.do].before
        with presses.guarded():
            if before is not None and not any(model is each for each in runner.sequence.steps):
                before(runner.context, model)
            step = runner.take(model)
            if runner.error is not None:
                raise runner.error
            runner.context.time.pulse(self._patience)
        if runner.ended_by and runner.context.power.on:
            self._off_at_once()
        return step

    def off(self) -> Step | None:
        """What is on goes off, and the discharge is measured; None where nothing was on."""
        runner = self._runner
        if runner is None or self._bench is None or not runner.context.power.on or runner.ended_by:
            return None
        return self.step(do="power off")

    @property
    def _elsewhere(self) -> bool:
        """Whether this is a copy in a process that was forked: the bench is its parent's, and so are all links."""
        return os.getpid() != self._process

    @property
    def on(self) -> Mapping[str, tuple[float, float]]:
        """The supplies that are on, as of the last step: name -> (V, limit in A). Where it was broken off, those that
        did not say that they are off."""
        if self._runner is None or self._bench is None:
            return {}
        off = self._runner.broken_off.states if self._runner.broken_off is not None else {}
        return {name: each for name, each in self._runner.context.power.on.items() if off.get(name) != "off"}

    @property
    def checked(self) -> frozenset[str]:
        """The supplies whose check for a short has passed."""
        return frozenset(self._runner.context.power.checked) if self._runner is not None else frozenset()

    @property
    def steps(self) -> Sequence[Step]:
        """The steps so far, also after the end."""
        return tuple(self._runner.steps) if self._runner is not None else ()

    @property
    def ended_by(self) -> str:
        """Why no further step is taken; "" while one may be."""
        if self._bench is None or self._runner is None:
            return "the bench is closed"
        return self._runner.ended_by

    def _live(self) -> Runner:
        if self._elsewhere:
            raise Refused("no step is taken in a process that was forked: the bench belongs to the one that opened it")
        if self._runner is None or self.ended_by:
            raise Refused(f"no further step is taken: {self.ended_by}")
        return self._runner

    def _off_at_once(self) -> None:
        """After a failure that would end a sequence."""
        assert self._runner is not None
        with presses.guarded():
            self._runner.take(step_kinds()["power off"].Model(do="power off"))

    def _checked(self, table: dict[str, object]) -> object:
        """The model of a table. The steps so far are played through on paper with it, so that the same is refused as in
        a file, and before anything moves."""
        board = self.sequence.board
        document = Document(SCRIPT, data={"step": [*self._tables, _plain(table)]})
        told = len(self._tables)
        model = read_steps(document, document.data["step"])[told]
        check_sequence(document.data["step"], document, board)
        mine = [each for each in document.problems if each.key.startswith(f"step[{told + 1}]")]
        if mine or model is None:
            raise Refused("; ".join(map(_says, mine)) or "this is no step")
        context = self._live().context
        supply = model.supply if step_kinds()[model.do].needs.energises and hasattr(model, "supply") else None
        if supply is not None and supply not in context.power.checked and not model.why:
            raise Refused(f"{supply} is not energised: its check for a short has not passed, and there is no `why`")
        return model


def _must_be_patience(seconds: object) -> None:
    """Raises Refused: what is no number, or has no end, would leave a program that hangs with power on."""
    if isinstance(seconds, bool) or not isinstance(seconds, int | float) or not 0 < seconds <= LONGEST_PATIENCE:
        raise Refused(f"patience: found {seconds!r}; allowed: a number of seconds, up to {LONGEST_PATIENCE:g}")


def _plain(table: Mapping[str, object]) -> dict[str, object]:
    """A table as a file has it: lists, and nothing that was left out."""
    return {
        key: list(value) if isinstance(value, tuple) else value for key, value in table.items() if value is not None
    }


def _says(problem: Problem) -> str:
    """A problem without the place in a file that is none."""
    key = problem.key.partition(".")[2]
    return str(dataclasses.replace(problem, file=problem.file, line=0, key=key)).removeprefix(f"{SCRIPT}: ")


__all__ = ["PATIENCE", "SCRIPT", "Sitting", "empty"]
