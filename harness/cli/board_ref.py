"""Which board a command means: a board file, a folder that holds one, or the name of a board in the results."""

from __future__ import annotations

import difflib
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from wakeboard.results.store.store import Store


def board_of(text: str) -> tuple[str, Path | None]:
    """(board name, board file or None). The board file need not be free of mistakes for this."""
    path = Path(text)
    if path.is_dir():
        path = path / "board.toml"
    if path.is_file():
        return _name_in(path), path
    if path.suffix == ".toml" or path.parent != Path():
        raise click.UsageError(f"there is no board file {path}")
    return text, None


def _name_in(path: Path) -> str:
    from wakeboard.harness.describe.toml.document import read

    name = read(path).at(("board", "name"))
    if isinstance(name, str):
        return name
    from wakeboard.harness.describe.load import load_board

    return load_board(path).name  # raises the mistakes with their lines


def must_have(store: Store, board: str) -> None:
    """A clear error where the results hold nothing of this board."""
    known = store.boards()
    if board in known:
        return
    near = difflib.get_close_matches(board, known, n=1)
    hint = f" Did you mean '{near[0]}'?" if near else f" It has: {', '.join(known)}." if known else " It is empty."
    raise click.UsageError(f"{store.name} holds no run of a board '{board}'.{hint}")
