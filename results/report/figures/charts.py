"""Drawings of a batch: individuals chart, capability, yield."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from wakeboard.results.counted import count
from wakeboard.results.report.figures.svg import (
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
    polyline,
    stretched,
)
from wakeboard.results.report.text import show, show_pair
from wakeboard.results.statistics import Capability, IndividualsChart, Proportion

_TALL = 160.0  # px, a third of a screen
_MOST_DOTS = 300  # dots that still stand apart in the width of a chart


def individuals_figure(
    pen: Pen, name: str, chart: IndividualsChart, low: float | None, high: float | None, unit: str
) -> Markup:
    """Values in their order with centre and control limits; test limits where they fall into the picture."""
    values = chart.values
    across = Axis(-0.5, len(values) - 0.5)
    up = axis_around([*values, chart.lower, chart.upper], room=0.1)

    def y(value: float) -> float:
        return _TALL * (1 - up.at(value))

    body = [box(0, y(chart.upper), WIDTH, y(chart.lower) - y(chart.upper), "band")]
    body += [line(0, y(at), WIDTH, y(at), "control") for at in (chart.lower, chart.upper)]
    body.append(line(0, y(chart.centre), WIDTH, y(chart.centre), "ground"))
    labels = [
        label(f"upper {show(chart.upper, unit)}", y(chart.upper) / _TALL, "y-label above", "top"),
        label(f"mean {show(chart.centre, unit)}", y(chart.centre) / _TALL, "y-label above", "top"),
        label(f"lower {show(chart.lower, unit)}", y(chart.lower) / _TALL, "y-label below", "top"),
    ]
    for limit in (low, high):
        if limit is not None and up.low < limit < up.high:
            body.append(line(0, y(limit), WIDTH, y(limit), "limit"))
    body.append(polyline([(across.x(i), y(v)) for i, v in enumerate(values)], "series"))
    odd = {*chart.beyond, *chart.jumps, *chart.runs}
    kept = range(len(values)) if len(values) <= _MOST_DOTS else sorted(odd)
    body += [dot(across.x(i), y(values[i]), "fail" if i in odd else "pass") for i in kept]
    text = f"{count(len(values), 'unit')}: mean {show(chart.centre, unit)}, control limits "
    text += f"{show_pair(chart.lower, chart.upper, unit)}; {chart.says}"
    svg = stretched(pen, _TALL, body, f"{name} in the order of the units", text, "tall")
    return block([block([svg, *labels], "canvas")], "panel")


def capability_strip(pen: Pen, name: str, values: Sequence[float], index: Capability, unit: str) -> Markup:
    """All units as thin marks, mean ± 3 sd as a bar, limits as brackets."""
    height, middle = 24.0, 12.0
    spread = (index.mean - 3 * index.sd, index.mean + 3 * index.sd)
    known = [v for v in (*spread, index.low, index.high, min(values), max(values)) if v is not None]
    axis = axis_around(known, room=0.06)
    body = [line(0, middle, WIDTH, middle, "ground")]
    body.append(box(axis.x(spread[0]), 8, axis.x(spread[1]) - axis.x(spread[0]), 8, "spread"))
    for limit, turn in ((index.low, 9.0), (index.high, -9.0)):
        if limit is not None:
            x = axis.x(limit)
            path = f"M{x + turn:.2f} 2H{x:.2f}V{height - 2:.2f}H{x + turn:.2f}"
            body.append(element("path", d=path, class_="limit"))
    columns = sorted({round(axis.x(v), 0) for v in values})
    body += [line(x, 5, x, 19, "one-unit") for x in columns]
    text = f"mean {show(index.mean, unit)}, sd {show(index.sd, unit, 3)}, limits "
    text += f"{show_pair(index.low, index.high, unit)}; {index.says}"
    return block([stretched(pen, height, body, f"{name}: spread against limits", text)], "strip")


def yield_strip(pen: Pen, name: str, found: Proportion) -> Markup:
    """The share that passed, with its interval, on a scale from 0 to 100 %."""
    height, middle = 28.0, 14.0
    axis = Axis(0.0, 1.0)
    body = [line(0, middle, WIDTH, middle, "ground")]
    body.append(box(axis.x(found.low), 7, axis.x(found.high) - axis.x(found.low), 14, "spread"))
    if found.share is not None:
        body.append(dot(min(axis.x(found.share), 992.0), middle, "pass"))
    labels = [label(f"{t:.0%}", t, "tick") for t in (0.0, 0.25, 0.5, 0.75, 1.0)]
    svg = stretched(pen, height, body, name, f"{name}: {found.says}")
    return block([svg, block(labels, "ticks")], "strip")
