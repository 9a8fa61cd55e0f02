"""`wakeboard learnt`: what the units of a board show of its parts, and writing that into the board file."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wakeboard.harness.cli.exits import Exit
from wakeboard.harness.cli.opened import opened
from wakeboard.harness.cli.options import Common, common_options
from wakeboard.harness.cli.options import command as wakeboard_command
from wakeboard.results.counted import count

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.explain.evidence.roughness import Learnt
    from wakeboard.harness.explain.unit.learnt import Taught


@wakeboard_command(examples=["wakeboard learnt board.toml", "wakeboard learnt board.toml --write"])
@click.argument("board_file", metavar="BOARD.toml")
@click.option("--write", is_flag=True, help="Write the values into the board file, after asking.")
@click.option("--yes", is_flag=True, help="With --write: do not ask.")
@common_options
def command(common: Common, board_file: str, write: bool, yes: bool) -> int:
    """Tell what the latest runs of a board's units show of its parts: values that are not as drawn in any unit.

    What a type of part does it does in every unit: a chip that draws more, a diode of another make. That is no fault
    of a unit, and `explain` takes it in by itself. With --write it becomes part of the drawing, with its expanded
    uncertainty (k = 2) as tolerance; comments stay. Runs keep the board file that they were made with: units are
    compared with the new file from their next run on.
    """
    from wakeboard.harness.describe.load import load_board
    from wakeboard.harness.explain.unit.learnt import learnt

    board = load_board(board_file)
    with opened(common, board_file) as store:
        taught = learnt(store, board)
    _tell(common, board, taught)
    written = _write(common, board, Path(board_file), taught, yes) if write else ()
    common.emit(_document(board, taught, written))
    return Exit.GOOD


def _tell(common: Common, board: Board, taught: Taught) -> None:
    from wakeboard.instruments.quantity import show

    common.say(f"{board.name} {board.revision}, by {count(len(taught.units), 'unit')}: {', '.join(taught.units)}")
    if not taught.values:
        common.say("  nothing that all of them show is otherwise than drawn")
    for value in taught.values:
        unit = _unit(board, value)
        says = f" ({value.says})" if not value.path.endswith(value.says) else ""
        common.say(
            f"  {value.path}{says} is {show(value.value, unit, 2)} ± {show(value.u, unit, 1)}, "
            f"drawn as {show(value.drawn, unit, 2)}"
        )


def _unit(board: Board, value: Learnt) -> str:
    from wakeboard.harness.describe.board.parts import value_unit

    part, _, tail = value.path.partition(".")
    return value_unit(board.parts[part], tail)


def _write(common: Common, board: Board, file: Path, taught: Taught, yes: bool) -> tuple[str, ...]:
    """The values that were written, by path."""
    from wakeboard.harness.explain.unit.learnt import as_keys

    keys = {value.path: found for value in taught.values if (found := as_keys(board, value)) is not None}
    good = {path: table for path, table in keys.items() if _still_a_board(board, [table])}
    for value in taught.values:
        if value.path not in good:
            common.note(f"{value.path}: no key of a board file states it: left as drawn")
    if not good:
        common.say("nothing to write")
        return ()
    if not yes and not _agreed(file, len(good)):
        common.say(f"{file} is left as it is")
        return ()
    from wakeboard.results.export import whole_file

    with whole_file(file) as draft:
        draft.write_text(_text(board, list(good.values())), encoding="utf-8", newline="\n")
    common.say(f"{file}: {count(len(good), 'value')} written")
    return tuple(good)


def _agreed(file: Path, values: int) -> bool:
    if not sys.stdin.isatty():
        raise click.UsageError("nobody is here to be asked: say --yes to write without asking.")
    return click.confirm(f"Write {count(values, 'value')} into {file}?", default=False, err=True)


def _text(board: Board, tables: Sequence[Any]) -> str:
    from wakeboard.harness.revise.apply import with_keys

    return with_keys(board.text, tables)


def _still_a_board(board: Board, tables: Sequence[object]) -> bool:
    """Whether the file is one with these keys."""
    from wakeboard.harness.describe.load import board_of
    from wakeboard.harness.describe.toml.document import read_text

    document = read_text(_text(board, tables), board.file)
    return board_of(document) is not None and not document.problems


def _document(board: Board, taught: Taught, written: Sequence[str]) -> dict[str, object]:
    return {
        "board": board.name, "revision": board.revision, "units": list(taught.units), "scale": taught.scale,
        "learnt": [
            {"value": v.path, "says": v.says, "drawn": v.drawn, "learnt": v.value, "u": v.u,
             "written": v.path in written}
            for v in taught.values
        ],
    }  # fmt: skip
