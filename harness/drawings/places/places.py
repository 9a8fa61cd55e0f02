"""places.json beside a board file: where everything is, and what the drawing said when it was last read.

Written by `wakeboard new`, not by a person. `base` holds the tables that the drawing made then: what a later drawing is
held against, so that what a person changed since is told from what the drawing changed.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from wakeboard.harness.describe.problems import FileProblems, Problem
from wakeboard.harness.drawings.places.geometry import part_boxes
from wakeboard.results.boardmap import BoardMap

if TYPE_CHECKING:
    from wakeboard.harness.drawings.boardfile.draft import Draft

NAME: Final = "places.json"
_WORDS: Final = ("value", "number", "pins")


@dataclass(frozen=True)
class DrawnWords:
    """What the drawing said of a part."""

    value: str
    number: str
    pins: dict[str, str]


@dataclass(frozen=True)
class Places:
    """The file as read."""

    map: BoardMap
    parts: Mapping[str, DrawnWords]
    base: Mapping[str, Mapping[str, object]]


def places_text(draft: Draft) -> str:
    """The text of the file."""
    design = draft.design
    boxes = part_boxes(design)
    parts = {
        part.name: {
            "box": _box(boxes, part.name),
            "side": part.side,
            "fitted": part.fitted is not False,
            "value": part.value,
            "number": part.number,
            "pins": part.pins,
        }
        for part in design.parts.values()
    }
    pads = [
        [p.part, p.pin, p.net, _mm(p.x), _mm(p.y), _mm(w), _mm(h), p.side]
        for p in design.pads
        if p.x is not None and p.y is not None and not p.via
        for w, h in ((p.height, p.width) if 45 < p.rotation % 180 < 135 else (p.width, p.height),)
    ]
    outline = [[[_mm(x), _mm(y)] for x, y in path] for path in design.outline]
    document = {"board": draft.name, "parts": parts, "pads": pads, "outline": outline, "base": draft.tables}
    return json.dumps(document, ensure_ascii=False, separators=(",", ":")) + "\n"


def _box(boxes: Mapping[str, Any], name: str) -> list[float | None] | None:
    box = boxes.get(name)
    return None if box is None else [_mm(box.x0), _mm(box.y0), _mm(box.x1), _mm(box.y1)]


def _mm(value: float | None) -> float | None:
    return None if value is None else round(value, 3)


def places_beside(board: str | Path) -> Places | None:
    """The places of a board file; None where the drawing was never read. Raises FileProblems for a broken file."""
    file = Path(board).parent / NAME
    if not file.is_file():
        return None
    try:
        data = json.loads(file.read_text(encoding="utf-8"))
        words = {
            str(name): DrawnWords(
                str(row["value"]), str(row["number"]), {str(k): str(v) for k, v in row["pins"].items()}
            )
            for name, row in data["parts"].items()
        }
        base = {str(key): dict(table) for key, table in data["base"].items()}
        return Places(BoardMap.from_json(data), words, base)
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        found = f"what `wakeboard new` did not write: {str(error)[:80]}"
        raise FileProblems([Problem(str(file), 0, "", found, "the file as it was written, or none")]) from None
