"""A sequence file as a pytest collector: one test a step, in one run, in their order.

Power stays on from step to step as the sequence says; the run ends, with everything off, after the file's last test,
whatever came of it. A step whose forerunner was left out (-k, -m, another order) is skipped: the steps of a sequence go
in order or not at all.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from wakeboard.harness.describe.load import load_sequence
from wakeboard.harness.describe.problems import FileProblems
from wakeboard.harness.describe.sequence.steps import step_kinds
from wakeboard.harness.pytest_plugin import MARK, bench_table
from wakeboard.harness.pytest_plugin.places import StepFailed, told
from wakeboard.harness.pytest_plugin.reports import add_readings

if TYPE_CHECKING:
    from wakeboard.harness.run.sitting import Sitting

ALLOWED_TO_SPREAD = ("loadfile",)


def is_sequence(file: Path) -> bool:
    """Whether a TOML file has steps; what is wrong with them is told when they are collected."""
    text = file.read_text(encoding="utf-8", errors="replace")
    return any(line.strip().replace(" ", "") == "[[step]]" for line in text.splitlines())


class SequenceFile(pytest.File):
    """One sequence, one run."""

    def collect(self) -> Iterator[StepTest]:
        dist = getattr(self.config.option, "dist", "no")
        if (dist != "no" or hasattr(self.config, "workerinput")) and dist not in ALLOWED_TO_SPREAD:
            raise self.CollectError(
                f"{self.path.name}: its steps go in order, in one process: --dist loadfile, or no -n"
            )
        try:
            self.sequence = load_sequence(self.path)
        except FileProblems as error:
            raise self.CollectError(str(error)) from None
        self.sitting: Sitting | None = None
        self.done = 0
        for number, model in enumerate(self.sequence.steps, start=1):
            yield StepTest.from_parent(self, name=f"{number}. {model.title}", number=number, model=model)

    def sit(self) -> Sitting:
        """The bench with the unit on it, from the first step to the last."""
        if self.sitting is None:
            self.sitting = bench_table(self.config).sit(self.sequence)
        return self.sitting


class StepTest(pytest.Item):
    """One step."""

    parent: SequenceFile

    def __init__(self, *, number: int, model: Any, **more: Any) -> None:
        super().__init__(**more)
        self.number, self.model = number, model
        if step_kinds()[model.do].needs.energises or step_kinds()[model.do].needs.power == "on":
            self.add_marker(MARK)

    def runtest(self) -> None:
        file = self.parent
        if file.done != self.number - 1:
            pytest.skip(f"step {file.done + 1} was left out: the steps of a sequence go in order")
        file.done = self.number
        sitting = file.sit()
        if sitting.ended_by:
            pytest.skip(f"the run ended before: {sitting.ended_by}")
        try:
            step = sitting.take(self.model)
        finally:
            add_readings(self, sitting.steps[-1:])
        if step.outcome == "skipped":
            pytest.skip(step.says or "nothing could be measured")
        if step.outcome != "pass":
            raise StepFailed(told(step))

    def follows(self, following: pytest.Item | None) -> None:
        """After the file's last test that is run, whichever that is: off."""
        if self.parent.sitting is not None and (following is None or following.parent is not self.parent):
            self.parent.sitting.close()

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """A person wants the readings, not the Python behind them."""
        if excinfo.type.__module__.startswith("wakeboard."):
            return f"{self.path.name}, step {self.number}\n{excinfo.value}"
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int | None, str]:
        lines = self.parent.sequence.lines
        return self.path, lines[self.number - 1] - 1 if lines else None, self.name
