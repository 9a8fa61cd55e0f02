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

from harness.describe.board import Board
from harness.describe.board_checks import check_board
from harness.describe.collect import validated
from harness.describe.document import Document, read
from harness.describe.parts import read_parts
from harness.describe.problems import FileProblems

PathLike = str | os.PathLike[str]


def load_board(file: PathLike) -> Board:
    """The board that a file describes. Raises FileProblems."""
    document = read(file)
    board = board_of(document)
    if document.problems or board is None:
        raise FileProblems(document.problems)
    return board


def board_of(document: Document) -> Board | None:
    """The board of a document as far as it can be read; its problems are added to the document."""
    if not document.readable:
        return None
    parts, notes = read_parts(document)
    board = validated(Board, _without_parts(document))
    if board is None:
        return None
    board._parts, board._notes = parts, notes
    board._file, board._text = document.file, document.text
    check_board(board, document)
    return board


def _without_parts(document: Document) -> Document:
    """The same document for the models, which leave [parts] to `parts`; problems go to the same list."""
    data = {key: value for key, value in document.data.items() if key != "parts"}
    return dataclasses.replace(document, data=data)


def folder_of(file: PathLike) -> Path:
    return Path(file).resolve().parent
