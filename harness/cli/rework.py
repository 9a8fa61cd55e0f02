"""`wakeboard rework`: what was done to a unit, and what that makes of its circuit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from wakeboard.harness.cli.exits import Exit
from wakeboard.harness.cli.opened import (
    board_name,
    board_option,
    by_option,
    checked_faults,
    opened,
    serial_of,
    the_board,
)
from wakeboard.harness.cli.options import Common, common_options
from wakeboard.harness.cli.options import command as wakeboard_command
from wakeboard.results.visible import visible

if TYPE_CHECKING:
    from wakeboard.results.records import Rework


@wakeboard_command(
    examples=[
        'wakeboard rework SK-A-004 "1 kΩ across R31" --fault R31:value=979',
        'wakeboard rework SK-A-002 "D3 turned round" --fault D3:as_drawn',
        "wakeboard rework SK-A-004",
        'wakeboard rework SK-A-004 --undo 1 "taken off again"',
    ]
)
@click.argument("serial", metavar="SN")
@click.argument("text", required=False)
@click.option(
    "--fault",
    "faults",
    metavar="FAULT",
    multiple=True,
    help="What it does to the circuit, as a fault text (R31:value=1k, D3:missing). Again for more.",
)
@click.option("--undo", metavar="N", type=int, help="Rework N was taken back.")
@board_option
@by_option
@common_options
def command(
    common: Common,
    serial: str,
    text: str | None,
    faults: tuple[str, ...],
    undo: int | None,
    board: str | None,
    by: str | None,
) -> int:
    """Note a rework of a unit: a cut trace, a lifted part, a bodge. Without a text: list what was done.

    With --fault the unit's circuit changes too: limits, rehearsals and explanations of its next runs follow. What a
    repair makes good is written as_drawn: D3:as_drawn, +3V3+GND:as_drawn. A rework is never deleted; --undo adds a row
    that says it was taken back.
    """
    if undo is not None and faults:
        raise click.UsageError("--undo takes a rework back; it takes no --fault")
    if text is None and faults:
        raise click.UsageError("say what was done: wakeboard rework SN TEXT --fault …")
    from wakeboard.results.ledger.ledger import Ledger

    serial, name = serial_of(serial), board_name(board)
    with opened(common, board, write=text is not None or undo is not None) as store:
        ledger = Ledger(store)
        name = ledger.board_of(serial, name)
        if undo is not None:
            ledger.undo_rework(serial, undo, text or "", board=name, by=by)
        elif text is not None:
            fitting = checked_faults(faults, the_board(store, board, name, serial) if faults else None)
            ledger.add_rework(serial, text, fitting, board=name, by=by)
        _show(common, name, serial, ledger.reworks(serial, name))
    return Exit.GOOD


def _show(common: Common, board: str, serial: str, done: Sequence[Rework]) -> None:
    from wakeboard.results.ledger.text import faults_text, when

    common.emit({"unit": serial, "board": board, "rework": [_json(rework) for rework in done]})
    if not done:
        common.say(visible(f"{board}, unit {serial}: no rework"))
        return
    common.say(visible(f"{board}, unit {serial}"))
    for rework in done:
        state = f"undone {when(rework.undone_at)}" if rework.undone_at is not None else "in force"
        common.say(visible(f"{rework.number}. {when(rework.at)}  {rework.text}{faults_text(rework.faults)}  {state}"))


def _json(rework: Rework) -> dict[str, object]:
    return {
        "number": rework.number,
        "text": rework.text,
        "faults": list(rework.faults),
        "at": rework.at,
        "by": rework.by,
        "uuid": rework.uuid,
        "undone_at": rework.undone_at,
    }
