"""Pictures: the power of a run, lines against their thresholds, units side by side. Needs matplotlib.

    figure = wb.plot.power(result)          in a notebook it shows itself; figure.savefig("power.png") anywhere

Each gives a matplotlib Figure and takes a record or a result; axes are in V, A and s.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from wakeboard.results.records import Reading, RunRecord

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from wakeboard.harness.run.runner import Result
    from wakeboard.results.compare.compare import Comparison

COLOURS: Final = {"pass": "tab:green", "marginal": "tab:orange", "fail": "tab:red"}
LEAST: Final = 0.02
"""Least height of a band, V: a threshold at 0 V would not be seen."""


class NoMatplotlib(ImportError):
    """matplotlib is not installed."""


def power(what: Result | RunRecord) -> Figure:
    """Volts and amps of each supply over the run's time, as the guard saw them; the current limit is dashed. Raises
    ValueError for a run in which nothing was energised."""
    record = _record(what)
    parts: dict[str, list[Any]] = {}
    for step in record.steps:
        for name, trace in (step.trace.supplies if step.trace is not None else {}).items():
            parts.setdefault(name, []).append(trace)
    if not parts:
        raise ValueError(f"nothing was energised in the run of {record.unit}: there is no trace")
    figure, (above, below) = _figure(rows=2, height=5.0)
    for name, traces in parts.items():
        times = [time for trace in traces for time in trace.times]
        [line] = above.plot(times, [v for trace in traces for v in trace.volts], label=name)
        below.plot(times, [a for trace in traces for a in trace.amps], color=line.get_color(), label=name)
        below.plot(times, [a for trace in traces for a in trace.limit], color=line.get_color(), linestyle="--")
    above.set(ylabel="V", title=_title(record))
    below.set(xlabel="s", ylabel="A")
    above.legend()
    return figure


def lines(what: Result | RunRecord, state: str | None = None) -> Figure:
    """Each line's volts against what its receivers read as low (below) and as high (above); between them is nobody's.

    state: the text of a bench state; None: the last in which the line was read. Raises ValueError where no line was."""
    from wakeboard.harness.describe.board.levels import LevelError, line_thresholds
    from wakeboard.harness.explain.unit.cases import board_of_run

    record = _record(what)
    board = board_of_run(record)
    seen = {reading.of: reading for _, reading in record.readings() if _is_volts(reading, state)}
    drawn = {name: seen[line.net] for name, line in board.lines.items() if line.net in seen}
    if not drawn:
        raise ValueError(f"no line was read in the run of {record.unit}" + (f" in the state {state}" if state else ""))
    figure, axes = _figure(height=0.3 * len(drawn) + 1.5)
    for place, (name, reading) in enumerate(drawn.items()):
        try:
            levels = line_thresholds(board, board.lines[name])
        except LevelError:
            continue
        axes.barh(place, max(levels.low_max, LEAST), color="0.85", height=0.8)
        top = max(levels.high_min, reading.value or 0.0) * 1.1 if levels.rail is None else levels.rail
        axes.barh(place, top - levels.high_min, left=levels.high_min, color="0.85", height=0.8)
        axes.plot(reading.value, place, "o", color=COLOURS.get(reading.outcome, "tab:grey"))
    axes.set_yticks(range(len(drawn)), list(drawn))
    axes.set(xlabel="V", title=f"{_title(record)}: lines; grey: what reads as low, as high")
    return figure


def units(comparison: Comparison, checks: Sequence[str] | None = None, unit: str = "V") -> Figure:
    """Units side by side: one row a check, one mark a unit, as shares of the row's median; an outlier is filled.

    checks: texts that a check's name has; None: every check in which a unit is an outlier. unit: of the checks drawn.
    Raises ValueError where none is left."""
    document = comparison.as_json()
    rows = [
        row for row in document["checks"]
        if row["unit"] == unit and row["median"] and (row["outliers"] if checks is None else _named(row, checks))
    ]  # fmt: skip
    if not rows:
        raise ValueError("no check to draw: " + ("no unit is an outlier" if checks is None else "none has that name"))
    figure, axes = _figure(height=0.3 * len(rows) + 1.5)
    for name in document["units"]:
        [line] = axes.plot([], [], "o", fillstyle="none", label=name)
        for place, row in enumerate(rows):
            value = row["values"].get(name)
            if isinstance(value, int | float):
                filled = "full" if name in row["outliers"] else "none"
                axes.plot(value / row["median"], place, "o", color=line.get_color(), fillstyle=filled)
    axes.set_yticks(range(len(rows)), [str(row["check"]) for row in rows], fontsize="small")
    axes.set(xlabel="of the median", title=f"{document['board']}: units side by side")
    axes.legend()
    return figure


def _named(row: dict[str, Any], checks: Sequence[str]) -> bool:
    return any(text in row["check"] for text in checks)


def _is_volts(reading: Reading, state: str | None) -> bool:
    is_volts = reading.quantity == "dc volts" and reading.value is not None and reading.state != "off"
    return is_volts and (state is None or reading.state == state)


def _record(what: Result | RunRecord) -> RunRecord:
    return what if isinstance(what, RunRecord) else what.record


def _title(record: RunRecord) -> str:
    return f"{record.board} {record.unit}, {record.sequence}"


def _figure(rows: int = 1, height: float = 3.0) -> tuple[Figure, Any]:
    """A figure that no window system knows of, and its axes."""
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError:
        raise NoMatplotlib("pictures need matplotlib: pip install 'wakeboard[plot]'") from None

    class Picture(Figure):
        """A figure that a notebook shows by itself."""

        def _repr_png_(self) -> bytes:
            out = io.BytesIO()
            self.savefig(out, format="png")
            return out.getvalue()

    figure = Picture(figsize=(8.0, height), layout="constrained")
    FigureCanvasAgg(figure)
    axes: Axes | Any = figure.subplots(rows, sharex=rows > 1)
    return figure, axes
