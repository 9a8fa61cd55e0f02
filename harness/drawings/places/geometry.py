"""Where things are on the board: places of parts, words for a place, pads so near that solder could bridge them.

All lengths are millimetres, seen from the top. Words for the bottom side are as a person sees it who has turned the
board over about its vertical axis: left and right change places.
"""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from wakeboard.harness.drawings.design import Design, DrawnPart, Pad, pads_of
from wakeboard.harness.drawings.references import split

BRIDGE_REACH: Final = 0.35
"""mm; a usual solder bridge's reach between pads: common practice, no source."""

MARGIN: Final = 2.0  # mm from an edge that count as "at" it
_ANCHORS: Final = ("U", "IC", "J", "P", "CN", "X", "Y", "Q", "L", "SW", "BT", "CON", "USB", "K", "T")
_SCALES: Final = (1.0, 0.0254, 25.4, 0.001, 0.00254, 1 / 25.4, 1 / 0.0254)


@dataclass(frozen=True)
class Box:
    """An upright rectangle."""

    x0: float
    y0: float
    x1: float
    y1: float

    @property
    def centre(self) -> tuple[float, float]:
        return (self.x0 + self.x1) / 2, (self.y0 + self.y1) / 2

    def gap(self, other: Box) -> float:
        """The distance between two rectangles, 0 where they overlap."""
        dx = max(self.x0 - other.x1, other.x0 - self.x1, 0.0)
        dy = max(self.y0 - other.y1, other.y0 - self.y1, 0.0)
        return float((dx * dx + dy * dy) ** 0.5)


def pad_box(pad: Pad) -> Box:
    """The upright rectangle around a pad; one of no size where its size is not told."""
    wide, high = (pad.height, pad.width) if 45 < pad.rotation % 180 < 135 else (pad.width, pad.height)
    x, y = pad.x or 0.0, pad.y or 0.0
    return Box(x - wide / 2, y - high / 2, x + wide / 2, y + high / 2)


def around(boxes: Iterable[Box]) -> Box:
    """The rectangle around several."""
    listed = list(boxes)
    return Box(
        min(b.x0 for b in listed), min(b.y0 for b in listed), max(b.x1 for b in listed), max(b.y1 for b in listed)
    )


def part_boxes(design: Design) -> dict[str, Box]:
    """The rectangle around each part's pads; a millimetre around its place where its pads have none."""
    boxes = {name: around(map(pad_box, pads)) for name, pads in pads_of(design).items()}
    for part in design.parts.values():
        if part.name not in boxes and part.x is not None and part.y is not None:
            boxes[part.name] = Box(part.x - 0.5, part.y - 0.5, part.x + 0.5, part.y + 0.5)
    return boxes


def settle_places(design: Design) -> list[str]:
    """Bring a list of places onto the pads' own origin and unit; what a person should know of it.

    Where pads have places those stand, and the list gives side and rotation; it is told where the two do not fit.
    """
    centres = {name: around(map(pad_box, pads)).centre for name, pads in pads_of(design).items()}
    both = [part for part in design.parts.values() if part.x is not None and part.name in centres]
    remarks = _compared(both, centres) if len(both) >= 3 else []
    for part in design.parts.values():
        if part.name in centres:
            part.x, part.y = centres[part.name]
    _sides_from_pads(design)
    return remarks


def _compared(parts: Sequence[DrawnPart], centres: dict[str, tuple[float, float]]) -> list[str]:
    """Whether one scale and one shift bring the list onto the pads."""
    best = min(((_misfit(parts, centres, scale), scale) for scale in _SCALES), key=lambda pair: pair[0])
    if best[0] > 2.0:
        return [f"the list of places does not fit the pads (off by {best[0]:.1f} mm and more): the pads' places stand"]
    if best[1] != 1.0:
        return [f"the list of places is in another unit than it says: factor {best[1]:g} fits the pads"]
    return []


def _misfit(parts: Sequence[DrawnPart], centres: dict[str, tuple[float, float]], scale: float) -> float:
    """Median distance, mm, after the best shift; bottom parts may count X from the other side."""
    misfit = 0.0
    for axis in (0, 1):
        off = [centres[p.name][axis] - scale * float((p.x, p.y)[axis] or 0.0) for p in parts if p.side != "bottom"]
        off = off or [centres[p.name][axis] - scale * float((p.x, p.y)[axis] or 0.0) for p in parts]
        middle = statistics.median(off)
        misfit = max(misfit, statistics.median(abs(each - middle) for each in off))
    return misfit


def _sides_from_pads(design: Design) -> None:
    for name, pads in pads_of(design).items():
        sides = {pad.side for pad in pads}
        part = design.parts.get(name)
        if part is not None and sides <= {"top"} and sides:
            part.side = "top"
        elif part is not None and sides <= {"bottom"} and sides:
            part.side = "bottom"


# --- words ----------------------------------------------------------------------------------------------------------
class Guide:
    """Says where something is: "top side, left of U3, 4 mm from the left edge"."""

    def __init__(self, design: Design) -> None:
        self.design = design
        self.boxes = part_boxes(design)
        edge = [point for path in design.outline for point in path]
        whole = [Box(x, y, x, y) for x, y in edge] or list(self.boxes.values())
        self.board = around(whole) if whole else None
        self.anchors = {name: box for name, box in self.boxes.items() if split(name)[0] in _ANCHORS}

    def part(self, name: str) -> str:
        """Words for a part; "" where its place is not known."""
        box = self.boxes.get(name)
        part = self.design.parts.get(name)
        if box is None or part is None:
            return ""
        return self._words(box, part.side if part.side in ("top", "bottom") else "", name)

    def pad(self, pad: Pad) -> str:
        """Words for a pad of a part."""
        return self._words(pad_box(pad), pad.side if pad.side in ("top", "bottom") else "", pad.part)

    def _words(self, box: Box, side: str, but: str) -> str:
        words = [f"{side} side" if side else "", self._beside(box, side, but), self._edge(box, side)]
        return ", ".join(filter(None, words))

    def _beside(self, box: Box, side: str, but: str) -> str:
        def seen(name: str) -> bool:
            other = self.design.parts.get(name)
            return name != but and (not side or other is None or other.side in ("", "both", side))

        near = min(((box.gap(other), name) for name, other in self.anchors.items() if seen(name)), default=(0.0, ""))[1]
        if not near:
            return ""
        there = self.anchors[near]
        if box.gap(there) == 0.0:
            return f"at {near}"
        dx, dy = box.centre[0] - there.centre[0], box.centre[1] - there.centre[1]
        half_x, half_y = max((there.x1 - there.x0) / 2, 0.5), max((there.y1 - there.y0) / 2, 0.5)
        if abs(dx) / half_x >= abs(dy) / half_y:
            left = (dx < 0) != (side == "bottom")
            return f"{'left' if left else 'right'} of {near}"
        return f"{'above' if dy > 0 else 'below'} {near}"

    def _edge(self, box: Box, side: str) -> str:
        if self.board is None:
            return ""
        x, y = box.centre
        left, right = ("right", "left") if side == "bottom" else ("left", "right")
        near = min(
            (x - self.board.x0, left),
            (self.board.x1 - x, right),
            (y - self.board.y0, "lower"),
            (self.board.y1 - y, "upper"),
        )
        return f"{max(near[0], 0.0):.0f} mm from the {near[1]} edge" if near[0] < 15 else ""


# --- neighbours -----------------------------------------------------------------------------------------------------
def neighbours(design: Design, reach: float = BRIDGE_REACH) -> list[tuple[str, str]]:
    """Pairs of nets that have pads within `reach` mm of each other on one side, in the order of the pads."""
    grid: dict[tuple[int, int, str], list[tuple[Box, str]]] = {}
    found: dict[tuple[str, str], None] = {}
    size = 2.0
    for pad in design.pads:
        if pad.x is None or not pad.net or pad.via:
            continue
        box = pad_box(pad)
        for side in ("top", "bottom") if pad.side == "both" else (pad.side,):
            for key in _cells(box, reach, size):
                cell = grid.setdefault((*key, side), [])
                for other, net in cell:
                    if net != pad.net and box.gap(other) <= reach:
                        found[min(net, pad.net), max(net, pad.net)] = None
                cell.append((box, pad.net))
    return list(found)


def _cells(box: Box, reach: float, size: float) -> list[tuple[int, int]]:
    half = reach / 2
    xs = range(int((box.x0 - half) // size), int((box.x1 + half) // size) + 1)
    ys = range(int((box.y0 - half) // size), int((box.y1 + half) // size) + 1)
    return [(x, y) for x in list(xs)[:200] for y in list(ys)[:200]]
