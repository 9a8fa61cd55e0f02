"""Readings as a page shows them: odd ones, rails and lines with their drawings, and the back-feed matrix."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from wakeboard.results.records import LIMITS_FROM, Reading, RunRecord, Step
from wakeboard.results.report.figures.strips import Thresholds, limit_strip, line_strip
from wakeboard.results.report.figures.svg import Pen
from wakeboard.results.report.text import (
    show,
    show_measured,
    show_pair,
    show_uncertainty,
    state_without_load,
    state_words,
)
from wakeboard.results.told import LinesTold

ODD = ("fail", "marginal", "error", "tripped")
TEXT = "text"


@dataclass(frozen=True)
class ReadingView:
    """A reading as text, with its drawing where it has limits."""

    of: str
    quantity: str
    state: str
    step: str
    value: str
    uncertainty: str
    limits: str
    limits_from: str
    outcome: str
    word: str
    says: str
    instrument: str
    range: str
    drawing: Markup

    @property
    def anchor(self) -> str:
        return f"{self.of} {self.quantity}"


def reading_view(pen: Pen, step: Step, reading: Reading, *, draw: bool = False) -> ReadingView:
    """`draw` adds the strip; tables of all readings go without."""
    limited = reading.low is not None or reading.high is not None
    drawing = Markup("")
    if draw and limited and reading.value is not None and math.isfinite(reading.value):
        drawing = limit_strip(
            pen, reading.of, reading.value, reading.low, reading.high, reading.u, reading.unit, reading.outcome
        )
    value = reading.says if reading.quantity == TEXT else show_measured(reading.value, reading.u, reading.unit)
    return ReadingView(
        of=reading.of,
        quantity=reading.quantity,
        state=state_words(reading.state),
        step=f"{step.number} {step.name}",
        value=value or "nothing",
        uncertainty=show_uncertainty(reading.u, reading.unit),
        limits=show_pair(reading.low, reading.high, reading.unit),
        limits_from=LIMITS_FROM.get(reading.limits_from, reading.limits_from),
        outcome=reading.outcome,
        word=reading.word,
        says="" if reading.quantity == TEXT else reading.says,
        instrument=reading.instrument,
        range=show(reading.range, reading.unit) if reading.range is not None else "",
        drawing=drawing,
    )


@dataclass(frozen=True)
class OddGroup:
    """What is odd of one net: its first odd reading with a drawing, and the later ones in other states."""

    first: ReadingView
    also: tuple[ReadingView, ...]


def odd_groups(pen: Pen, record: RunRecord) -> list[OddGroup]:
    """In the order in which they were taken: the first is nearest to the cause."""
    groups: dict[tuple[str, str], list[ReadingView]] = {}
    for step in record.steps:
        for reading in step.readings:
            if reading.outcome in ODD:
                found = groups.setdefault((reading.of, reading.quantity), [])
                found.append(odd_view(pen, step, reading) if not found else reading_view(pen, step, reading))
    return [OddGroup(found[0], tuple(found[1:])) for found in groups.values()]


def odd_view(pen: Pen, step: Step, reading: Reading) -> ReadingView:
    """An odd reading: a line against its thresholds, anything else against its limits."""
    view = reading_view(pen, step, reading, draw=True)
    drawn = _line_drawing(pen, step, reading) if step.kind == "line" and reading.quantity == "dc volts" else None
    return view if drawn is None else ReadingView(**{**vars(view), "drawing": drawn})


def rails(pen: Pen, record: RunRecord) -> list[tuple[str, list[ReadingView]]]:
    """Rails by bench state, in the order of the run."""
    groups: dict[str, list[ReadingView]] = {}
    for step in record.steps:
        if step.kind == "rails":
            for reading in step.readings:
                groups.setdefault(state_without_load(reading.state), []).append(
                    reading_view(pen, step, reading, draw=True)
                )
    return list(groups.items())


def lines(pen: Pen, record: RunRecord) -> list[ReadingView]:
    """Lines in the order of the run, drawn against their thresholds where the run tells them."""
    return [
        odd_view(pen, step, reading)
        for step in record.steps
        if step.kind == "line"
        for reading in step.readings
        if reading.quantity == "dc volts" and (reading.low is not None or reading.high is not None)
    ]


def thresholds_of(step: Step, reading: Reading) -> Thresholds | None:
    """Thresholds of a line from what its step told."""
    entry = (LinesTold.of(step).thresholds or {}).get(reading.of)
    if not isinstance(entry, Mapping):
        return None
    low, high = entry.get("low"), entry.get("high")
    if not isinstance(low, int | float) or not isinstance(high, int | float) or not low < high:
        return None
    rail = entry.get("rail")
    top = float(rail) if isinstance(rail, int | float) else 1.4 * float(high)
    return Thresholds(float(low), float(high), top, str(entry.get("expected") or _expected(reading)))


def _expected(reading: Reading) -> str:
    if reading.low is None and reading.high is not None:
        return "low"
    return "high" if reading.high is None and reading.low is not None else ""


def _line_drawing(pen: Pen, step: Step, reading: Reading) -> Markup | None:
    limits = thresholds_of(step, reading)
    if limits is None or reading.value is None:
        return None
    same = [r for r in step.readings if r.of == reading.of and r is not reading and r.value is not None]
    ac = next((r.value for r in same if r.quantity == "ac volts"), None)
    loaded = (r for r in same if r.quantity == "dc volts" and r.state != reading.state)
    second = next((r.value for r in loaded if state_without_load(r.state) == state_without_load(reading.state)), None)
    return line_strip(pen, reading.of, reading.value, ac, limits, reading.outcome, second)


@dataclass(frozen=True)
class MatrixCell:
    """One place of the back-feed matrix; `share` of the bar is 0..100."""

    value: str
    outcome: str
    share: float


@dataclass(frozen=True)
class Matrix:
    """Columns: the supply that was on. Rows: what was measured. A cell is None where nothing was measured."""

    states: tuple[str, ...]
    rows: tuple[tuple[str, tuple[MatrixCell | None, ...]], ...]
    limit: str

    @property
    def odd(self) -> bool:
        return any(cell and cell.outcome in ODD for _, cells in self.rows for cell in cells)


def backfeed_matrix(records: Iterable[RunRecord]) -> Matrix | None:
    """Back-feed readings: which supply was on, and what rose where; of several runs the highest reading of each place.

    None where no back-feed was measured.
    """
    found: dict[tuple[str, str], Reading] = {}
    for reading in back_feed_readings(records):
        key = (reading.of, state_without_load(reading.state))
        if key not in found or _weight(reading) > _weight(found[key]):
            found[key] = reading
    if not found:
        return None
    states = tuple(dict.fromkeys(state for _, state in found))
    nets = tuple(dict.fromkeys(net for net, _ in found))
    top = max(abs(r.value or 0.0) for r in found.values()) or 1.0
    rows = tuple((net, tuple(_cell(found.get((net, state)), top) for state in states)) for net in nets)
    limits = {show_pair(r.low, r.high, r.unit) for r in found.values()} - {""}
    return Matrix(states, rows, limits.pop() if len(limits) == 1 else "")


def _weight(reading: Reading) -> tuple[bool, float]:
    """A reading that was held against a limit decides (one before the bleed resistor does not); then the highest."""
    return reading.low is not None or reading.high is not None, abs(reading.value or 0.0)


def back_feed_readings(records: Iterable[RunRecord]) -> Iterable[Reading]:
    for record in records:
        for step in record.steps:
            if step.kind in ("back-feed", "isolation"):  # as runs of older stores call it
                yield from (reading for reading in step.readings if reading.value is not None)


def _cell(reading: Reading | None, top: float) -> MatrixCell | None:
    if reading is None or reading.value is None:
        return None
    return MatrixCell(
        show(reading.value, reading.unit, 3), reading.outcome, round(100 * min(1.0, abs(reading.value) / top), 1)
    )


def supply_of(state: str) -> str:
    """The supplies of a bench state by name: "USB=5V@120mA; U1.GPIO7=low" -> "USB"."""
    names = [part.split("=")[0].strip() for part in state.split(";") if "@" in part]
    return " + ".join(names) or "nothing"


def tally(readings: Sequence[Reading]) -> Mapping[str, int]:
    """How many readings had each outcome."""
    counts: dict[str, int] = {}
    for reading in readings:
        counts[reading.outcome] = counts.get(reading.outcome, 0) + 1
    return counts
