"""The power trace: what the guard saw of a supply while a step ran."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from markupsafe import Markup

from wakeboard.results.records import SupplyTrace
from wakeboard.results.report.figures.svg import WIDTH, Axis, Pen, block, box, element, label, line, polyline, stretched
from wakeboard.results.report.text import NOTHING, duration, show

_TALL, _LOW = 200.0, 70.0
LEAST_GAP: Final = 1.0
"""s; the guard asks a supply that is on as fast as it answers, of the slowest known twice a second."""
GAPS: Final = 8.0
"""… of the usual time between two samples."""
_MOST = 500  # columns of a drawn trace: lowest and highest sample of each are kept


@dataclass(frozen=True)
class TraceNotes:
    """What is marked in a trace: the expected current (A), and the time (s) and words of a trip."""

    low: float | None = None
    high: float | None = None
    trip_says: str = ""


def trace_figure(pen: Pen, supply: str, trace: SupplyTrace, notes: TraceNotes) -> Markup:
    """Current with its limit above, voltage below, on one time axis; constant current shaded, a trip marked."""
    if len(trace.times) < 2:
        return Markup("")
    start = trace.times[0]
    time = Axis(0.0, max(trace.times[-1] - start, 1e-9))
    seconds = [t - start for t in trace.times]
    return block(
        [
            _current(pen, supply, trace, seconds, time, notes),
            _voltage(pen, supply, trace, seconds, time),
            block([label(show(t, "s"), time.at(t), "tick") for t in time.ticks(5)], "ticks"),
        ],
        "trace",
    )


def _current(
    pen: Pen, supply: str, trace: SupplyTrace, seconds: Sequence[float], time: Axis, notes: TraceNotes
) -> Markup:
    top = 1.12 * max(max(trace.amps), max(trace.limit), notes.high or 0.0, 1e-6)
    amps = Axis(min(0.0, min(trace.amps)), top)

    def y(value: float) -> float:
        return _TALL * (1 - amps.at(value))

    body = [box(x1, 0, x2 - x1, _TALL, "constant-current") for x1, x2 in _spans(trace.mode, seconds, time)]
    if notes.high is not None:
        low = y(notes.low or 0.0)
        body.append(box(0, y(notes.high), WIDTH, low - y(notes.high), "band"))
    body.append(line(0, y(0.0), WIDTH, y(0.0), "ground"))
    body += _curves(seconds, trace.limit, time, y, "current-limit")
    body += _curves(seconds, trace.amps, time, y, "current")
    labels = [label(f"limit {show(trace.limit[0], 'A')}", y(trace.limit[0]) / _TALL, "y-label above", "top")]
    if notes.high is not None:
        labels.append(label(f"expected up to {show(notes.high, 'A')}", y(notes.high) / _TALL, "y-label above", "top"))
    if notes.trip_says:
        at = _trip_time(trace, seconds)
        body.append(line(time.x(at), 0, time.x(at), _TALL, "trip"))
        labels.append(label("power cut", time.at(at), "trip-name"))
    svg = stretched(pen, _TALL, body, f"{supply}: current over time", _words(supply, trace, seconds, notes), "tall")
    return block([block([svg, *labels], "canvas"), element("p", "current", class_="axis-name")], "panel")


def _voltage(pen: Pen, supply: str, trace: SupplyTrace, seconds: Sequence[float], time: Axis) -> Markup:
    volts = Axis(min(0.0, min(trace.volts)), 1.1 * max(max(trace.volts), 0.1))

    def y(value: float) -> float:
        return _LOW * (1 - volts.at(value))

    top = max(trace.volts)
    body = [line(0, y(0.0), WIDTH, y(0.0), "ground"), *_curves(seconds, trace.volts, time, y, "voltage")]
    text = f"{supply} rises to {show(top, 'V')} and ends at {show(trace.volts[-1], 'V')}"
    svg = stretched(pen, _LOW, body, f"{supply}: voltage over time", text, "low")
    labels = [label(show(top, "V"), y(top) / _LOW, "y-label below", "top")]
    return block([block([svg, *labels], "canvas"), element("p", "voltage", class_="axis-name")], "panel")


def _curves(
    seconds: Sequence[float], values: Sequence[float], time: Axis, y: Callable[[float], float], name: str
) -> list[Markup]:
    """What was seen, with nothing drawn through the time in which the supply was off: nobody looked, or there was
    nothing to be seen."""
    apart = _gap(seconds)
    ends = [0, *(i for i, (a, b) in enumerate(pairwise(seconds), start=1) if b - a > apart), len(values)]
    kept = _kept(values)
    pieces = [[i for i in kept if first <= i < last] for first, last in pairwise(ends)]
    return [polyline([(time.x(seconds[i]), y(values[i])) for i in piece], name) for piece in pieces if piece]


def _gap(seconds: Sequence[float]) -> float:
    """s between two samples from which they are not of one stretch: many times what this supply takes for one."""
    steps = sorted(b - a for a, b in pairwise(seconds))
    return max(LEAST_GAP, GAPS * steps[len(steps) // 2]) if steps else LEAST_GAP


def _kept(values: Sequence[float]) -> list[int]:
    """Indices to draw: all of a short trace; of a long one the extremes of each column, so that no peak is lost."""
    n = len(values)
    if n <= 2 * _MOST:
        return list(range(n))
    kept = {0, n - 1}
    for column in range(_MOST):
        span = range(column * n // _MOST, (column + 1) * n // _MOST)
        kept |= {min(span, key=values.__getitem__), max(span, key=values.__getitem__)}
    return sorted(kept)


def _spans(mode: Sequence[str], seconds: Sequence[float], time: Axis) -> list[tuple[float, float]]:
    """Where the supply was in constant current, as pairs of x."""
    spans, begin = [], None
    for index, (word, t) in enumerate(zip(mode, seconds, strict=True)):
        if word == "cc" and begin is None:
            begin = t
        if begin is not None and (word != "cc" or index == len(mode) - 1):
            spans.append((time.x(begin), time.x(t)))
            begin = None
    return spans


def _trip_time(trace: SupplyTrace, seconds: Sequence[float]) -> float:
    off = [t for t, word in zip(seconds, trace.mode, strict=True) if word == "off"]
    return off[0] if off else seconds[-1]


def _words(supply: str, trace: SupplyTrace, seconds: Sequence[float], notes: TraceNotes) -> str:
    peak = max(range(len(trace.amps)), key=trace.amps.__getitem__)
    words = f"{supply} over {duration(seconds[-1])}: highest {show(trace.amps[peak], 'A')} at "
    words += f"{show(seconds[peak], 's', 3)}, at the end {show(trace.amps[-1], 'A')}; limit {show(trace.limit[0], 'A')}"
    held = sum(word == "cc" for word in trace.mode)
    if held:
        words += f"; constant current in {held} of {len(trace.mode)} samples"
    return words + (f"; power cut: {notes.trip_says}" if notes.trip_says else "")


def overlay_figure(pen: Pen, supply: str, traces: Sequence[tuple[str, SupplyTrace]]) -> Markup:
    """The current of several units, one small panel each on a common scale."""
    drawn = [(unit, trace) for unit, trace in traces if len(trace.times) > 1]
    if not drawn:
        return Markup("")
    top = 1.1 * max(max(max(t.amps), max(t.limit)) for _, t in drawn)
    panels = [_small(pen, supply, unit, trace, top) for unit, trace in drawn]
    return block(panels, "small-panels")


def _small(pen: Pen, supply: str, unit: str, trace: SupplyTrace, top: float) -> Markup:
    height = 80.0
    seconds = [t - trace.times[0] for t in trace.times]
    time, amps = Axis(0.0, max(seconds[-1], 1e-9)), Axis(min(0.0, min(trace.amps)), top)

    def y(value: float) -> float:
        return height * (1 - amps.at(value))

    body = [box(x1, 0, x2 - x1, height, "constant-current") for x1, x2 in _spans(trace.mode, seconds, time)]
    body += [
        line(0, y(0.0), WIDTH, y(0.0), "ground"),
        *_curves(seconds, trace.limit, time, y, "current-limit"),
        *_curves(seconds, trace.amps, time, y, "current"),
    ]
    svg = stretched(
        pen, height, body, f"{unit}: {supply} current", _words(supply, trace, seconds, TraceNotes()), "small"
    )
    end = f"{unit}: {show(trace.amps[-1], 'A', 3) if trace.amps else NOTHING} at the end"
    return block([element("p", end, class_="axis-name"), svg], "small-panel")
