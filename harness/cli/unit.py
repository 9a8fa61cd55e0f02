"""`wakeboard unit`: the ledger of units, and what happened to one of them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from wakeboard.harness.cli.exits import Exit
from wakeboard.harness.cli.fitting import broken
from wakeboard.harness.cli.opened import board_name, board_option, by_option, only_board, opened, serial_of
from wakeboard.harness.cli.options import Common, common_options
from wakeboard.harness.cli.options import command as wakeboard_command
from wakeboard.results.continued import COLUMNS
from wakeboard.results.visible import visible

if TYPE_CHECKING:
    from wakeboard.results.ledger.ledger import Event, Ledger, Unit


@wakeboard_command(
    examples=[
        "wakeboard unit",
        "wakeboard unit SK-A-004",
        'wakeboard unit SK-A-004 --note "smelled warm at the regulator"',
        'wakeboard unit SK-A-004 --photo bridge.jpg --note "solder bridge at U2"',
        "wakeboard unit SK-A-006 --new --board board.toml",
    ]
)
@click.argument("serial", metavar="[SN]", required=False)
@click.option("--note", metavar="TEXT", help="Add a note to the unit's history; with --photo: what it shows.")
@click.option("--photo", metavar="FILE", help="Keep a photo of the unit: JPEG, PNG or WebP.")
@click.option("--new", is_flag=True, help="Enter the unit before its first run.")
@board_option
@by_option
@common_options
def command(
    common: Common, serial: str | None, note: str | None, photo: str | None, new: bool, board: str | None,
    by: str | None,
) -> int:  # fmt: skip
    """List the units, or tell the history of one: runs, rework, notes, photos, findings.

    A photo is kept as a picture alone: where and when it was taken, and with what, is not taken in.
    """
    if serial is None and (note is not None or photo is not None or new):
        raise click.UsageError("say which unit: wakeboard unit SN …")
    from wakeboard.results.ledger.ledger import Ledger

    name = board_name(board)
    serial = None if serial is None else serial_of(serial)
    data = None if photo is None else _photo(photo)
    with opened(common, board, create=new, write=bool(note or photo or new)) as store:
        ledger = Ledger(store)
        if serial is None:
            _list(common, ledger.units(name))
            return Exit.GOOD
        if new:
            ledger.add_unit(serial, only_board(store, name))
        if data is not None:
            ledger.add_photo(serial, data, note or "", board=name, by=by)
        elif note is not None:
            ledger.add_note(serial, note, board=name, by=by)
        _tell(common, ledger, serial, name)
    return Exit.GOOD


def _photo(file: str) -> bytes:
    """The bytes of a file, as many as a photo may have and one more."""
    from wakeboard.results.ledger.photos import MOST_BYTES

    try:
        with open(file, "rb") as opened_file:
            return opened_file.read(MOST_BYTES + 1)
    except OSError as error:
        raise click.UsageError(f"{file} cannot be read: {error.strerror or error}.") from None


def _list(common: Common, units: Sequence[Unit]) -> None:
    common.emit({"units": [_unit_json(unit) for unit in units]})
    if not units:
        common.say("No unit yet: its first run enters it.")
        return
    from rich.table import Table
    from rich.text import Text

    from wakeboard.results.ledger.text import when

    table = Table(box=None, pad_edge=False)
    for title in ("board", "unit", "runs", "latest", "outcome", "run", "rework in force"):
        table.add_column(title)
    for unit in units:
        latest = when(unit.last_started) if unit.last_started is not None else ""
        outcome = unit.outcome or ("no end" if unit.runs else "")
        rework = "; ".join(unit.rework)
        cells = (unit.board, unit.serial, str(unit.runs), latest, outcome, unit.last_run[:8], rework)
        table.add_row(*(Text(visible(cell)) for cell in cells))
    common.console().print(table)


def _unit_json(unit: Unit) -> dict[str, object]:
    return {
        "board": unit.board,
        "unit": unit.serial,
        "first_seen": unit.first_seen,
        "runs": unit.runs,
        "last_run": unit.last_run or None,
        "outcome": unit.outcome,
        "rework": list(unit.rework),
    }


def _tell(common: Common, ledger: Ledger, serial: str, board: str | None) -> None:
    from wakeboard.results.ledger.text import tell_history

    name = ledger.board_of(serial, board)
    events = ledger.history(serial, name)
    common.say("\n".join(broken(line, COLUMNS) for line in tell_history(name, serial, events).split("\n")))
    common.emit(
        {
            "unit": serial,
            "board": name,
            "rework": [
                {
                    "number": r.number,
                    "text": r.text,
                    "faults": list(r.faults),
                    "at": r.at,
                    "by": r.by,
                    "undone_at": r.undone_at,
                }
                for r in ledger.reworks(serial, name)
            ],
            "photos": [{"id": p.uuid, "text": p.text, "at": p.at, "by": p.by} for p in ledger.photos(serial, name)],
            "notes": [{"text": n.text, "at": n.at, "by": n.by} for n in ledger.notes(serial, name)],
            "history": [_event_json(event) for event in events],
        }
    )


def _event_json(event: Event) -> dict[str, object]:
    return {"at": event.at, "kind": event.kind, "text": event.text, "run": event.run or None, "by": event.by}
