"""The page that is forwarded to whoever draws the next revision: every change with what it mends and its evidence.

html = revision_page(plan, beside, rehearsals)
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Final

from wakeboard.harness.drawings.boardfile.changes import changes_between
from wakeboard.harness.revise.judging import BREAKS, MENDS, TOGETHER, WORSE
from wakeboard.harness.revise.margins import comparable
from wakeboard.instruments.quantity import show
from wakeboard.results.report.render import render_revision
from wakeboard.results.report.revision_view import ChangeView, MarginView, RevisionView, SequenceView

if TYPE_CHECKING:
    from wakeboard.harness.review.concern import Concern
    from wakeboard.harness.review.grown import Grown
    from wakeboard.harness.revise.judging import Beside, Worth
    from wakeboard.harness.revise.margins import Margin
    from wakeboard.harness.revise.plan import Change, Plan
    from wakeboard.harness.revise.rehearsals import Rehearsals

_OUTCOMES: Final = {MENDS: "pass", TOGETHER: "pass", BREAKS: "fail", WORSE: "fail"}


def revision_page(plan: Plan, beside: Beside, rehearsals: Sequence[Rehearsals]) -> str:
    """One self-contained HTML page."""
    before, after = beside.before.board, beside.after.board
    moved = [each for each in beside.margins if each.moved]
    drawn = changes_between(before, after)
    apart = comparable(beside.before.study, beside.after.study).moved
    worse = beside.worse or any(each.harms for each in beside.verdicts)
    return render_revision(
        RevisionView(
            before.name, before.revision, after.revision, _summary(beside), "fail" if worse else "pass",
            tuple(_change(number, each) for number, each in enumerate(beside.verdicts, 1)),
            learned=tuple(plan.learned),
            still=_told(beside.still), worse=_grown(beside.grown, True), better=_grown(beside.grown, False),
            new=_told(beside.new),
            margins=tuple(map(_margin, moved)), unmoved=len(beside.margins) - len(moved),
            sequences=tuple(map(_sequence, rehearsals)),
            differing=tuple((net, state, show(a, "V", 3), show(b, "V", 3)) for net, state, a, b in apart),
            drawn=(*drawn.parts, *drawn.nets, *drawn.intent),
        )
    )  # fmt: skip


def _summary(beside: Beside) -> str:
    worse = [each for each in beside.grown if each.worse]
    counts = ((beside.mended, "mended"), (beside.still, "still there"), (worse, "of them worse"), (beside.new, "new"))
    told = ", ".join(f"{len(found)} {word}" for found, word in counts if found is not worse or worse)
    useless = sum(each.effect not in _OUTCOMES for each in beside.verdicts)
    more = f"; {useless} of the changes {'mends' if useless == 1 else 'mend'} nothing" if useless else ""
    return f"Concerns of the review: {told}{more}."


def _told(concerns: Iterable[Concern]) -> tuple[str, ...]:
    return tuple(f"{each.rule}{' (serious)' if each.serious else ''}: {each.says}" for each in concerns)


def _grown(moved: Iterable[Grown], worse: bool) -> tuple[str, ...]:
    found = [each for each in moved if each.worse is worse]
    return tuple(f"{each.after.rule} {', '.join(each.after.nets)}: {each.told}" for each in found)


def _change(number: int, worth: Worth) -> ChangeView:
    change = worth.change
    return ChangeView(
        number=number,
        title=change.title,
        why=change.why,
        does=tuple(_does(change)),
        effect=worth.effect,
        outcome=_OUTCOMES.get(worth.effect, "skipped"),
        mends=_told(worth.mends),
        brings=_told(worth.brings),
        worse=_grown(worth.grown, True),
        better=_grown(worth.grown, False),
        evidence=tuple(f"finding {each}" for each in change.findings) + tuple(change.evidence),
        says=worth.says,
    )


def _does(change: Change) -> Iterable[str]:
    yield from change.do
    for word, tables in (("add", change.add), ("swap", change.swap), ("put", change.put)):
        yield from (f"{word} {name}: {_short(table)}" for name, table in tables.items())


def _short(table: object) -> str:
    """A part or a key, in a line."""
    if not isinstance(table, dict):
        return str(table)
    told = [f"{key} {value}" for key, value in table.items() if not isinstance(value, dict | list)]
    pins = table.get("pins")
    nets = pins.items() if isinstance(pins, dict) else enumerate(pins, 1) if isinstance(pins, list) else ()
    return ", ".join([*told, *(f"{pin} on {net}" for pin, net in nets)]) or ", ".join(table)


def _margin(margin: Margin) -> MarginView:
    texts = ["—" if volts is None else show(volts, "V", 3) for volts in (margin.before, margin.after)]
    outcome = "none" if margin.after is None else "pass" if margin.after >= 0 else "fail"
    return MarginView(margin.line, margin.level, texts[0], texts[1], outcome)


def _sequence(found: Rehearsals) -> SequenceView:
    shares = [found.before.coverage, found.after.coverage if found.after else None]
    texts = ["—" if share is None else f"{100 * share:.1f} %" for share in shares]
    return SequenceView(
        found.sequence, (texts[0], texts[1]), found.at_least, tuple(found.caught_now), tuple(found.escapes_now),
        tuple(found.burns_now), tuple(found.to_do),
    )  # fmt: skip
