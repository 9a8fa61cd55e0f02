"""Pictures of where something is: for a report, and for `wakeboard map`.

figures = run_figures(record, board, places, explained)      (caption, SVG) of what is odd in a run
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from wakeboard.harness.describe.board.board import Board, UnknownName
from wakeboard.harness.describe.load import load_board
from wakeboard.harness.describe.problems import FileProblems
from wakeboard.harness.drawings.places.places import NAME, Places, places_beside
from wakeboard.results.boardmap import drawn
from wakeboard.results.explanation import ExplanationDocument

if TYPE_CHECKING:
    from markupsafe import Markup

    from wakeboard.results.records import RunRecord

MOST: Final = 4  # maps in a report: more is a list to read, not to look at
_ODD: Final = ("fail", "marginal")


def beside(folder: Path) -> tuple[Board, Places] | None:
    """The board and its places in a folder; None where one is missing or cannot be read: a report goes on without."""
    board = folder / "board.toml"
    if not (folder / NAME).is_file() or not board.is_file():
        return None
    try:
        places = places_beside(board)
        return (load_board(board), places) if places is not None else None
    except FileProblems:
        return None


def figure(board: Board, places: Places, name: str, part: str = "") -> tuple[str, Markup] | None:
    """Caption and picture for a rail, line, point or net; None where it is on no pad."""
    try:
        net = board.net_of(name)
    except UnknownName:
        return None
    if not any(pad.net == net for pad in places.map.pads):
        return None
    point = next(iter(board.points_on(net)), "")
    words = [name if name == net else f"{name} (net {net})"]
    if point:
        place = board.points[point].place
        words.append(f"probe {point}" + (f", {place}" if place else ""))
    if part in board.parts:
        place = board.note(part).place
        words.append(part + (f", {place}" if place else ""))
    caption = "; ".join(words)
    return caption, drawn(places.map, net=net, point=point, part=part, title=caption)


def run_figures(
    record: RunRecord, board: Board, places: Places, explained: Mapping[str, object] | None
) -> list[tuple[str, Markup]]:
    """Where what is odd in a run is, with the part that explains it likeliest, or that a bodge goes across."""
    odd = [reading.of for step in record.steps for reading in step.readings if reading.outcome in _ODD]
    return _figures(board, places, odd, explained)


def review_figures(board: Board, places: Places, review: Mapping[str, Any] | None) -> list[tuple[str, Markup]]:
    """Where the serious concerns of a review are."""
    found = []
    for concern in (review or {}).get("concerns", ()):
        if concern["serious"] and concern["nets"]:
            path = [name for name in concern["path"] if name in board.parts]
            found.append(figure(board, places, concern["nets"][0], path[0] if path else ""))
    return [each for each in found if each is not None][:MOST]


def _figures(
    board: Board, places: Places, odd: Iterable[str], explained: Mapping[str, object] | None
) -> list[tuple[str, Markup]]:
    told = ExplanationDocument.of(explained or {})
    suspect = _suspect(told, board.parts)
    across = {line.line: line.bodge.across or "" for line in told.lines if line.bodge}
    found = [figure(board, places, name, across.get(name) or suspect) for name in dict.fromkeys(odd)]
    return [each for each in found if each is not None][:MOST]


def _suspect(told: ExplanationDocument, parts: Sequence[str] | Mapping[str, object]) -> str:
    """The part of the likeliest fault: "R31:open" and "U5.RST:pull_up=13k" name R31 and U5."""
    names = (re.split(r"[.:]", group.name, maxsplit=1)[0] for group in told.groups)
    return next((name for name in names if name in parts), "")
