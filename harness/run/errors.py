"""How a run can end before its last step, apart from the bench's own errors (wakeboard.instruments.errors)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from wakeboard.instruments.errors import BenchError

if TYPE_CHECKING:
    from wakeboard.harness.run.guard.core import Cut


class Tripped(Exception):
    """The guard has cut the power: a rule was broken on `supply`."""

    def __init__(self, supply: str, cut: Cut) -> None:
        super().__init__(f"{cut.rule} on {supply}: {cut.says}")
        self.supply = supply
        self.cut = cut


class PowerCut(BenchError):
    """The guard has cut the power for a reason that says nothing of the board: a lost link, a runner that hung."""


def power_cut(supply: str, cut: Cut) -> Tripped | PowerCut | OperatorStop:
    """What the runner raises for a cut."""
    from wakeboard.harness.run.guard.core import RULES, STOPPED

    if cut.rule == STOPPED:
        return OperatorStop(cut.says)
    if cut.rule in RULES:
        return Tripped(supply, cut)
    return PowerCut(f"the guard has cut the power ({cut.rule}): {cut.says}")


class Refused(Exception):
    """A step that would energise what must not be energised, or measure what cannot be measured."""


class OperatorStop(Exception):
    """The operator stopped the work."""


class NoAnswer(Exception):
    """A question to the operator where nobody may be asked."""


class GuardLost(BenchError):
    """The guard's process died or fell silent. The runner has switched the outputs off through a session of its own."""


class OutputsOn(BenchError):
    """The bench was closed, and not every output is seen to be off."""


class TakeAgain(Exception):
    """The operator wants the point before this one taken again."""


class OwnStepFault(Exception):
    """A step kind that a board or a package brought has a mistake; the power is off."""


def own_fault(kind: str, file: str, error: BaseException) -> BaseException:
    """The error itself; where it is a mistake in a step kind that `file` brought, one that says so."""
    ours = isinstance(error, BenchError) or type(error).__module__.startswith("wakeboard.")
    if not file or ours or not isinstance(error, Exception):
        return error
    at, line = error.__traceback__, ""
    while at is not None:
        line = f", line {at.tb_lineno}" if at.tb_frame.f_code.co_filename == file else line
        at = at.tb_next
    fault = OwnStepFault(f'a mistake in the step kind "{kind}" ({file}{line}): {type(error).__name__}: {error}')
    fault.__cause__ = error
    return fault


class SkipPoint(Exception):
    """The operator skips a point that the probe cannot reach."""
