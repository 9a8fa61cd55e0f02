"""Pin tables of processors: what a pin does besides being a pin (sequences/pins/*.toml, or a file beside the board)."""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wakeboard.harness.describe.document import read_named
from wakeboard.harness.describe.problems import FileProblems, Problem, nearest, one_of

if TYPE_CHECKING:
    from wakeboard.harness.describe.board import Board
    from wakeboard.instruments.virtual.circuit.part import Part

PIN_KEYS = ("type", "boot", "reserved_by", "debug", "strap", "pull_up", "pull_down", "drives", "max", "selectable_pull")


@dataclass(frozen=True)
class PinFacts:
    """One pin: type, what reserves it by option, its debug function, the level it must have at reset as a strap."""

    type: str = "io"
    reserved_by: Mapping[str, str] = field(default_factory=dict)
    debug: str = ""
    strap: str | None = None
    strap_says: str = ""


@dataclass(frozen=True)
class PinTable:
    name: str
    source: str
    every: PinFacts
    pins: Mapping[str, PinFacts]

    def pin(self, name: str) -> PinFacts:
        return self.pins.get(name, self.every)


def pin_facts(board: Board) -> Iterator[tuple[Part, str, PinFacts]]:
    """(part, pin, facts) of every pin of every part that names a pin table. Raises FileProblems."""
    for part in board.parts.values():
        note = board.note(part.name)
        if note.pin_table:
            table = load_pin_table(note.pin_table, str(Path(board.file).parent))
            for pin in part.pins:
                yield part, pin, table.pin(note.aliases.get(pin, pin))


def packaged() -> list[str]:
    """The names of the tables that come with the package."""
    folder = resources.files("wakeboard.sequences").joinpath("pins")
    return sorted(item.name.removesuffix(".toml") for item in folder.iterdir() if item.name.endswith(".toml"))


@functools.cache
def load_pin_table(name: str, beside: str) -> PinTable:
    """A packaged table by name, or a TOML file beside the board. Raises FileProblems for what is wrong in it."""
    own = Path(beside) / name
    if name.endswith(".toml") and own.exists():
        document = read_named(own)
        if document.problems:
            raise FileProblems(document.problems)
        return _table(str(own), document.data)
    if name.endswith(".toml"):
        file, text = str(own), None
    else:
        found = resources.files("wakeboard.sequences").joinpath("pins", f"{name}.toml")
        file, text = f"{name}.toml", found.read_text(encoding="utf-8") if found.is_file() else None
    if text is None:
        hint = nearest(name, packaged())
        raise FileProblems([Problem(file, 1, "pin_table", f'the pin table "{name}"', one_of(packaged(), 20), hint)])
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise FileProblems([Problem(file, 1, "", str(error), "a TOML file")]) from None
    return _table(file, raw)


def _table(file: str, raw: Mapping[str, Any]) -> PinTable:
    problems: list[Problem] = []
    every = _facts(file, "every", raw.get("every", {}), problems)
    pins = {name: _facts(file, f"pins.{name}", entry, problems) for name, entry in raw.get("pins", {}).items()}
    if problems:
        raise FileProblems(problems)
    return PinTable(str(raw.get("name", file)), str(raw.get("source", "")), every, pins)


def _facts(file: str, key: str, entry: Any, problems: list[Problem]) -> PinFacts:
    if not isinstance(entry, dict):
        problems.append(Problem(file, 1, key, repr(entry), "a table"))
        return PinFacts()
    for word in entry:
        if word not in PIN_KEYS:
            hint = nearest(word, PIN_KEYS)
            problems.append(Problem(file, 1, f"{key}.{word}", f"the unknown key {word!r}", one_of(PIN_KEYS, 20), hint))
    strap = entry.get("strap", {})
    level = strap.get("level") if isinstance(strap, dict) else strap
    if level not in (None, "low", "high"):
        problems.append(Problem(file, 1, f"{key}.strap.level", repr(level), '"low" or "high"'))
    reserved = entry.get("reserved_by", {})
    if not isinstance(reserved, dict):
        problems.append(Problem(file, 1, f"{key}.reserved_by", repr(reserved), '{ option = "what for" }'))
        reserved = {}
    if entry.get("strap") and entry.get("drives"):
        problems.append(
            Problem(file, 1, key, "a strap that the pin itself drives", "either `strap` or `drives`: they contradict")
        )
    says = str(strap.get("says", "")) if isinstance(strap, dict) else ""
    return PinFacts(str(entry.get("type", "io")), reserved, str(entry.get("debug", "")), level, says)
