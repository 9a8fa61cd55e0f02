"""Read the files: one call each, all problems at once.

board = load_board("board.toml")                 raises FileProblems
bench = load_bench("bench.toml", board)
sequence = load_sequence("first-power-on.toml")  its board is sequence.board
problems = check_files(["board.toml", "bench.toml"])
"""

from __future__ import annotations

import dataclasses
import os
from pathlib import Path

from wakeboard.harness.describe.bench import Bench, check_bench, place_dialects
from wakeboard.harness.describe.board.board import Board
from wakeboard.harness.describe.board.checks import check_board
from wakeboard.harness.describe.board.parts import read_parts
from wakeboard.harness.describe.own import take_own
from wakeboard.harness.describe.problems import FileProblems
from wakeboard.harness.describe.sequence.checks import check_sequence
from wakeboard.harness.describe.sequence.sequence import Sequence, read_head, read_steps, step_tables
from wakeboard.harness.describe.toml.collect import validated
from wakeboard.harness.describe.toml.document import Document, read, read_named, read_text
from wakeboard.harness.describe.toml.mend import mend
from wakeboard.harness.describe.toml.positions import line_of
from wakeboard.harness.describe.units import Units, check_units

PathLike = str | os.PathLike[str]


def load_board(file: PathLike) -> Board:
    """The board that a file describes. Raises FileProblems."""
    document = read(file)
    board = board_of(document)
    if document.problems or board is None:
        raise FileProblems(document.problems)
    return board


def board_of(document: Document) -> Board | None:
    """The board of a document as far as it can be read; its problems are added to the document.

    Where there are problems the board is good for checking names against, and for nothing else.
    """
    if not document.readable:
        return None
    take_own(document)
    parts, notes = read_parts(document)
    tables = _without_parts(document)
    board = validated(Board, tables)
    whole = board is not None
    if board is None:
        board, document.mended = mend(Board, tables.data)
    if board is not None:
        board.comes_from(document.file, document.text, parts, notes)
        check_board(board, document, values=whole)
    return board


def _without_parts(document: Document) -> Document:
    """The same document for the models, which leave [parts] to `parts`; problems go to the same list."""
    data = {key: value for key, value in document.data.items() if key != "parts"}
    return dataclasses.replace(document, data=data)


def beside(file: PathLike, name: str) -> Path:
    """A path that a file names, relative to that file's folder."""
    return Path(file).parent / name


def load_bench(file: PathLike, board: Board | None = None) -> Bench:
    """The bench that a file describes, checked against the board where one is given. Raises FileProblems."""
    document = read(file)
    bench = bench_of(document, board)
    if document.problems or bench is None:
        raise FileProblems(document.problems)
    return bench


def bench_of(document: Document, board: Board | None = None) -> Bench | None:
    """The bench of a document as far as it can be read; its problems are added to the document."""
    if not document.readable:
        return None
    place_dialects(document)
    bench = validated(Bench, document)
    if bench is None:
        bench, document.mended = mend(Bench, document.data)
    if bench is not None:
        bench.comes_from(document.file, document.text)
        check_bench(bench, document, board)
    return bench


def load_sequence(file: PathLike) -> Sequence:
    """The sequence that a file describes, with its board. Raises FileProblems, of both files."""
    document = read(file)
    sequence, board_document = sequence_of(document)
    problems = [*document.problems, *(board_document.problems if board_document else [])]
    if problems or sequence is None:
        raise FileProblems(problems)
    return sequence


def sequence_of_texts(sequence_text: str, board_text: str, file: str = "sequence") -> Sequence:
    """The sequence of two texts that came without their files. Raises FileProblems."""
    document, board_document = read_text(sequence_text, file), read_text(board_text, f"board of {file}")
    sequence, _ = sequence_of(document, board_document)
    if document.problems or board_document.problems or sequence is None:
        raise FileProblems([*document.problems, *board_document.problems])
    return sequence


def sequence_of(document: Document, board_document: Document | None = None) -> tuple[Sequence | None, Document | None]:
    """The sequence of a document, and the document of its board (read where it is not given); None where there is
    none."""
    if not document.readable:
        return None, None
    head = read_head(document)
    tables = step_tables(document)
    if board_document is None and head is not None:
        board_document = read_named(beside(document.file, head.board))
    board = board_of(board_document) if board_document else None  # first: it may bring step kinds of its own
    steps = read_steps(document, tables)
    if board is not None:
        check_sequence(tables, document, board)
    if head is None or board is None or None in steps:
        return None, board_document
    lines = tuple(line_of(document.lines, ("step", index)) for index in range(len(steps)))
    found = Sequence(head.title, board, tuple(steps), lines, head.says, document.file, document.text)
    return found, board_document


def load_units(file: PathLike) -> Units:
    """The units that a file describes, checked against its board. Raises FileProblems, of both files."""
    document = read(file)
    units, board_document = units_of(document)
    problems = [*document.problems, *(board_document.problems if board_document else [])]
    if problems or units is None:
        raise FileProblems(problems)
    return units


def units_of(document: Document) -> tuple[Units | None, Document | None]:
    """The units of a document, and the document of its board; None where there is none."""
    units = validated(Units, document) if document.readable else None
    if units is None:
        return None, None
    units.comes_from(document.file)
    board_document = read_named(beside(document.file, units.board))
    check_units(units, document, board_of(board_document))
    return units, board_document
