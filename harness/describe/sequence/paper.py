"""A sequence played through on paper: which supplies are on, which were checked for a short."""

from __future__ import annotations

from typing import TYPE_CHECKING

from wakeboard.harness.describe.toml.document import Document, key_text

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.describe.toml.positions import Path


class Paper:
    """The sequence played through on paper. on: supplies that are on; checked: those whose check for a short has run.

    A step kind says by `on_paper` what it does to these, and what it refuses."""

    def __init__(self, document: Document, board: Board) -> None:
        self.board = board
        self.on: set[str] = set()
        self.checked: set[str] = set()
        self._document = document
        self._path: Path = ("step", 0)

    def at(self, index: int) -> None:
        """Go on to a step of the file."""
        self._path = ("step", index)

    @staticmethod
    def names(found: object) -> list[str]:
        """The names in a name or a list of names; what is no name is the step model's to refuse."""
        members = found if isinstance(found, list) else [found]
        return [name for name in members if isinstance(name, str)]

    def problem(self, key: str, found: str, allowed: str, near: str = "", *, index: int | None = None) -> None:
        """Something at a key of this step that cannot be, or at a member of it. near: a hint (problems.nearest)."""
        self._add((*self._path, key, *(() if index is None else (index,))), found, allowed, near)

    def _add(self, path: Path, found: str, allowed: str, near: str) -> None:
        """Not where the step's own model has found something at the same key already."""
        key = key_text(path)
        if not any(problem.key == key for problem in self._document.problems):
            self._document.add(path, found, allowed, near)
