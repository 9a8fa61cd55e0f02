"""The twelve drawings and what is planted in them: reading, reviewing, and counting what was raised."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from wakeboard.harness.describe.board.notes import board_notes
from wakeboard.harness.describe.files import read
from wakeboard.harness.describe.load import load_board
from wakeboard.harness.describe.problems import FileProblems
from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.review import Review, review

FOLDER = Path(__file__).parent / "boards"
FRESH = Path(__file__).parent / "fresh"


@dataclass(frozen=True)
class Mistake:
    """One change of a drawing: what it is, (found, put) texts, the rules that may say it, a net that they name."""

    board: str
    number: int
    says: str
    edits: tuple[tuple[str, str], ...]
    rules: tuple[str, ...]
    net: str

    def apply(self, text: str) -> str:
        for found, put in self.edits:
            if text.count(found) != 1:
                raise ValueError(f"{self.board} {self.number} ({self.says}): {text.count(found)} times {found!r}")
            text = text.replace(found, put)
        return text


@dataclass(frozen=True)
class Outcome:
    """What a review of a planted drawing said."""

    mistake: Mistake
    raised: bool
    heads: int
    false: int
    """Concerns that the mistake does not explain, and those beyond the first that it does."""
    says: tuple[str, ...]


def names(folder: Path = FOLDER) -> list[str]:
    return sorted(path.stem for path in folder.glob("*.toml") if not path.stem.endswith("-mistakes"))


def _file(name: str) -> Path:
    """A drawing's or a list of mistakes' file, of whichever folder has it."""
    return next(path for folder in (FOLDER, FRESH) if (path := folder / f"{name}.toml").exists())


def drawing(name: str) -> str:
    return _file(name).read_text(encoding="utf-8")


def mistakes(name: str) -> Iterator[Mistake]:
    raw = tomllib.loads(_file(f"{name}-mistakes").read_text(encoding="utf-8"))
    for number, each in enumerate(raw["mistake"], 1):
        edits = tuple((found, put) for found, put in each["edits"])
        yield Mistake(name, number, each["says"], edits, tuple(each["rules"]), each["net"])


def reviewed(text: str, folder: Path) -> tuple[list[Concern], list[str]]:
    """The concerns of a drawing, and the notes of `check` on it."""
    found, notes = looked_at(text, folder)
    return found.concerns, notes


def looked_at(text: str, folder: Path) -> tuple[Review, list[str]]:
    """The review of a drawing, and the notes of `check` on it."""
    file = folder / "board.toml"
    file.write_text(text, encoding="utf-8")
    board = load_board(str(file))
    return review(board), [note.found for note in board_notes(board, read(str(file)))]


def outcome(mistake: Mistake, folder: Path) -> Outcome:
    """Review the drawing with one mistake in it. A file that is refused for it counts as raised."""
    try:
        found, notes = looked_at(mistake.apply(drawing(mistake.board)), folder)
    except FileProblems as error:
        return Outcome(mistake, True, 0, 0, (str(error),))
    noted = "note" in mistake.rules and any(mistake.net in note for note in notes)
    concerns = found.concerns
    asked = any(_says(each, mistake) for each in found.questions)
    hits = [c for c in concerns if any(_says(each, mistake) for each in (c, *c.also))]
    raised = bool(hits) or noted or asked
    says = tuple(f"{c.rule} {','.join(c.nets)} [{len(c.also)}]: {c.says}" for c in concerns) + tuple(notes)
    says += tuple(f"question: {c.rule} {','.join(c.nets)}: {c.says}" for c in found.questions)
    return Outcome(mistake, raised, len(concerns), len(concerns) - min(len(hits), 1), says)


def _says(concern: Concern, mistake: Mistake) -> bool:
    return concern.rule in mistake.rules and mistake.net in concern.nets
