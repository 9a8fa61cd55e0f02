"""A part that a person filled in once becomes an entry of the part book.

file, name = add_entry(Path("board.toml"), "U3", own=False)      raises FileProblems
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from wakeboard.harness.describe.load import load_board
from wakeboard.harness.describe.problems import FileProblems, Problem, nearest, one_of
from wakeboard.harness.describe.toml.document import Document, read
from wakeboard.harness.drawings.boardfile.draft import key_of, toml
from wakeboard.harness.drawings.parts.book import own_folder, read_entries
from wakeboard.harness.drawings.places.places import Places, places_beside

_LEFT_TO_THE_BOARD = ("place", "says", "pins", "kind")


def add_entry(board: Path, part: str, *, own: bool) -> tuple[Path, str]:
    """(file, name of the entry). The pin numbers and the part number come from the drawing that made the board."""
    design = load_board(board)
    document = read(board)
    if part not in design.parts:
        raise FileProblems(
            [_problem(board, f'the part "{part}"', one_of(design.parts, 15), nearest(part, design.parts))]
        )
    if design.parts[part].kind == "unmodelled":
        raise FileProblems(
            [_problem(board, f"{part}, which has no model yet", "a part that is filled in", "", f"parts.{part}")]
        )
    table = document.at(("parts", part))
    places = places_beside(board)
    text, name = _entry(document, part, table, design.parts[part].pins, places)
    folder = own_folder() if own else board.parent / "parts"
    file = folder / f"{name}.toml"
    if file.exists():
        raise FileProblems([Problem(str(file), 0, "", "a file of this name", "a new one: rename or remove it first")])
    read_entries(str(file), text)
    folder.mkdir(parents=True, exist_ok=True)
    file.write_text(text, encoding="utf-8", newline="\n")
    return file, name


def _problem(board: Path, found: str, allowed: str, hint: str = "", key: str = "parts") -> Problem:
    return Problem(str(board), 0, key, found, allowed, hint)


def _entry(document: Document, part: str, table: dict[str, Any], pins: Any, places: Places | None) -> tuple[str, str]:
    drawn = places.parts.get(part) if places else None
    label = (drawn.number or drawn.value) if drawn else ""
    name = re.sub(r"[^a-z0-9]+", "-", (label or part).casefold()).strip("-") or "part"
    numbered = _numbers(dict(pins), drawn.pins if drawn else {})
    rows = [
        f"# From {part} of {Path(document.file).name}. `match` says for which part numbers or values it is taken.",
        f"[{key_of(name)}]",
        f"match = {toml([label or part])}",
        f"kind = {toml(table['kind'])}",
        f"pins = {toml(numbered)}" + ("" if drawn else "   # the pin numbers: NUMBER = the kind's pin"),
    ]
    missing = [number for number in (drawn.pins if drawn else {}) if number not in numbered]
    if missing:
        rows.append(f"unused = {toml(missing)}")
    nested = {key: value for key, value in table.items() if key == "io"}
    rows += [
        f"{key_of(key)} = {toml(value)}" for key, value in table.items() if key not in (*_LEFT_TO_THE_BOARD, *nested)
    ]
    for key, value in nested.items():
        rows += ["", f"[{key_of(name)}.{key}]", *(f"{key_of(pin)} = {toml(row)}" for pin, row in value.items())]
    return "\n".join([*rows, ""]), name


def _numbers(pins: dict[str, str], drawn: dict[str, str]) -> dict[str, str]:
    """number -> pin of the kind: by the nets, where a pin's net tells; a name that is a number is one."""
    found: dict[str, str] = {}
    for number, net in drawn.items():
        here = [pin for pin, at in pins.items() if at == net]
        same = [pin for pin in here if pin not in found.values()]
        if len(here) == 1 or same:
            found[number] = (same or here)[0]
    return found or {pin: pin for pin in pins}
