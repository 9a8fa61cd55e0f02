"""Any of the four files, told apart by what stands in them: what `wakeboard check` reads."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from wakeboard.harness.describe.bench import Bench
from wakeboard.harness.describe.board.board import Board
from wakeboard.harness.describe.board.notes import board_notes, sequence_notes
from wakeboard.harness.describe.load import bench_of, board_of, sequence_of, units_of
from wakeboard.harness.describe.problems import FileProblems, Problem, one_of
from wakeboard.harness.describe.toml.document import Document, read
from wakeboard.harness.describe.units import units_notes
from wakeboard.results.counted import count

_MARKS = {"board": "a board file", "bench": "a bench file", "sequence": "a sequence file", "units": "a units file"}


@dataclass(frozen=True)
class Checked:
    """One file: what it is ("board", "bench", "sequence", "units", "" where nobody can tell), and a line on it.

    `notes` have the shape of problems and are none: what looks like a slip.
    """

    file: str
    kind: str
    says: str
    problems: tuple[Problem, ...]
    notes: tuple[Problem, ...] = ()


def kind_of_file(document: Document) -> str:
    """Which of the files this is, by its tables; "" where nothing tells."""
    data = document.data
    if "step" in data:
        return "sequence"
    if "units" in data:
        return "units"
    if "instruments" in data or "probing" in data:
        return "bench"
    if any(key in data for key in ("supplies", "rails", "lines", "points", "parts")) or isinstance(
        data.get("board"), dict
    ):
        return "board"
    return "sequence" if "title" in data else ""


def check_files(files: Iterable[str | os.PathLike[str]]) -> list[Checked]:
    """Every file with all that is wrong with it, and of the boards that sequences name.

    A bench is checked against the board that is given along with it, else against one beside it.
    """
    documents = [read(file) for file in files]
    kinds = [kind_of_file(document) for document in documents]
    boards: dict[str, Board | None] = {}
    checked = []
    for document, kind in sorted(zip(documents, kinds, strict=True), key=lambda pair: pair[1] != "board"):
        checked.append(_check(document, kind, boards))
    order = [document.file for document in documents]
    return sorted(checked, key=lambda each: order.index(each.file))


def _check(document: Document, kind: str, boards: dict[str, Board | None]) -> Checked:
    problems = document.problems
    if not document.readable:
        return Checked(document.file, "", "", tuple(problems))
    says = ""
    notes: list[Problem] = []
    if kind == "board":
        board = boards[os.path.realpath(document.file)] = board_of(document)
        if board:
            _pin_tables(board, document)
        if board and not problems:
            says, notes = _board_says(board), board_notes(board, document)
    elif kind == "bench":
        bench = bench_of(document, _board_beside(document, boards))
        says = _bench_says(bench) if bench and not problems else ""
    elif kind == "sequence":
        sequence, board_document = sequence_of(document)
        problems = [*problems, *(board_document.problems if board_document else [])]
        says = f"{sequence.title}: {count(len(sequence.steps), 'step')}" if sequence else ""
        notes = sequence_notes(sequence, document) if sequence and not problems else []
    elif kind == "units":
        units, board_document = units_of(document)
        problems = [*problems, *(board_document.problems if board_document else [])]
        says = count(len(units.units), "unit") if units else ""
        of = board_of(board_document) if units and board_document and not problems else None
        notes = units_notes(units, document, of) if units and of else []
    else:
        document.add((), "none of the tables that tell what it is", one_of(_MARKS.values()), "see `wakeboard new`")
    return Checked(document.file, kind, says, tuple(sorted(set(problems))), tuple(notes))


def _pin_tables(board: Board, document: Document) -> None:
    """The pin tables that parts name, packaged or beside the board: read by `review`, checked here too."""
    from wakeboard.harness.describe.board.pin_tables import load_pin_table

    for name in board.parts:
        table, path = board.note(name).pin_table, ("parts", name, "pin_table")
        try:
            if table:
                load_pin_table(table, str(Path(document.file).parent))
        except FileProblems as error:
            for problem in error.problems:
                where = f"{problem.key} in {table}: ".lstrip() if problem.key != "pin_table" else ""
                document.add(path, where + problem.found, problem.allowed, problem.hint)
        except (OSError, ValueError) as error:
            document.add(path, str(error), "a pin table that can be read")


def _board_beside(document: Document, boards: dict[str, Board | None]) -> Board | None:
    if len(boards) == 1:
        return next(iter(boards.values()))
    beside = Path(document.file).parent / "board.toml"
    known = boards.get(os.path.realpath(beside))
    if known is not None or not beside.is_file():
        return known
    return board_of(read(beside))


def _bench_says(bench: Bench) -> str:
    return f"{count(len(bench.instruments), 'instrument')}, probing by {bench.probing.by}"


def _board_says(board: Board) -> str:
    told = [count(len(board.supplies), "supply", "supplies")]
    told += [count(len(getattr(board, f"{one}s")), one) for one in ("rail", "line", "point", "part")]
    assumed = "" if "ground" in board.board.model_fields_set else f"; ground is not written: {board.ground} is assumed"
    return f"{board.name} {board.revision}: {', '.join(told)}{assumed}"
