"""Strips: one reading against its limits, one line against its thresholds, one check over the units."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from wakeboard.results.counted import count
from wakeboard.results.report.figures.svg import (
    LETTER,
    WIDTH,
    Axis,
    Pen,
    axis_around,
    block,
    box,
    dot,
    element,
    label,
    line,
    stretched,
)
from wakeboard.results.report.text import show, show_pair

HEIGHT = 24.0  # px: a row of a table


def outcome_mark(outcome: str) -> Markup:
    """A sign whose shape is the decision: a dot inside, on or outside a pair of limits. Beside it stands the word."""
    bracket = [
        element("path", d="M8 3H5V17H8", class_="mark-line"),
        element("path", d="M18 3H21V17H18", class_="mark-line"),
    ]
    inside = {
        "pass": [element("circle", cx=13, cy=10, r=3, class_="mark-fill")],
        "fail": [element("rect", x=24, y=7, width=6, height=6, class_="mark-fill")],
        "marginal": [element("circle", cx=21, cy=10, r=3.4, class_="mark-ring")],
        "tripped": [element("path", d="M16 1L10 9.5H16L10 19", class_="mark-cut")],
        "error": [element("path", d="M10.5 7.5a2.6 2.6 0 1 1 3.4 2.5q-.9.4-.9 2M13 14.4v.2", class_="mark-cut")],
    }.get(outcome, [])
    return element(
        "svg",
        [*bracket, *inside],
        class_=f"mark mark-{outcome or 'none'}",
        viewBox="0 0 32 20",
        width=32,
        height=20,
        aria_hidden="true",
        focusable="false",
    )


def _brackets(axis: Axis, low: float | None, high: float | None) -> list[Markup]:
    left = 0.0 if low is None else axis.x(low)
    right = WIDTH if high is None else axis.x(high)
    marks = [box(left, 4, right - left, HEIGHT - 8, "band")]
    for limit, x, turn in ((low, left, 9.0), (high, right, -9.0)):
        if limit is not None:
            path = f"M{x + turn:.2f} 2H{x:.2f}V{HEIGHT - 2:.2f}H{x + turn:.2f}"
            marks.append(element("path", d=path, class_="limit"))
    return marks


def _limits_axis(values: Sequence[float], low: float | None, high: float | None) -> Axis:
    known = [v for v in (*values, low, high) if v is not None]
    positive = [v for v in known if v > 0]
    if low is not None and high is None and low > 0 and max(known) > 20 * low:  # "> 1 kΩ", read 2 MΩ
        return Axis(min(positive) / 3, max(positive) * 3, log=True)
    return axis_around(known, zero=low is None or high is None, room=0.16)


def limit_strip(
    pen: Pen, name: str, value: float, low: float | None, high: float | None, u: float | None, unit: str, outcome: str
) -> Markup:
    """A reading as a dot with ± 2u against its limits as brackets."""
    axis = _limits_axis([value], low, high)
    middle = HEIGHT / 2
    body = [line(0, middle, WIDTH, middle, "ground"), *_brackets(axis, low, high)]
    if u:
        body.append(line(axis.x(value - 2 * u), middle, axis.x(value + 2 * u), middle, "whisker"))
    body.append(dot(axis.x(value), middle, outcome))
    text = f"{name}: {show(value, unit)}, limits {show_pair(low, high, unit) or 'none'}: {outcome}"
    return block([stretched(pen, HEIGHT, body, f"{name} against its limits", text)], "strip")


@dataclass(frozen=True)
class Thresholds:
    """Where a line is low, where high, and the rail it belongs to (V). None where a run does not tell."""

    low: float
    high: float
    rail: float
    expected: str = ""


def line_strip(
    pen: Pen, name: str, value: float, ac: float | None, limits: Thresholds, outcome: str, second: float | None = None
) -> Markup:
    """A line's mean (and AC swing, and the reading with a second load) on a scale with its thresholds."""
    axis = Axis(min(0.0, value, second or 0.0), 1.06 * max(limits.rail, value, second or 0.0))
    middle = HEIGHT / 2
    low, high, bottom = axis.x(limits.low), axis.x(limits.high), axis.x(0.0)
    body = [
        box(bottom, 3, low - bottom, HEIGHT - 6, "zone" + (" zone-wanted" if limits.expected == "low" else "")),
        box(high, 3, WIDTH - high, HEIGHT - 6, "zone" + (" zone-wanted" if limits.expected == "high" else "")),
        *[line(x, 3, x, HEIGHT - 3, "hatch") for x in _spread(low, high, 16.0)],
        line(low, 1, low, HEIGHT - 1, "limit"),
        line(high, 1, high, HEIGHT - 1, "limit"),
    ]
    if ac and ac > 0.01 * limits.rail:
        body.append(line(axis.x(value - ac), middle, axis.x(value + ac), middle, "swing"))
    if second is not None:
        body.append(line(axis.x(value), middle, axis.x(second), middle, "loaded"))
        body.append(dot(axis.x(second), middle, "plain"))
    body.append(dot(axis.x(value), middle, outcome))
    words = _line_words(name, value, ac, limits, second)
    labels = [
        label("low", (low + bottom) / 2 / WIDTH, "zone-name"),
        label("neither", (low + high) / 2 / WIDTH, "zone-name"),
        label("high", (high + WIDTH) / 2 / WIDTH, "zone-name"),
    ]
    return block([stretched(pen, HEIGHT, body, f"{name} against its thresholds", words), *labels], "strip with-names")


def _line_words(name: str, value: float, ac: float | None, limits: Thresholds, second: float | None) -> str:
    level = "low" if value <= limits.low else "high" if value >= limits.high else "neither low nor high"
    words = f"{name} reads {show(value, 'V')}: {level} (low up to {show(limits.low, 'V')}, high from "
    words += f"{show(limits.high, 'V')})"
    if limits.expected:
        words += f", expected {limits.expected}"
    if ac:
        words += f"; AC {show(ac, 'V')} RMS"
    return words + (f"; {show(second, 'V')} with a second load" if second is not None else "")


def _spread(low: float, high: float, step: float) -> list[float]:
    return [low + step * i for i in range(1, math.ceil((high - low) / step))]


def units_strip(
    pen: Pen,
    name: str,
    values: Mapping[str, float],
    low: float | None,
    high: float | None,
    unit: str,
    odd: Sequence[str],
    aside: Sequence[str] = (),
) -> Markup:
    """One check over the units: those outside limits framed and named above, the others named below.

    `aside`: units whose reading tells nothing about the check; drawn grey, named in brackets.
    """
    axis = _limits_axis(list(values.values()), low, high)
    kinds = {k: "plain" if k in aside else "fail" if k in odd else "pass" for k in values}
    body = [line(0, HEIGHT / 2, WIDTH, HEIGHT / 2, "ground"), *_brackets(axis, low, high)]
    order = sorted(values, key=lambda k: ("plain", "pass", "fail").index(kinds[k]))
    body += [dot(axis.x(values[key]), HEIGHT / 2, kinds[key]) for key in order]
    words = {"plain": " (tells nothing)", "fail": " outside", "pass": ""}
    said = "; ".join(f"{key} {show(value, unit)}{words[kinds[key]]}" for key, value in values.items())
    text = f"{said}; limits {show_pair(low, high, unit) or 'none'}"
    svg = stretched(pen, HEIGHT, body, f"{name}, units side by side", text)
    place = {f"({k})" if kinds[k] == "plain" else k: axis.at(values[k]) for k in values}
    named_odd = {k: place[k] for k in values if kinds[k] == "fail"}
    rest = {k: p for k, p in place.items() if k not in named_odd}
    above, below = _unit_labels(named_odd, "unit-name is-odd"), _unit_labels(rest, "unit-name")
    return block([*above, svg, *below], "strip units-strip" + (" odd-above" if above else ""))


@dataclass
class _Shared:
    """A label that one or several units share, and the room it takes (shares of the width)."""

    names: list[str]
    at: float

    @property
    def text(self) -> str:
        return (
            " ".join(sorted(self.names, key=lambda n: n.strip("()")))
            if len(self.names) <= 5
            else count(len(self.names), "unit")
        )

    @property
    def span(self) -> tuple[float, float]:
        half = LETTER * (len(self.text) + 1) / 2
        middle = min(max(self.at, half), 1 - half)
        return middle - half, middle + half


def _unit_labels(place: Mapping[str, float], css: str) -> list[Markup]:
    """One label a unit; where labels would cover each other, the units share one."""
    shared: list[_Shared] = []
    for name in sorted(place, key=lambda n: (place[n], n)):
        shared.append(_Shared([name], place[name]))
        while len(shared) > 1 and shared[-1].span[0] < shared[-2].span[1]:
            last, before = shared.pop(), shared.pop()
            names = before.names + last.names
            shared.append(_Shared(names, sum(place[n] for n in names) / len(names)))
    return [label(each.text, each.at, css) for each in shared]
