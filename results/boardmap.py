"""The map of a board: both sides as SVG, with the pads of a net, the point to probe and the part to look at marked.

    map = BoardMap.from_json(json.loads(text))
    svg = drawn(map, net="RADIO_RST", point="TP7", part="R31")

Marks differ by shape and carry words, so that a print in black and white says the same: pads of the net are black
squares, the point to probe is a ring with a cross and its name, the part to look at a thick frame with its name. The
bottom side is drawn as a person sees it who has turned the board over: left and right change places.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from markupsafe import Markup

from wakeboard.results.counted import count
from wakeboard.results.report.figures.svg import element, number

SCALE: Final = 10.0  # units of the drawing a millimetre
ROOM: Final = 3.0  # mm around a board
GAP: Final = 6.0  # mm between the sides
LEAST_PAD: Final = 0.25  # mm; a pad whose size is not told
NAMED_ALL: Final = 120  # up to so many parts every one is named


@dataclass(frozen=True)
class MapPad:
    """A pad: mm from the board's origin, seen from the top; side "top", "bottom" or "both"."""

    part: str
    pin: str
    net: str
    x: float
    y: float
    width: float
    height: float
    side: str


@dataclass(frozen=True)
class MapPart:
    """A part: the rectangle around its pads, mm."""

    name: str
    x0: float
    y0: float
    x1: float
    y1: float
    side: str
    fitted: bool = True


@dataclass(frozen=True)
class BoardMap:
    """Everything that is drawn. outline: paths of corner points, mm; none where the drawing has none."""

    parts: Mapping[str, MapPart]
    pads: Sequence[MapPad]
    outline: Sequence[Sequence[tuple[float, float]]] = field(default_factory=tuple)

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> BoardMap:
        """The document of `places.json`. Raises ValueError for one that is none."""
        try:
            parts = {name: _part_of_json(name, row) for name, row in data["parts"].items() if row["box"] is not None}
            pads = [_pad_of_json(row) for row in data["pads"]]
            outline = [[(_finite(x), _finite(y)) for x, y in path] for path in data["outline"]]
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise ValueError(f"no map of a board: {error}") from None
        return cls(parts, pads, outline)

    @property
    def edge(self) -> list[list[tuple[float, float]]]:
        """The outline, or the hull of all pads and parts where the drawing has none."""
        if self.outline:
            return [list(path) for path in self.outline]
        corners = [(x, y) for p in self.parts.values() for x in (p.x0, p.x1) for y in (p.y0, p.y1)]
        corners += [(pad.x, pad.y) for pad in self.pads]
        return [_hull(corners)] if corners else []

    def sides(self) -> list[str]:
        """The sides on which there is anything to show."""
        on = {part.side for part in self.parts.values()} | {pad.side for pad in self.pads}
        return ["top", "bottom"] if on & {"bottom"} else ["top"]


def _part_of_json(name: str, row: Mapping[str, Any]) -> MapPart:
    x0, y0, x1, y1 = (_finite(value) for value in row["box"])
    return MapPart(name, x0, y0, x1, y1, str(row["side"]), bool(row["fitted"]))


def _pad_of_json(row: Sequence[object]) -> MapPad:
    part, pin, net, *lengths, side = row
    x, y, width, height = (_finite(value) for value in lengths)
    return MapPad(str(part), str(pin), str(net), x, y, width, height, str(side))


def _finite(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"{value!r} is no length")
    return float(value)


def _hull(points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """The convex hull (Andrew's monotone chain)."""
    ordered = sorted(set(points))
    if len(ordered) < 3:
        return ordered

    def half(row: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
        chain: list[tuple[float, float]] = []
        for p in row:
            while len(chain) > 1 and _turn(chain[-2], chain[-1], p) <= 0:
                chain.pop()
            chain.append(p)
        return chain

    return half(ordered)[:-1] + half(reversed(ordered))[:-1]


def _turn(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


@dataclass(frozen=True)
class _Sheet:
    """Where a side lies in the drawing: mm to units, y up to y down, the bottom turned over."""

    x0: float
    y0: float
    x1: float
    y1: float
    left: float
    flipped: bool

    @property
    def letter(self) -> float:
        """How large letters and marks are: 1 on a board of 80 mm."""
        return min(max(max(self.x1 - self.x0, self.y1 - self.y0) / 80, 0.3), 3.0)

    def x(self, mm: float) -> float:
        across = self.x1 - mm if self.flipped else mm - self.x0
        return (self.left + across + ROOM) * SCALE

    def y(self, mm: float) -> float:
        return (self.y1 - mm + ROOM + 4) * SCALE


def drawn(
    board: BoardMap, *, net: str = "", point: str = "", part: str = "", title: str = "", spots: Sequence[str] = ()
) -> Markup:
    """An SVG of the sides that have anything; empty where no place is known. spots: points that a page lets be pressed;
    each is a ring with its name as data."""
    edge = board.edge
    corners = [corner for path in edge for corner in path]
    if not corners:
        return Markup("")
    x0, x1 = min(x for x, _ in corners), max(x for x, _ in corners)
    y0, y1 = min(y for _, y in corners), max(y for _, y in corners)
    sides = board.sides()
    wide = x1 - x0 + 2 * ROOM
    sheets = [_Sheet(x0, y0, x1, y1, k * (wide + GAP), side == "bottom") for k, side in enumerate(sides)]
    body: list[Markup] = []
    for side, sheet in zip(sides, sheets, strict=True):
        body += _side(board, side, sheet, edge, net, point, part)
        body += _spots(board, side, sheet, spots)
    width, height = len(sides) * (wide + GAP) - GAP, y1 - y0 + 2 * ROOM + 4
    says = _says(board, net, point, part)
    return element(
        "svg",
        [element("title", title or "Map of the board"), element("desc", says), *body],
        xmlns="http://www.w3.org/2000/svg",
        class_="boardmap",
        viewBox=f"0 0 {number(width * SCALE)} {number(height * SCALE)}",
        role="img",
        aria_label=says,
        font_family="sans-serif",
    )


def _says(board: BoardMap, net: str, point: str, part: str) -> str:
    words = [count(len(board.parts), "part")]
    if net:
        pads = [pad for pad in board.pads if pad.net == net]
        words.append(f"{len(pads)} pads of {net} marked")
    words += [f"{name} marked" for name in (point, part) if name]
    return ", ".join(words)


def _side(
    board: BoardMap, side: str, sheet: _Sheet, edge: Sequence[Sequence[tuple[float, float]]],
    net: str, point: str, part: str,
) -> list[Markup]:  # fmt: skip
    word = "Top side" if side == "top" else "Bottom side, turned over"
    body = [_text((sheet.left + ROOM) * SCALE, 3 * SCALE, word, 2.6 * sheet.letter)]
    for path in edge:
        d = "M" + "L".join(f"{number(sheet.x(x))} {number(sheet.y(y))}" for x, y in path) + "Z"
        body.append(element("path", d=d, fill="none", stroke="#000", stroke_width=number(4 * sheet.letter)))
    here = [each for each in board.parts.values() if each.side in (side, "both", "")]
    pads = [pad for pad in board.pads if pad.side in (side, "both")]
    body += [_frame(each, sheet) for each in here]
    body += [_pad(pad, sheet, marked=bool(net) and pad.net == net) for pad in pads]
    marked = {pad.part for pad in board.pads if pad.net == net} if net else set()
    many = len(board.parts) > NAMED_ALL
    body += [_name(each, sheet) for each in here if not many or each.name in marked or _large(each)]
    body += [mark for each in here if each.name == part for mark in _framed(each, sheet)]
    body += [_probe(pad, sheet, point) for pad in pads if point and _is_point(pad, point, board)][:1]
    return body


def _is_point(pad: MapPad, point: str, board: BoardMap) -> bool:
    """TP7 is a part of its own; J1_5 is pin 5 of J1."""
    return pad.part == point if point in board.parts else f"{pad.part}_{pad.pin}" == point


def _large(part: MapPart) -> bool:
    return (part.x1 - part.x0) * (part.y1 - part.y0) > 20


def _corners(part: MapPart, sheet: _Sheet) -> tuple[float, float, float, float]:
    """x, y, width, height in the drawing."""
    xs = sorted((sheet.x(part.x0), sheet.x(part.x1)))
    ys = sorted((sheet.y(part.y0), sheet.y(part.y1)))
    return xs[0], ys[0], xs[1] - xs[0], ys[1] - ys[0]


def _rectangle(part: MapPart, sheet: _Sheet, grow: float, stroke: str, width: str, dashes: str | None = None) -> Markup:
    x, y, wide, high = _corners(part, sheet)
    return element(
        "rect", x=number(x - grow), y=number(y - grow), width=number(wide + 2 * grow), height=number(high + 2 * grow),
        fill="none", stroke=stroke, stroke_width=width, stroke_dasharray=dashes,
    )  # fmt: skip


def _frame(part: MapPart, sheet: _Sheet) -> Markup:
    """A part not fitted has a dashed frame."""
    return _rectangle(part, sheet, 0.15 * SCALE, "#777", "1", None if part.fitted else "6 4")


def _framed(part: MapPart, sheet: _Sheet) -> list[Markup]:
    """The part to look at: a thick frame, its name above it."""
    x, y, wide, _ = _corners(part, sheet)
    room = 0.6 * SCALE * sheet.letter
    frame = _rectangle(part, sheet, room, "#000", number(7 * sheet.letter))
    return [frame, _text(x + wide / 2, y - 2 * room, part.name, 2.4 * sheet.letter, middle=True, bold=True)]


def _name(part: MapPart, sheet: _Sheet) -> Markup:
    """The name inside the part, along its longer side, as large as fits; a white edge keeps it legible over pads."""
    x, y, wide, high = _corners(part, sheet)
    upright = high > 1.3 * wide
    long, short = (high, wide) if upright else (wide, high)
    size = max(min(1.5 * long / max(len(part.name), 1), 0.8 * short, 22.0), 4.0) / SCALE
    middle = (x + wide / 2, y + high / 2)
    turn = f"rotate(-90 {number(middle[0])} {number(middle[1])})" if upright else None
    return _text(middle[0], middle[1] + size * SCALE * 0.35, part.name, size, middle=True, halo=True, turn=turn)


def _pad(pad: MapPad, sheet: _Sheet, *, marked: bool) -> Markup:
    wide, high = max(pad.width, LEAST_PAD) * SCALE, max(pad.height, LEAST_PAD) * SCALE
    return element(
        "rect", x=number(sheet.x(pad.x) - wide / 2), y=number(sheet.y(pad.y) - high / 2),
        width=number(wide), height=number(high), fill="#000" if marked else "#ddd",
        stroke="#999" if not marked else "#000", stroke_width="0.5",
    )  # fmt: skip


def _probe(pad: MapPad, sheet: _Sheet, name: str) -> Markup:
    x, y, r = sheet.x(pad.x), sheet.y(pad.y), 1.6 * SCALE * sheet.letter
    cross = f"M{number(x - 2 * r)} {number(y)}H{number(x + 2 * r)}M{number(x)} {number(y - 2 * r)}V{number(y + 2 * r)}"
    left = x > sheet.x((sheet.x0 + sheet.x1) / 2)
    label = _text(
        x + (-1.3 if left else 1.3) * r, y - 1.3 * r, f"probe {name}", 2.4 * sheet.letter, bold=True,
        anchor="end" if left else None,
    )  # fmt: skip
    wide = number(4 * sheet.letter)
    ring = element("circle", cx=number(x), cy=number(y), r=number(r), fill="none", stroke="#000", stroke_width=wide)
    return element("g", [ring, element("path", d=cross, stroke="#000", stroke_width=wide), label])


def _spots(board: BoardMap, side: str, sheet: _Sheet, names: Sequence[str]) -> list[Markup]:
    pads = [pad for pad in board.pads if pad.side in (side, "both")]
    found = [(name, pad) for name in names for pad in [p for p in pads if _is_point(p, name, board)][:1]]
    return [_spot(sheet.x(pad.x), sheet.y(pad.y), 1.8 * SCALE * sheet.letter, name, pad.net) for name, pad in found]


def _spot(x: float, y: float, r: float, name: str, net: str) -> Markup:
    return element(
        "circle", [element("title", f"{name}, net {net}")], class_="spot", cx=number(x), cy=number(y), r=number(r),
        tabindex="0", role="button", data_point=name,
    )  # fmt: skip


def _text(
    x: float, y: float, text: str, size: float, *, middle: bool = False, bold: bool = False, halo: bool = False,
    anchor: str | None = None, turn: str | None = None,
) -> Markup:  # fmt: skip
    edge = bold or halo
    return element(
        "text", text, x=number(x), y=number(y), font_size=number(size * SCALE),
        text_anchor="middle" if middle else anchor, font_weight="bold" if bold else None, transform=turn,
        stroke="#fff" if edge else None, stroke_width=number(size * SCALE / 6) if edge else None,
        paint_order="stroke" if edge else None,
    )  # fmt: skip
