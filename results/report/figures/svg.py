"""Drawing with text: small SVG elements that escape everything, and plots whose labels stay legible at any width.

A plot is stretched to the width it finds (`preserveAspectRatio="none"`), its lines keep their thickness
(`vector-effect`), and its labels are HTML beside it, placed in percent: so 390 and 1280 pixels show the same sizes of
text. A dot is a line of no length with round ends, which stays round when the plot is stretched.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from markupsafe import Markup, escape

WIDTH = 1000.0  # units of every drawing, stretched to its column


def number(value: float) -> str:
    """Coordinates with two decimals: the same bytes everywhere."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def element(name: str, content: Iterable[Markup] | str | None = None, **attributes: object) -> Markup:
    """One element. Attribute names: `class_` for class, `_` becomes `-`; None leaves an attribute out."""
    parts = [f"<{name}"]
    for key, value in attributes.items():
        if value is None:
            continue
        text = number(value) if isinstance(value, float) else str(value)
        parts.append(f' {key.rstrip("_").replace("_", "-")}="{escape(text)}"')
    if content is None:
        return Markup("".join(parts) + "/>")
    inner = escape(content) if isinstance(content, str) else Markup("").join(content)
    return Markup("".join(parts) + ">") + inner + Markup(f"</{name}>")


@dataclass
class Pen:
    """Hands out ids that are unique in a page and the same each time it is made."""

    used: int = field(default=0)

    def next_id(self) -> str:
        self.used += 1
        return f"d{self.used}"


@dataclass(frozen=True)
class Axis:
    """Maps values to 0..1, linear or logarithmic; what lies outside is held at the edge."""

    low: float
    high: float
    log: bool = False

    def at(self, value: float) -> float:
        low, high, here = self.low, self.high, value
        if self.log:
            low, high, here = math.log10(low), math.log10(high), math.log10(max(value, self.low))
        return min(1.0, max(0.0, (here - low) / (high - low)))

    def x(self, value: float) -> float:
        """In the units of a drawing, which is always WIDTH wide."""
        return WIDTH * self.at(value)

    def ticks(self, most: int = 5) -> list[float]:
        """Round values inside the axis, at most about `most`."""
        if self.log:
            first, last = math.ceil(math.log10(self.low) - 1e-9), math.floor(math.log10(self.high) + 1e-9)
            return [10.0**e for e in range(first, last + 1, max(1, (last - first) // most + 1))]
        step = _round_step((self.high - self.low) / most)
        first = math.ceil(self.low / step - 1e-9)
        return [i * step for i in range(first, math.floor(self.high / step + 1e-9) + 1)]


def _round_step(raw: float) -> float:
    scale = 10.0 ** math.floor(math.log10(raw))
    return next(m * scale for m in (1, 2, 5, 10) if m * scale >= raw * (1 - 1e-9))


def axis_around(values: Sequence[float], *, zero: bool = False, room: float = 0.12) -> Axis:
    """A linear axis that holds all values with some room; never of no length."""
    low, high = min(values), max(values)
    if zero:
        low, high = min(low, 0.0), max(high, 0.0)
    span = (high - low) or abs(high) or 1.0
    return Axis(low - (0.0 if zero and low == 0.0 else room * span), high + room * span)


def stretched(pen: Pen, height: float, body: Sequence[Markup], title: str, description: str, css: str = "") -> Markup:
    """An SVG with title and description as its text alternative, stretched to the width of its place."""
    name = pen.next_id()
    return element(
        "svg",
        [
            element("title", title, id=f"{name}t"),
            element("desc", description, id=f"{name}x"),
            *body,
        ],
        class_=f"plot {css}".strip(),
        viewBox=f"0 0 {number(WIDTH)} {number(height)}",
        preserveAspectRatio="none",
        role="img",
        aria_labelledby=f"{name}t {name}x",
    )


def line(x1: float, y1: float, x2: float, y2: float, css: str) -> Markup:
    return element("path", d=f"M{number(x1)} {number(y1)}L{number(x2)} {number(y2)}", class_=css)


def dot(x: float, y: float, outcome: str) -> Markup:
    """A mark that says the outcome by its shape: disc within limits, ring on a limit, open square outside."""
    point = f"M{number(x)} {number(y)}h0.01"
    kind = outcome if outcome in ("pass", "marginal", "fail") else "plain"
    marks = [element("path", d=point, class_=f"dot dot-{kind}")]
    if kind in ("marginal", "fail"):
        marks.append(element("path", d=point, class_=f"hole hole-{kind}"))
    return Markup("").join(marks)


def polyline(points: Sequence[tuple[float, float]], css: str) -> Markup:
    path = "L".join(f"{number(x)} {number(y)}" for x, y in points)
    return element("path", d=f"M{path}", class_=css) if points else Markup("")


def box(x: float, y: float, width: float, height: float, css: str) -> Markup:
    return element("rect", x=float(x), y=float(y), width=float(max(0.0, width)), height=float(height), class_=css)


LETTER = 0.024  # share of the narrowest plot (290 pixels on a phone) that a letter of a label takes


def label(text: str, share: float, css: str = "", across: str = "left") -> Markup:
    """An HTML label beside a plot, at a share (0..1) of its width; near an edge it is aligned to that edge."""
    half = LETTER * len(text) / 2
    edge = "at-start" if share < half else "at-end" if share > 1 - half else ""
    style = f"{across}:{number(100 * share)}%"
    return element("span", text, class_=f"label {css} {edge if across == 'left' else ''}".strip(), style=style)


def block(parts: Sequence[Markup], css: str) -> Markup:
    return element("div", parts, class_=css)
