"""What is left to say of a board that a drawing made, most useful first, and what works already.

    for line in left_to_do(board): ...

Parts without a model matter by what they reach: those that feed rails first, then those on lines, then by pins.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Final

from wakeboard.results.counted import count

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.instruments.virtual.circuit.part import Part

FILL: Final = "FILL IN:"
LEAST_PINS: Final = 3  # a two-pin part without a model (a crystal, an antenna) changes no operating point
MOST_NAMED: Final = 5  # names that a line of 80 columns holds


def left_to_do(board: Board) -> list[str]:
    """Sentences for a person; none where nothing is left."""
    return [*_supplies(board), *_parts(board), *_marks(board)]


def unfilled(text: str, places: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
    """Those of a drawing's places to fill in that still carry their mark in a board file that was worked on."""
    marked = [row.removeprefix("# ") for row in text.splitlines() if FILL in row]
    return [(at, what) for at, what in places if any(row.startswith(_heads(at)) for row in marked)]


def _heads(at: str) -> tuple[str, ...]:
    """How the row of a table begins: "parts.U1" as [parts.U1] or U1 = {…}."""
    section, _, name = at.partition(".")
    names = (name, f'"{name}"')
    return tuple(head for each in names for head in (f"[{section}.{each}]", f"{each} ="))


def _supplies(board: Board) -> Iterator[str]:
    """A supply whose voltage nobody has said yet carries the mark on its line."""
    rows = board.text.splitlines()
    for name in board.supplies:
        if any(row.startswith(f"[supplies.{name}]") and FILL in row for row in rows):
            yield f"say the voltage of the supply {name} first: every power-on rests on it"


def unmodelled(board: Board) -> list[Part]:
    """Parts without a model that can matter, the most useful to describe first."""
    found = [part for part in board.parts.values() if part.kind == "unmodelled" and len(part.pins) >= LEAST_PINS]
    return sorted(found, key=lambda part: (-_rails(board, part), -_lines(board, part), -len(part.pins), part.name))


def _rails(board: Board, part: Part) -> int:
    nets = {rail.net for rail in board.rails.values()} | {supply.net for supply in board.supplies.values()}
    return len(nets & set(part.pins.values()))


def _lines(board: Board, part: Part) -> int:
    return len({line.net for line in board.lines.values()} & set(part.pins.values()))


def _parts(board: Board) -> Iterator[str]:
    found = unmodelled(board)
    if not found:
        return
    feeding = [part for part in found if _rails(board, part) >= 2]
    first = feeding or found
    names = ", ".join(part.name for part in first[:MOST_NAMED]) + (" …" if len(first) > MOST_NAMED else "")
    why = "since they are on two rails and more" if feeding else "with the most lines and pins"
    lacking = f"{len(found)} of {count(len(board.parts), 'part')} {'has' if len(found) == 1 else 'have'} no model"
    yield f"{lacking}; describe first: {names}, {why} (`wakeboard parts` shows the kinds)"
    yield "works without them: shorts, rails, lines and comparison; review and explain see only what is modelled"


def _marks(board: Board) -> Iterator[str]:
    rows = [row for row in board.text.splitlines() if FILL in row and f'"{FILL}"' not in row]  # the head explains it
    other = [row for row in rows if 'kind = "unmodelled"' not in row and not row.startswith("[supplies.")]
    if other:
        yield f"{len(other)} more {'place' if len(other) == 1 else 'places'} in the file: look for {FILL.rstrip(':')}"
