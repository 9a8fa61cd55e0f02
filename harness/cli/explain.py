"""`wakeboard explain`: what accounts for the odd readings of a run, what to measure next, and which bodge mends it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from harness.cli.exits import Exit
from harness.cli.options import Common, common_options
from harness.cli.options import command as wakeboard_command

if TYPE_CHECKING:
    from harness.describe.board import Board
    from harness.explain.explaining import Explanation


@wakeboard_command(
    examples=[
        "wakeboard explain",
        "wakeboard explain 3f2a --why",
        "wakeboard explain --ask",
        "wakeboard explain --json --board board.toml",
    ]
)
@click.argument("run", metavar="[RUN]", required=False)
@click.option("--why", is_flag=True, help="Show the arithmetic, so that it can be checked by hand.")
@click.option("--ask", is_flag=True, help="Go on: take the measurement that tells most, type it in, look again.")
@click.option("--alone", is_flag=True, help="Leave the board's other units out of it.")
@click.option("--one", is_flag=True, help="Look for one fault only, not for two.")
@click.option("--board", metavar="FILE", help="The board file: says where the results are, and whether it was edited.")
@common_options
def command(common: Common, run: str | None, why: bool, ask: bool, alone: bool, one: bool, board: str | None) -> int:
    """Rank what explains a run's odd readings, say what to measure next, and which bodge mends it.

    RUN is an id, its first letters, or nothing for the latest. The faults are ranked by likelihood times prior; "none"
    and "not in this model" are always among them. Runs of the board's other units are used together: what they share is
    the design, not assembly. It never says that a board is safe: it says what the readings tell.
    """
    from harness.cli.opened import opened
    from harness.explain.explaining import explain_run

    with opened(common, board) as store:
        explanation = explain_run(store, run, board=_board(board), together=not alone, pairs=not one)
    if ask:
        from harness.explain.asking import go_on

        explanation = go_on(explanation, common, pairs=not one)
    common.emit(explanation.as_json())
    if not common.json and not ask:
        _say(common, explanation, why)
    return Exit.GOOD


def _board(given: str | None) -> Board | None:
    from harness.cli.opened import board_file

    file = board_file(given)
    if file is None:
        return None
    from harness.describe.load import load_board

    return load_board(file)


def _say(common: Common, explanation: Explanation, why: bool) -> None:
    from harness.explain.telling import tell

    for line in tell(explanation, why=why):
        common.say(line)
