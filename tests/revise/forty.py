"""The drawings and changes of forty.toml, twenty.toml and ten.toml, as boards and plans."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final


@dataclass(frozen=True)
class Drawing:
    """text: a board file without its head; learned: as in a plan; changes: (truth, the change as TOML, why by hand)."""

    name: str
    flaw: str
    text: str
    changes: tuple[tuple[str, str, str], ...]
    learned: tuple[str, ...] = ()

    @classmethod
    def of(cls, table: Mapping[str, Any]) -> Drawing:
        changes = tuple((each["truth"], each["change"], each["why"]) for each in table["change"])
        return cls(table["name"], table["flaw"], table["text"], changes, tuple(table.get("learned", ())))

    def board(self, folder: Path) -> Path:
        file = folder / "board.toml"
        head = f'[board]\nname = "{self.name}"\nrevision = "A"\nground = "GND"\n'
        file.write_text(head + self.text, encoding="utf-8")
        return file

    def plan(self, folder: Path, number: int) -> Path:
        """The plan of one change."""
        file = folder / f"revision-{number}.toml"
        learned = ", ".join(f'"{each}"' for each in self.learned)
        head = f'board = "board.toml"\nrevision = "B"\nlearned = [{learned}]\n[[change]]\ntitle = "one"\n'
        file.write_text(head + self.changes[number][1], encoding="utf-8")
        return file


def _drawings(name: str) -> tuple[Drawing, ...]:
    tables = tomllib.loads(Path(__file__).with_name(name).read_text(encoding="utf-8"))
    return tuple(map(Drawing.of, tables["drawing"]))


DRAWINGS: Final = _drawings("forty.toml")
LATER: Final = _drawings("twenty.toml")
LATEST: Final = _drawings("ten.toml")
