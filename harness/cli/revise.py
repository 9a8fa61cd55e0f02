"""`wakeboard revise …`: the next revision, worked out before it is drawn."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wakeboard.harness.cli.exits import Exit
from wakeboard.harness.cli.opened import opened
from wakeboard.harness.cli.options import Common, common_options, group
from wakeboard.results.counted import count

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.review.concern import Concern
    from wakeboard.harness.review.grown import Grown
    from wakeboard.harness.revise.judging import Beside, Worth
    from wakeboard.harness.revise.plan import Plan
    from wakeboard.harness.revise.rehearsals import Rehearsals

_EXAMPLES = (
    "wakeboard revise draft board.toml --to B",
    "wakeboard revise judge revision-b.toml -o revision-b.html",
    "wakeboard revise write revision-b.toml rev-b",
)


@group(_EXAMPLES)
def command() -> None:
    """Work out the next revision: what to change, whether it mends, whether it breaks something.

    The changes are a file, revision-b.toml, that a command drafts and a person edits. The board that they start from,
    and its results, are only read.
    """


@command.sub("draft", "wakeboard revise draft board.toml --to B")
@click.argument("board")
@click.option("--to", "revision", default="B", show_default=True, metavar="REV", help="The new revision.")
@click.option("--from-review", is_flag=True, help="From the concerns of the review; no findings are needed.")
@click.option("-o", "--output", metavar="FILE", help="Default: revision-REV.toml beside the board file.")
@common_options
def draft(common: Common, board: str, revision: str, from_review: bool, output: str | None) -> int:
    """Make the file of changes out of the findings that are the design's (or are carried).

    A bodge becomes the resistor's new value with its worst case; pull-ups that feed a rail that is off are moved to it.
    What no rule knows a way out of is left to you, as a comment. A file that is there is not overwritten.
    """
    from wakeboard.harness.describe.load import load_board
    from wakeboard.harness.revise import drafting

    design = _with_parts(load_board(board), board)
    file = Path(output) if output else Path(board).parent / f"revision-{revision.lower()}.toml"
    if file.exists():
        raise click.UsageError(f"{file} is there already: edit it, remove it, or name another with -o")
    name = _relative(Path(board), file)
    if from_review:
        drafted = drafting.from_review(design, revision, name)
    else:
        with opened(common, board) as store:
            drafted = drafting.from_findings(design, store, revision, name)
    file.write_text(drafting.written(drafted), encoding="utf-8", newline="\n")
    changes = drafted.plan.changes
    for change in changes:
        common.say(f"{change.title}" + (f"  (finding {_numbers(change.findings)})" if change.findings else ""))
    for text in drafted.left:
        common.say(f"left to you: {text}")
    if not changes and not from_review:
        common.say("No finding of this board is the design's. To make one so:")
        common.say("  wakeboard finding explain N TEXT --cause design")
        common.say("or `wakeboard finding carry`; --from-review takes the concerns of the review.")
    common.note(f"written: {file}; now: wakeboard revise judge {file}")
    common.emit({"file": str(file), "changes": [c.title for c in changes], "left": drafted.left})
    return Exit.GOOD


@command.sub("judge", "wakeboard revise judge revision-b.toml")
@click.argument("plan")
@click.option("--sequence", "sequences", multiple=True, metavar="FILE",
              help="Rehearsed on both revisions. Default: first-power-on.toml beside the board.")  # fmt: skip
@click.option("--no-rehearsal", is_flag=True, help="Only the reviews: seconds instead of minutes.")
@click.option("-o", "--output", metavar="FILE", help="Write the page that is forwarded to whoever draws it, HTML.")
@common_options
def judge(common: Common, plan: str, sequences: tuple[str, ...], no_rehearsal: bool, output: str | None) -> int:
    """Review and rehearse the board with and without the changes, side by side.

    Says what is mended, still there, grown worse and new; what each change mends by itself; each line's margin before
    and after; what the sequence must have changed with it; which nets can still be compared with the old units. Exit
    code 1 when something serious is new or grew worse, a change breaks something, or the rehearsal is worse.
    """
    from wakeboard.harness.revise.judging import as_json

    loaded, board = _loaded(plan)
    beside, rehearsals = _judged(loaded, board, _sequences(board, sequences, no_rehearsal))
    _show(common, beside, rehearsals)
    if output:
        _page(common, loaded, beside, rehearsals, output)
    common.emit({**as_json(beside), "rehearsals": [each.as_json() for each in rehearsals], **_comparable(beside)})
    bad = beside.worse or not all(each.at_least for each in rehearsals)
    return Exit.FAILED if bad or any(each.harms for each in beside.verdicts) else Exit.GOOD


@command.sub("swap", "wakeboard revise swap board.toml U8 i2c-sensor-8 --bom bom.csv")
@click.argument("board")
@click.argument("part")
@click.argument("other", metavar="ENTRY")
@click.option("--to", "revision", default="B", show_default=True, metavar="REV", help="The new revision.")
@click.option("--bom", "boms", metavar="FILE", multiple=True, help="Lists of parts with prices.")
@click.option("-o", "--output", metavar="FILE", help="Default: revision-REV.toml beside the board file.")
@common_options
def swap(
    common: Common, board: str, part: str, other: str, revision: str, boms: tuple[str, ...], output: str | None
) -> int:
    """Put another part out of the part book in a part's place: a file of changes, judged by reviews.

    ENTRY is the name of an entry (`wakeboard parts book`) or a part number that one fits. Pins go by what they do; what
    has no counterpart, what comes and goes, and what the new part's data sheet is silent about is told. For the last
    there is a sequence to measure it first, on a test board.
    """
    from wakeboard.harness.describe.load import load_board
    from wakeboard.harness.drawings.parts.book import Book
    from wakeboard.harness.revise.drafting import Drafted, written
    from wakeboard.harness.revise.plan import Plan
    from wakeboard.harness.revise.swap import swapping

    design = _with_parts(load_board(board), board)
    file = Path(output) if output else Path(board).parent / f"revision-{revision.lower()}.toml"
    if file.exists():
        raise click.UsageError(f"{file} is there already: edit it, remove it, or name another with -o")
    entry = swapping.entry_named(Book.beside(Path(board).parent), other, design)
    found = swapping.swapped(design, part, entry)
    told = [*found.told, *filter(None, [swapping.costs(boms, found, entry, other)])]
    change = found.change.model_copy(update={"why": "; ".join(told)})
    plan = Plan(board=_relative(Path(board), file), revision=revision, change=[change])
    file.write_text(written(Drafted(plan, [])), encoding="utf-8", newline="\n")
    _list(common, found.change.title, told)
    first = _first_measured(swapping.first_measured(design, found), file.parent / f"measure-{part}.toml")
    verdicts, bad = _quickly_judged(file)
    _list(common, "Judged by reviews", [_verdict(each) for each in verdicts] + bad)
    common.note(f"written: {', '.join([str(file), *first])}; then: wakeboard revise judge {file}")
    common.emit({
        "file": str(file), "measure": first, "told": told, "pins": {each.old: each.new for each in found.pairs},
        "no_counterpart": [pin for pin, _ in found.lost], "open": found.open,
        "changes": [each.as_json() for each in verdicts], "does_not_fit": bad,
    })  # fmt: skip
    return Exit.FAILED if bad or any(each.harms for each in verdicts) else Exit.GOOD


def _quickly_judged(file: Path) -> tuple[list[Worth], list[str]]:
    """Each change's worth by reviews; or what of the board still names what is no longer there."""
    from wakeboard.harness.describe.problems import FileProblems
    from wakeboard.instruments.virtual.circuit.errors import CircuitError

    plan, design = _loaded(str(file))
    try:
        return _judged(plan, design, [])[0].verdicts, []
    except FileProblems as error:
        rows = [f"not judged yet, {each.key}: {each.found} is not there any more" for each in error.problems]
        return [], rows
    except CircuitError as error:
        return [], [f"not judged yet: {error}"]


def _first_measured(text: str, file: Path) -> list[str]:
    """Written where there is something to measure and no such file yet."""
    if not text or file.exists():
        return []
    file.write_text(text, encoding="utf-8", newline="\n")
    return [str(file)]


@command.sub("write", "wakeboard revise write revision-b.toml rev-b")
@click.argument("plan")
@click.argument("folder")
@common_options
def write(common: Common, plan: str, folder: str) -> int:
    """Write the new revision's folder: its board file with all comments kept, the sequences beside it."""
    from wakeboard.harness.revise.writing import FolderInUse, write_out

    loaded, board = _loaded(plan)
    try:
        files = write_out(board, loaded, Path(folder))
    except FolderInUse as error:
        raise click.UsageError(str(error)) from None
    for file in files:
        common.say(f"wrote {file}")
    common.emit({"files": [str(file) for file in files]})
    return Exit.GOOD


@command.sub("pins", "wakeboard revise pins needs.toml")
@click.argument("needs")
@common_options
def pins(common: Common, needs: str) -> int:
    """Give each function a pin that meets its needs, with the fewest moves; the reason for each, and the runner-up.

    Free are the pins that lead to no other part, also such as the board file does not show and the part's package has.
    Exit code 1 where no assignment exists: then the smallest set of functions that contradict each other is told.
    """
    from wakeboard.harness.revise.assigning import NoAssignment
    from wakeboard.harness.revise.needs import pins_for

    try:
        found = pins_for(needs)
    except NoAssignment as error:
        common.say(str(error))
        common.emit({"pins": None, "contradicting": list(error.functions), "left": list(error.pins)})
        return Exit.FAILED
    for name, pin in found.pins.items():
        common.say(f"{name}: {pin}" + (f"  moved: {found.moved[name]}" if name in found.moved else ""))
        if name in found.undrawn:
            common.say(f"  {pin} is not in the board file: unconnected there, its pad has to be brought out")
    for name, what in found.debug.items():
        common.say(f"{name} is not there while a debugger is attached: {found.pins[name]} is {what} then")
    second = dict(found.runner_up.pins) if found.runner_up else {}
    other = [f"{name}: {pin}" for name, pin in second.items() if found.pins[name] != pin]
    if other:
        common.say(f"next best: {', '.join(other)}")
    common.emit({"pins": dict(found.pins), "moved": dict(found.moved), "debug": dict(found.debug),
                 "undrawn": {name: found.pins[name] for name in sorted(found.undrawn)},
                 "runner_up": second or None})  # fmt: skip
    return Exit.GOOD


# --- below ----------------------------------------------------------------------------------------------------------
def _with_parts(board: Board, file: str) -> Board:
    if not board.parts:
        raise click.UsageError(f"{file} has no [parts]: without a circuit no change can be judged")
    return board


def _loaded(file: str) -> tuple[Plan, Board]:
    from wakeboard.harness.describe.load import load_board
    from wakeboard.harness.revise.plan import load_plan

    plan = load_plan(file)
    return plan, _with_parts(load_board(plan.board_file), plan.board_file)


def _relative(board: Path, plan: Path) -> str:
    """How a plan names its board."""
    import os

    return os.path.relpath(board, plan.parent)


def _numbers(numbers: Sequence[int]) -> str:
    return ", ".join(map(str, numbers))


def _sequences(board: Board, named: tuple[str, ...], none: bool) -> list[str]:
    if none:
        return []
    first = Path(board.file).parent / "first-power-on.toml"
    return list(named) or ([str(first)] if first.is_file() else [])


def _judged(plan: Plan, board: Board, sequences: Sequence[str]) -> tuple[Beside, list[Rehearsals]]:
    from wakeboard.harness.revise.judging import judge
    from wakeboard.harness.revise.rehearsals import rehearsed

    beside = judge(board, plan)
    return beside, [rehearsed(beside, file) for file in sequences]


def _page(common: Common, plan: Plan, beside: Beside, rehearsals: Sequence[Rehearsals], file: str) -> None:
    from wakeboard.harness.revise.paper import revision_page
    from wakeboard.results.export import whole_file

    try:
        with whole_file(file) as new:
            new.write_text(revision_page(plan, beside, rehearsals), encoding="utf-8", newline="\n")
    except OSError as error:
        raise click.UsageError(f"{error.filename or file}: {(error.strerror or str(error)).lower()}.") from None
    common.note(f"wrote {file}")


def _comparable(beside: Beside) -> dict[str, Any]:
    from wakeboard.harness.revise.margins import comparable

    found = comparable(beside.before.study, beside.after.study)
    return {
        "comparable": found.alike,
        "not_comparable": [
            {"net": net, "state": state, "before": before, "after": after} for net, state, before, after in found.moved
        ],
    }


def _show(common: Common, beside: Beside, rehearsals: Sequence[Rehearsals]) -> None:
    from wakeboard.harness.drawings.boardfile.changes import changes_between

    before, after = beside.before.board, beside.after.board
    told = count(len(beside.verdicts), "change")
    common.say(f"{before.name}, revision {before.revision} with {told}: {after.revision}")
    found = changes_between(before, after)
    _list(common, "What a circuit notices", [*found.parts, *found.nets, *found.intent])
    _list(common, "Change by change", [_verdict(each) for each in beside.verdicts])
    for title, concerns in (("Mended", beside.mended), ("Still there", beside.still), ("New", beside.new)):
        _list(common, title, [_concern(each) for each in concerns])
    for title, rows in (
        ("Grown worse", [each for each in beside.grown if each.worse]),
        ("Better, and still there", [each for each in beside.grown if not each.worse]),
    ):
        _list(common, title, [_grown(each) for each in rows])
    if beside.clean:
        common.say("\nThe review of the new revision raises nothing. What was not drawn was not solved.")
    _margins(common, beside)
    for each in rehearsals:
        _rehearsal(common, each)
    moved = _comparable(beside)["not_comparable"]
    _list(
        common, "Not to be compared with the old units (the rest is)",
        [f"{m['net']}: {_volts(m['before'])}, now {_volts(m['after'])} at {m['state']}" for m in moved],
    )  # fmt: skip


def _list(common: Common, title: str, rows: Sequence[str]) -> None:
    import textwrap

    if rows:
        common.say(f"\n{title}")
    for row in rows:
        for line in textwrap.wrap(row, 79, initial_indent="  ", subsequent_indent="    ", break_on_hyphens=False):
            common.say(line)


def _verdict(found: Any) -> str:
    effect = found.effect.upper() if found.harms or found.effect == "mends nothing" else found.effect
    about = "; ".join(f"{each.rule} {', '.join(each.nets)}" for each in found.mends)
    brings = "; brings " + "; ".join(each.says for each in found.brings) if found.brings else ""
    moved = "".join(f"; {'worse' if each.worse else 'better'}: {_grown(each)}" for each in found.grown)
    mends = f"; mends {about}" if found.harms and about else f" {about}" if about else ""
    return f"{found.change.title}: {effect}{mends}{brings}{moved}" + (f" ({found.says})" if found.says else "")


def _concern(each: Concern) -> str:
    return f"{each.rule}{' (serious)' if each.serious else ''}: {each.says}"


def _grown(each: Grown) -> str:
    return f"{each.after.rule} {', '.join(each.after.nets)}: {each.told}"


def _volts(value: float | None) -> str:
    from wakeboard.instruments.quantity import show

    return "—" if value is None else show(value, "V", 3)


def _margins(common: Common, beside: Beside) -> None:
    moved = [each for each in beside.margins if each.moved]
    if beside.margins:
        rest = len(beside.margins) - len(moved)
        _list(
            common, f"Lines: distance to their limits, worst state ({rest} stay as they are)",
            [f"{each.line}, {each.level}: {_volts(each.before)}, now {_volts(each.after)}"
             + (f": {each.word}" if each.word else "") for each in moved],
        )  # fmt: skip


def _rehearsal(common: Common, found: Rehearsals) -> None:
    shares = [found.before.coverage, found.after.coverage if found.after else None]
    text = ", now ".join("—" if each is None else f"{100 * each:.1f} %" for each in shares)
    rows = [f"faults caught: {text}" + ("" if found.at_least else ": WORSE")]
    rows += [f"as drawn it ends: {found.before.good.outcome}, now {found.after.good.outcome}"] if found.after else []
    for label, names in (
        ("caught now", found.caught_now), ("escapes now", found.escapes_now), ("burns now", found.burns_now),
    ):  # fmt: skip
        rows += [f"{label}: {', '.join(names)}"] if names else []
    rows += [f"to change: {each}" for each in found.to_do]
    _list(common, f"Rehearsal: {found.sequence}", rows)
