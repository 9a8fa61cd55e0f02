"""A revision judged beside the board that it starts from.

    found = judge(board, plan)
    found.mended, found.still, found.new         concerns
    found.grown                                  of those still there, what grew worse or better, with both figures
    found.verdicts                               each change by itself: mends, nothing, breaks
    found.margins                                lines with the least distance to their limits, before and after

The board before is the board as its units showed it: with what the plan calls learned. Nothing is written anywhere.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from wakeboard.harness.describe.problems import FileProblems
from wakeboard.harness.review.apart import apart, same
from wakeboard.harness.review.grown import Grown, grown
from wakeboard.harness.review.review import review_study
from wakeboard.harness.review.study.study import Study
from wakeboard.harness.revise.apply import revised
from wakeboard.harness.revise.margins import Margin, margins
from wakeboard.instruments.virtual.circuit.errors import CircuitError

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.review.concern import Concern
    from wakeboard.harness.revise.plan import Change, Plan

MENDS: Final = "mends"
NOTHING: Final = "mends nothing"
BREAKS: Final = "breaks"
WORSE: Final = "makes worse"
TOGETHER: Final = "mends with the others"


@dataclass(frozen=True)
class Worth:
    """One change by itself. effect: one of the words above; mends and brings: concerns gone and new; grown: what
    is there before and after, worse or better; says: why it could
    not be judged, or which of its promises it does not keep."""

    change: Change
    effect: str
    mends: list[Concern] = field(default_factory=list)
    brings: list[Concern] = field(default_factory=list)
    grown: list[Grown] = field(default_factory=list)
    says: str = ""

    @property
    def harms(self) -> bool:
        return self.effect in (BREAKS, WORSE)

    def as_json(self) -> dict[str, object]:
        return {
            "title": self.change.title, "do": list(self.change.do), "effect": self.effect, "says": self.says,
            "mends": [each.as_json() for each in self.mends], "brings": [each.as_json() for each in self.brings],
            "grown": [each.as_json() for each in self.grown],
            "findings": list(self.change.findings), "evidence": list(self.change.evidence),
        }  # fmt: skip


@dataclass(frozen=True)
class Reviewed:
    """A board, its study and its concerns."""

    board: Board
    study: Study
    concerns: list[Concern]

    @classmethod
    def of(cls, board: Board) -> Reviewed:
        """Raises CircuitError, FileProblems."""
        study = Study.of(board)
        return cls(board, study, review_study(study))


@dataclass(frozen=True)
class Beside:
    """A and B, side by side."""

    before: Reviewed
    after: Reviewed
    mended: list[Concern]
    still: list[Concern]
    new: list[Concern]
    grown: list[Grown]
    verdicts: list[Worth]
    margins: list[Margin]

    @property
    def clean(self) -> bool:
        """Whether B's review raises nothing."""
        return not self.after.concerns

    @property
    def worse(self) -> bool:
        """Whether B has a serious concern that A had not, or one that grew worse."""
        return any(each.serious for each in self.new) or any(each.worse and each.after.serious for each in self.grown)


def judge(board: Board, plan: Plan) -> Beside:
    """Raises FileProblems where the changes do not fit the board, CircuitError for a circuit without an answer."""
    before = Reviewed.of(revised(board, plan, []))
    after = Reviewed.of(revised(board, plan))
    gone, still, new = apart(before.concerns, after.concerns)
    verdicts = list(_verdicts(board, plan, before, after))
    moved = grown(before.concerns, after.concerns)
    return Beside(before, after, gone, still, new, moved, verdicts, margins(before.study, after.study, corners=True))


# --- change by change -----------------------------------------------------------------------------------------------
def _verdicts(board: Board, plan: Plan, before: Reviewed, after: Reviewed) -> Iterator[Worth]:
    alone = len(plan.changes) == 1
    for change in plan.changes:
        found = worth(before, after, change) if alone else _by_itself(board, plan, before, change)
        if found.effect == NOTHING and not alone:
            found = _without(board, plan, after, found)
        yield found


def _by_itself(board: Board, plan: Plan, before: Reviewed, change: Change) -> Worth:
    try:
        return worth(before, Reviewed.of(revised(board, plan, [change])), change)
    except FileProblems as error:
        return Worth(change, TOGETHER, says=f"cannot be done by itself: {error.problems[0].found}")
    except CircuitError as error:
        return Worth(change, BREAKS, says=str(error))


def _without(board: Board, plan: Plan, after: Reviewed, found: Worth) -> Worth:
    """A change that mends nothing by itself may be needed by the others: what comes back when it is left out?"""
    rest = [change for change in plan.changes if change is not found.change]
    try:
        back, _, _ = apart(Reviewed.of(revised(board, plan, rest)).concerns, after.concerns)
    except FileProblems as error:
        return Worth(found.change, TOGETHER, says=f"the others need it: {error.problems[0].found}")
    except CircuitError as error:
        return Worth(found.change, TOGETHER, says=str(error))
    return Worth(found.change, TOGETHER, mends=back) if back else found


def worth(before: Reviewed, after: Reviewed, change: Change) -> Worth:
    """The effect of a change by the concerns before and after it, by what of them grew worse, and by lines that it
    pushes out of their limits: a line that nothing held and that is now held at the wrong level raises the same
    concern, and is worse."""
    gone, _, new = apart(before.concerns, after.concerns)
    moved = grown(before.concerns, after.concerns)
    beside = margins(before.study, after.study)
    pushed = [each for each in beside if each.pushed_out]
    thin = [each for each in beside if each.nearly_out]
    says = "; ".join(filter(None, [_promises(change, gone), *map(_pushed, pushed), *map(_thin, thin)]))
    breaks = pushed or any(each.serious for each in new) or (new and not gone)
    worse = any(each.worse and (each.after.serious or not gone) for each in moved)
    effect = BREAKS if breaks else WORSE if worse else MENDS if gone else NOTHING
    return Worth(change, effect, gone, new, moved, says)


def _pushed(margin: Margin) -> str:
    return (
        f"{margin.line} ({margin.level}) leaves its limits: {margin.before:+.2f} V before, {margin.after:+.2f} V after"
    )


def _thin(margin: Margin) -> str:
    return f"{margin.line} ({margin.level}) keeps little: {margin.before:+.2f} V before, {margin.after:+.2f} V after"


def _promises(change: Change, gone: Sequence[Concern]) -> str:
    """Which concerns it was meant to mend and does not."""
    pairs = [same(each) for head in gone for each in (head, *head.also)]
    mended = {" ".join(pair) for pair in pairs} | {rule for rule, _ in pairs}
    missed = [text for text in change.mends if text not in mended]
    return f"does not mend {', '.join(missed)}" if missed else ""


def as_json(found: Beside) -> dict[str, object]:
    """The document of `wakeboard revise judge --json`, but for the rehearsals."""
    lists: Mapping[str, Sequence[Concern]] = {"mended": found.mended, "still": found.still, "new": found.new}
    return {
        "board": found.before.board.name,
        "revisions": [found.before.board.revision, found.after.board.revision],
        **{name: [each.as_json() for each in concerns] for name, concerns in lists.items()},
        "changes": [each.as_json() for each in found.verdicts],
        "grown": [each.as_json() for each in found.grown],
        "margins": [each.as_json() for each in found.margins],
    }
