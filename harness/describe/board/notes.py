"""What is not wrong in a board file, but looks like a slip: a person decides.

A net exists because a pin names it, so a mistyped net is no error: it is a new net with one pin on it. And a circuit
that no solver could answer (a net that nothing conducts to) still is a board that can be measured.
"""

from __future__ import annotations

import json
import os
import re
from collections import Counter
from collections.abc import Iterator
from typing import TYPE_CHECKING

from wakeboard.harness.describe.board.board import Board
from wakeboard.harness.describe.board.parts import board_kinds, nets_of
from wakeboard.harness.describe.board.sane import out_of_range
from wakeboard.harness.describe.problems import Problem, nearest, quoted
from wakeboard.harness.describe.sequence.steps import EVERY, groups_of, step_kinds
from wakeboard.harness.describe.toml.document import Document
from wakeboard.harness.describe.toml.positions import Path
from wakeboard.instruments.quantity import show

if TYPE_CHECKING:
    from wakeboard.harness.describe.sequence.sequence import Sequence


SHOWN = 6  # names in a note: a line of a terminal
_CAPACITOR = re.compile(r"C\d")


def board_notes(board: Board, document: Document) -> list[Problem]:
    """Notes on a board that has no problems, in the shape of problems."""
    notes = Document(document.file, document.text, document.data, document.lines)
    _lonely_nets(board, notes)
    _unusual_values(board, notes)
    _capacitors_left_out(board, notes)
    _circuit(board, notes)
    return notes.problems


def sequence_notes(sequence: Sequence, document: Document) -> list[Problem]:
    """Notes on a sequence that has no problems: a current limit above what the supply can give limits nothing, and a
    group of nets is not measured where it has no points."""
    notes = Document(document.file, document.text, document.data, document.lines)
    _left_out(sequence, notes)
    for index, step in enumerate(sequence.steps):
        supply = sequence.board.supplies.get(getattr(step, "supply", None) or "")
        limit = getattr(step, "limit", None)
        if supply is not None and supply.budget and limit and limit > supply.budget * (1 + 1e-9):
            notes.add(
                ("step", index, "limit"),
                f"{show(limit, 'A')}, above the budget of {supply.name} ({show(supply.budget, 'A')})",
                "a limit that the board's own source could give",
            )
    return notes.problems


def _left_out(sequence: Sequence, notes: Document) -> None:
    """What no point reaches of a group, once for each group."""
    board, told = sequence.board, set()
    for index, step in enumerate(sequence.steps):
        needs = step_kinds()[step.do].needs
        of = getattr(step, "of", ()) if needs.probes else ()
        for word in groups_of(of, needs.of):
            table = getattr(board, EVERY[word])
            unreached = [name for name, each in table.items() if not board.has_point(each.net)]
            if unreached and word not in told:
                told.add(word)
                found = f"{quoted(word)}, of which no point reaches {', '.join(unreached)}: these are not measured"
                notes.add(("step", index, "of"), found, "a point on each net, else they stay unknown")


def _lonely_nets(board: Board, notes: Document) -> None:
    counts = Counter(nets_of(board.parts))
    shared = [net for net, count in counts.items() if count > 1]
    named = {each.net for table in (board.supplies, board.rails, board.lines, board.points) for each in table.values()}
    drawn = _drawn_nets(notes.file)  # a program wrote these, no hand did
    lonely = [net for net, count in counts.items() if count == 1 and net not in named and net not in drawn]
    for path, net in _pins(board, notes):
        if net not in lonely or _held_inside(board, path):
            continue
        near = nearest(net, [other for other in (*shared, *named) if not _other_number(net, other)])
        near = near or _like(net, [*lonely, *named])
        if near:
            notes.add(path, f"the net {quoted(net)} with this one pin on it", "a net of at least two pins", near)


def _other_number(a: str, b: str) -> bool:
    """Whether two names differ by digits alone: a number is as meant (TX1, TX2), and no slip for another."""
    apart = [(x, y) for x, y in zip(a, b, strict=False) if x != y]
    return len(a) == len(b) and bool(apart) and all(x.isdigit() and y.isdigit() for x, y in apart)


def _held_inside(board: Board, path: Path) -> bool:
    """Whether a pin may stay open: an enable with a pull of its own."""
    part = board.parts[str(path[1])]
    return path[-1] == "EN" and part.values.get("enable_pull", "none") != "none"


def _like(net: str, others: list[str]) -> str:
    """A hint at another net with one pin that may be the same by another spelling."""
    near = next((other for other in others if other != net and _one_slip(net.lower(), other.lower())), None)
    return f"did you mean {quoted(near)}?" if near else ""


def _one_slip(a: str, b: str) -> bool:
    """Whether a letter is missing, wrong, or changed places between two names; a number is as meant (TX1, TX2)."""
    if len(a) != len(b):
        longer, shorter = (a, b) if len(a) > len(b) else (b, a)
        return len(shorter) > 2 and shorter in [
            longer[:k] + longer[k + 1 :] for k in range(len(longer)) if longer[k].isalpha()
        ]
    apart = [k for k in range(len(a)) if a[k] != b[k]]
    if len(apart) == 1:
        return len(a) > 3 and a[apart[0]].isalpha() and b[apart[0]].isalpha()
    return len(apart) == 2 and apart[1] == apart[0] + 1 and a[apart[0]] == b[apart[1]] and a[apart[1]] == b[apart[0]]


def _unusual_values(board: Board, notes: Document) -> None:
    for name, part in board.parts.items():
        for key, value, unit, usual in out_of_range(part):
            path = next(path for path in _spellings(part.kind, ("parts", name, *key)) if notes.at(path) is not None)
            allowed = f"a {part.kind.replace('_', ' ')} mostly within {usual.show(unit)}"
            notes.add(path, f"{quoted(notes.at(path))}, which is {show(value, unit)}", allowed)


def _capacitors_left_out(board: Board, notes: Document) -> None:
    """Capacitors by their designators (IEC 81346-2) that the board has no model of: told once for all of them."""
    names = [name for name, part in board.parts.items() if part.kind == "unmodelled" and _CAPACITOR.match(name)]
    if names:
        told = ", ".join(names[:SHOWN]) + (f" and {len(names) - SHOWN} more" if len(names) > SHOWN else "")
        allowed = "kind capacitor with its value: inrush, start-up times and discharge are computed without it"
        notes.add(("parts", names[0]), f"{told}, by name a capacitor, not modelled", allowed)


def _spellings(kind: str, path: Path) -> Iterator[Path]:
    """The path of a value under each name that the kind knows for it."""
    yield path
    yield from ((*path[:-1], other) for other, name in board_kinds()[kind].synonyms.items() if name == path[-1])
    yield path[:2]


def _drawn_nets(file: str) -> frozenset[str]:
    """The nets of the drawing that `wakeboard new` read, where its places.json lies beside the board file."""
    try:
        with open(os.path.join(os.path.dirname(file), "places.json"), encoding="utf-8") as stream:
            parts = json.load(stream)["parts"]
        return frozenset(net for part in parts.values() for net in part["pins"].values())
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return frozenset()


def _pins(board: Board, notes: Document) -> Iterator[tuple[Path, str]]:
    for name, part in board.parts.items():
        path: Path = ("parts", name, "pins")
        listed = isinstance(notes.at(path), list)
        for index, (pin, net) in enumerate(part.pins.items()):
            yield (*path, index if listed else pin), net


def _circuit(board: Board, notes: Document) -> None:
    path: Path
    if not board.parts:
        return
    from wakeboard.harness.describe.board.circuit import held_by_capacitors, on_supplies
    from wakeboard.instruments.virtual.circuit.errors import CircuitError

    if error := held_by_capacitors(board):
        path = ("parts", next(part for part in error.parts if part in board.parts))
        allowed = (
            "a net that something conducts to: it is left out of what is found, and all else works. Where a pin of a "
            "chip is on it, the kind of the chip has no such pin"
        )
        notes.add(path, str(error), allowed)
    try:
        on_supplies(board).check()
    except CircuitError as error:
        named = next((part for part in error.parts if part in board.parts), None)
        path = ("parts", named) if named else ("parts",)
        notes.add(path, f"a circuit that cannot be solved: {error}", "one that can, to be simulated and explained")
