"""A board as a drawing in neutral files: what `wakeboard new` makes the same parts of again.

    files = drawing_of(board)      {"netlist.ipc": …, "bom.csv": …, "parts/skep.toml": …}

The netlist is IPC-D-356A (nets, pins by number, test points), the list of parts a CSV, and what no neutral format can
say of a chip stands in a part book. Supplies, rails, lines and links are intent: no drawing has them.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any, Final

from wakeboard.harness.describe.problems import FileProblems, Problem
from wakeboard.harness.describe.toml.document import read_text
from wakeboard.harness.drawings.boardfile.draft import key_of, natural, toml
from wakeboard.harness.drawings.parts.telling import TEST_POINTS
from wakeboard.harness.drawings.references import split

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board

LONGEST_NET: Final = 14  # characters that a record of IPC-D-356 has for a net, …
LONGEST_PART: Final = 6  # … and for a reference
_PLAIN_KEYS: Final = ("kind", "value", "tolerance", "pins", "max", "place", "says")
_PLAIN_KINDS: Final = {"R": "resistor", "C": "capacitor"}


def drawing_of(board: Board) -> dict[str, str]:
    """name -> text of each file. Raises FileProblems for names that the format has no room for."""
    tables = read_text(board.text, board.file).data.get("parts", {})
    slug = re.sub(r"[^a-z0-9]+", "-", board.name.casefold()).strip("-") or "board"
    book = [name for name in board.parts if not _is_plain(name, tables[name])]
    return {
        "netlist.ipc": netlist(board),
        "bom.csv": _bom(board, tables, slug, book),
        f"parts/{slug}.toml": "\n".join(_book(board, tables, slug, book)) + "\n",
    }


def netlist(board: Board) -> str:
    """IPC-D-356A without places: every pin on its net, pins numbered in the order of the board file."""
    long = [name for name in board.parts if len(name) > LONGEST_PART]
    if long:
        allowed = f"references of at most {LONGEST_PART} characters, as IPC-D-356 has them"
        raise FileProblems([Problem(board.file, 0, f"parts.{name}", f'"{name}"', allowed) for name in long])
    alias = {net: f"NNAME{k}" for k, net in enumerate(sorted(n for n in board.nets if len(n) > LONGEST_NET), 1)}
    rows = ["C  nets and pins without places", "P  UNITS CUST 1", f"P  TITLE {board.name} {board.revision}"]
    rows += [f"P  {short} {net}" for net, short in alias.items()]
    rows += [_record(alias.get(net, net), part, pin) for part, pin, net in _pins(board)]
    return "\n".join([*rows, "999", ""])


def _pins(board: Board) -> Iterator[tuple[str, int, str]]:
    for part in board.parts.values():
        yield from ((part.name, number, net) for number, net in enumerate(part.pins.values(), 1))
    for name, point in board.points.items():
        if split(name)[0] in TEST_POINTS and len(name) <= LONGEST_PART:
            yield name, 1, point.net


def _record(net: str, part: str, pin: int) -> str:
    return f"317{net:<14}   {part:<6}-{pin:<4} D0000PA00X+000000Y+000000X0000Y0000R000 S0"


def _is_plain(name: str, table: object) -> bool:
    """Whether value and tolerance in a list say all of a part."""
    return (
        isinstance(table, dict)
        and _PLAIN_KINDS.get(split(name)[0]) == table.get("kind")
        and set(table) <= set(_PLAIN_KEYS)
        and set(table.get("max", {})) <= {"voltage", "power"}
    )


def _bom(board: Board, tables: Mapping[str, Any], slug: str, book: list[str]) -> str:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(["Reference", "Value", "Part Number"])
    for name in sorted(board.parts, key=natural):
        number = f"{slug}-{name}" if name in book else ""
        writer.writerow([name, "" if number else _marking(tables[name]), number])
    return stream.getvalue()


def _marking(table: Mapping[str, Any]) -> str:
    words = [table.get("value"), table.get("tolerance"), *table.get("max", {}).values()]
    return " ".join(str(word).replace(" ", "") for word in words if word)


def _book(board: Board, tables: Mapping[str, Any], slug: str, book: list[str]) -> Iterator[str]:
    yield f"# The parts of {board.name} that a list cannot describe: `match` is the part number of bom.csv."
    for name in book:
        table = tables[name]
        numbered = {str(number): pin for number, pin in enumerate(board.parts[name].pins, 1)}
        key = key_of(f"{slug}-{name}")
        yield from ("", f"[{key}]", f"match = {toml([f'{slug}-{name}'])}", f"kind = {toml(table['kind'])}")
        yield f"pins = {toml(numbered)}"
        rest = {word: value for word, value in table.items() if word not in ("kind", "pins", "place", "says", "io")}
        yield from (f"{key_of(word)} = {toml(value)}" for word, value in rest.items())
        if table.get("io"):
            yield from (f"[{key}.io]", *(f"{key_of(pin)} = {toml(row)}" for pin, row in table["io"].items()))
