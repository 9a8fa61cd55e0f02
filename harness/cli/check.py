"""`wakeboard check`: all that is wrong with the files, at once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import click

from wakeboard.harness.cli.exits import Exit
from wakeboard.harness.cli.options import Common, common_options
from wakeboard.harness.cli.options import command as wakeboard_command
from wakeboard.results.counted import count

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.describe.files import Checked
    from wakeboard.harness.describe.problems import Problem
    from wakeboard.harness.explain.evidence.rough_parts import RoughPart

EXAMPLES = ["wakeboard check board.toml", "wakeboard check board.toml bench.toml first-power-on.toml"]


@wakeboard_command(examples=EXAMPLES)
@click.argument("files", nargs=-1, required=True, metavar="FILE...")
@common_options
def command(common: Common, files: tuple[str, ...]) -> int:
    """Read board, bench, sequence and units files and say what is wrong, all at once.

    Each problem has its file, line and key, what was found and what is allowed. A sequence is checked together with
    the board that it names; a bench with the board given along with it, or the board.toml beside it. Nothing is
    powered and no instrument is opened.

    Of a board with parts it says too of which ones the model is rough: what the drawing leaves out of them moves a
    rail, line or point by 50 mV or more, at one standard deviation, with some supply on by itself.
    """
    from wakeboard.harness.describe.files import check_files

    checked = check_files(files)
    rough: dict[str, list[RoughPart]] = {}
    problems = sorted({problem for each in checked for problem in each.problems})
    for problem in problems:
        _show(common, problem)
    for each in checked:
        for note in each.notes:
            _show(common, note, "note: ")
        _confirm(common, each)
        for line in _left(each):
            common.say(f"left: {line}")
        rough[each.file] = _rough(common, each)
    _sum_up(common, problems)
    common.emit(_document(checked, problems, rough))
    return Exit.USAGE if problems else Exit.GOOD


def _show(common: Common, problem: Problem, label: str = "") -> None:
    common.say(f"{label}{problem}")
    if problem.source.strip():
        common.say(f"    {problem.line:>4} | {problem.source.strip()[:110]}")


def _confirm(common: Common, checked: Checked) -> None:
    if not checked.problems:
        common.say(f"{checked.file}: good ({checked.says})")


def _left(checked: Checked) -> list[str]:
    """What a board that is good as it stands still leaves open."""
    if checked.kind != "board" or checked.problems:
        return []
    from wakeboard.harness.describe.load import load_board
    from wakeboard.harness.drawings.boardfile.left import left_to_do

    return left_to_do(load_board(checked.file))


ROUGH_SHOWN: Final = 5  # remarks that still leave the result on one screen


def _rough(common: Common, checked: Checked) -> list[RoughPart]:
    """Tells of which parts of a good board the model is rough. Not while the solver is not compiled: that takes long,
    and a check answers at once."""
    if checked.kind != "board" or checked.problems:
        return []
    from wakeboard.harness.describe.load import load_board
    from wakeboard.instruments.virtual.circuit import CircuitError
    from wakeboard.instruments.virtual.circuit.compiled.ahead import missing

    board = load_board(checked.file)
    if not board.parts:
        return []
    _say_without_tolerance(common, board)
    if missing():
        common.say("rough: told once the solver is compiled for this machine, by the first run, review or demo")
        return []
    from wakeboard.harness.explain.evidence.rough_parts import rough_parts

    try:
        found = rough_parts(board)
    except CircuitError:
        return []  # told as a problem by whatever solves it
    for each in found[:ROUGH_SHOWN]:
        common.say(f"rough: {_rough_line(each)}")
    if len(found) > ROUGH_SHOWN:
        common.say(f"rough: {count(len(found) - ROUGH_SHOWN, 'more part')}: --json has them")
    return found


def _say_without_tolerance(common: Common, board: Board) -> None:
    from wakeboard.harness.describe.board.circuit import board_circuit
    from wakeboard.harness.describe.board.spreads import table, without_tolerance

    bare = without_tolerance(board_circuit(board))
    if bare:
        more = f" and {count(len(bare) - ROUGH_SHOWN, 'more part')}" if len(bare) > ROUGH_SHOWN else ""
        named = f"{', '.join(bare[:ROUGH_SHOWN])}{more}"
        resistor = table()["resistor"]["value"]["factor"] - 1
        common.say(f"rough: {named} without a tolerance; taken as in spreads.toml (a resistor: {100 * resistor:.0f} %)")


def _rough_as_json(each: RoughPart) -> dict[str, object]:
    return {
        "part": each.part, "net": each.net, "state": each.state, "volts": each.volts, "says": list(each.says),
        "narrowed_by": list(each.keys),
    }  # fmt: skip


def _rough_line(each: RoughPart) -> str:
    from wakeboard.instruments.quantity import show

    how = f"; state its `{'` or `'.join(each.keys)}` to narrow that" if each.keys else ""
    moves = f"may move {each.net} by {show(each.volts, 'V', 2)} [{each.state}]"
    return f"{each.part}: {' and '.join(each.says)} {moves}{how}"


def _sum_up(common: Common, problems: list[Problem]) -> None:
    if problems:
        files = {problem.file for problem in problems}
        common.note(f"{count(len(problems), 'problem')} in {count(len(files), 'file')}")


def _document(checked: list[Checked], problems: list[Problem], rough: dict[str, list[RoughPart]]) -> dict[str, object]:
    return {
        "ok": not problems,
        "files": [
            {
                "file": each.file,
                "kind": each.kind,
                "says": each.says,
                "ok": not each.problems,
                "left": _left(each),
                "rough": [_rough_as_json(found) for found in rough.get(each.file, [])],
            }
            for each in checked
        ],
        "problems": [problem.as_json() for problem in problems],
        "notes": [note.as_json() for each in checked for note in each.notes],
    }
