"""What an oscilloscope saw while a supply came up: a panel for each net, one above the other on one time axis.

Nothing is told by colour: each net has its own panel, and its crossing is a line with its time written beside it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from wakeboard.results.report.figures.svg import WIDTH, Axis, Pen, block, element, label, line, polyline, stretched
from wakeboard.results.report.text import show

_HEIGHT = 90.0  # units of a trace: a dozen on a page


def start_up_figure(pen: Pen, waves: Mapping[str, Mapping[str, Any]]) -> Markup:
    """waves: see StartUpTold. Nothing where none can be drawn."""
    drawn = {net: wave for net, wave in waves.items() if _fits(wave)}
    if not drawn:
        return Markup("")
    time = Axis(min(wave["times"][0] for wave in drawn.values()), max(wave["times"][-1] for wave in drawn.values()))
    panels = [_panel(pen, net, wave, time) for net, wave in drawn.items()]
    ticks = block([label(show(t, "s", 3), time.at(t), "tick") for t in time.ticks(5)], "ticks")
    return block([*panels, ticks], "trace")


def _fits(wave: Mapping[str, Any]) -> bool:
    times = wave.get("times") or ()
    return len(times) > 1 and len(times) == len(wave.get("low") or ()) == len(wave.get("high") or ())


def _panel(pen: Pen, net: str, wave: Mapping[str, Any], time: Axis) -> Markup:
    low, high = min(0.0, *wave["low"]), max(0.1, *wave["high"])
    volts = Axis(low, low + 1.1 * (high - low))

    def y(value: float) -> float:
        return _HEIGHT * (1 - volts.at(value))

    body = [line(0, y(0.0), WIDTH, y(0.0), "ground"), polyline(_outline(wave, time, y), "voltage")]
    labels = [label(show(high, "V", 3), y(high) / _HEIGHT, "y-label below", "top")]
    words = f"{net} from {show(wave['low'][0], 'V', 3)} to {show(wave['high'][-1], 'V', 3)}"
    at, level = wave.get("at"), wave.get("level")
    if level is not None:
        body.append(line(0, y(level), WIDTH, y(level), "limit"))
    if at is not None:
        body.append(line(time.x(at), 0, time.x(at), _HEIGHT, "trip"))
        labels.append(label(f"{show(level, 'V', 3)} at {show(at, 's', 3)}", time.at(at), "trip-name"))
        words += f", through {show(level, 'V', 3)} at {show(at, 's', 3)}"
    svg = stretched(pen, _HEIGHT, body, f"{net}: voltage over time", words, "low")
    return block([block([svg, *labels], "canvas"), element("p", net, class_="axis-name")], "panel")


def _outline(wave: Mapping[str, Any], time: Axis, y: Any) -> Sequence[tuple[float, float]]:
    """Lowest and highest of each group of samples, so that no peak is lost."""
    rows = zip(wave["times"], wave["low"], wave["high"], strict=True)
    return [point for t, low, high in rows for point in ((time.x(t), y(low)), (time.x(t), y(high)))]
