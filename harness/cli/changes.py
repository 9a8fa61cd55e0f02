"""`wakeboard changes`: what changed electrically between two revisions, what it mended and what it broke."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from wakeboard.harness.cli.exits import Exit
from wakeboard.harness.cli.options import Common, common_options
from wakeboard.harness.cli.options import command as wakeboard_command

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.review.concern import Concern

EXAMPLES = ["wakeboard changes rev-a/board.toml rev-b/board.toml", "wakeboard changes a.toml b.toml --rehearse"]


@wakeboard_command(examples=EXAMPLES)
@click.argument("old")
@click.argument("new")
@click.option("--rehearse", "rehearsed", is_flag=True, help="Rehearse first-power-on.toml beside each, too (minutes).")
@common_options
def command(common: Common, old: str, new: str, rehearsed: bool) -> int:
    """Compare two revisions of a board: parts, values, pins, nets, supplies, rails and lines.

    Both are reviewed: which concerns the change mended, which it brought. Exit code 1 when it brought a serious one.
    """
    from wakeboard.harness.describe.load import load_board
    from wakeboard.harness.drawings.boardfile.changes import changes_between, judged

    before, after = load_board(old), load_board(new)
    found = changes_between(before, after)
    for title, rows in (("Parts", found.parts), ("Nets", found.nets), ("Supplies, rails, lines", found.intent)):
        _list(common, title, rows)
    if found.nothing:
        common.say("nothing that a circuit could notice")
    document: dict[str, object] = {"parts": found.parts, "nets": found.nets, "intent": found.intent}
    code = Exit.GOOD
    if before.parts and after.parts:
        review = judged(before, after)
        for title, concerns in (("Mended", review.mended), ("New", review.broken), ("Still there", review.still)):
            _list(common, f"{title} (review)", [_line(each) for each in concerns])
        document["review"] = {
            "mended": [each.as_json() for each in review.mended],
            "new": [each.as_json() for each in review.broken],
            "still": [each.as_json() for each in review.still],
        }
        code = Exit.FAILED if any(each.serious for each in review.broken) else Exit.GOOD
    if rehearsed:
        document["rehearsal"] = _rehearsals(common, before, after)
    common.emit(document)
    return code


def _list(common: Common, title: str, rows: list[str]) -> None:
    if rows:
        common.say(f"{title}:")
        for row in rows:
            common.say(f"  {row}")


def _line(concern: Concern) -> str:
    return f"{concern.rule}{' (serious)' if concern.serious else ''}: {concern.says}"


def _rehearsals(common: Common, old: Board, new: Board) -> dict[str, object]:
    """Which faults the first power-on of each catches."""
    from wakeboard.harness.describe.load import load_sequence
    from wakeboard.harness.rehearse.rehearsal import rehearse

    files = [Path(board.file).parent / "first-power-on.toml" for board in (old, new)]
    before, after = (rehearse(load_sequence(file)) for file in files)
    gone = sorted({each.fault for each in before.escaped} & {each.fault for each in after.caught})
    lost = sorted({each.fault for each in before.caught} & {each.fault for each in after.escaped})
    burns = sorted({each.fault for each in after.burned} - {each.fault for each in before.burned})
    _list(common, "Caught now, escaped before (rehearsal)", gone)
    _list(common, "Escapes now, was caught (rehearsal)", lost)
    _list(common, "Burns now (rehearsal)", burns)
    coverage = [before.coverage, after.coverage]
    shares = " and ".join("—" if each is None else f"{100 * each:.1f} %" for each in coverage)
    common.say(f"faults caught: {shares}")
    return {"caught_now": gone, "escapes_now": lost, "burns_now": burns, "coverage": coverage}
