"""The next revision as a folder of its own: its board file, and the other files of the first one beside it.

    files = write_out(board, plan, Path("rev-b"))      raises FileProblems, FolderInUse

The folder that the revision comes from is only read: its results stay what they are.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Final

from wakeboard.harness.revise.apply import applied, revised

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.revise.plan import Plan

_ONLY_OF_A: Final = ("units.toml", "places.json")
"""What is planted in A's units, and where A's drawing had its parts."""


class FolderInUse(ValueError):
    """The folder holds something already; nothing was written."""


def write_out(board: Board, plan: Plan, folder: Path) -> list[Path]:
    """Everything that was written; the board file first."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise FolderInUse(f"{folder} is there and not empty: name a new folder")
    revised(board, plan)  # refused before anything is written
    text = applied(board, plan)
    folder.mkdir(parents=True, exist_ok=True)
    name = Path(board.file).name
    written = [folder / name]
    written[0].write_text(text, encoding="utf-8", newline="\n")
    for file in _companions(board, plan):
        copy = folder / file.relative_to(Path(board.file).parent)
        copy.parent.mkdir(parents=True, exist_ok=True)
        copy.write_bytes(file.read_bytes())
        written.append(copy)
    return written


def _companions(board: Board, plan: Plan) -> Iterator[Path]:
    """Sequences, benches, pin tables and the part book: TOML beside the board, and the code that it names."""
    here = Path(board.file).parent
    not_these = {Path(board.file).resolve(), Path(plan.file).resolve()}
    for file in sorted([*here.glob("*.toml"), *here.glob("parts/*.toml"), *(here / name for name in board.board.own)]):
        mine = file.is_file() and file.resolve() not in not_these and file.name not in _ONLY_OF_A
        if mine and not file.name.startswith("revision-"):
            yield file
