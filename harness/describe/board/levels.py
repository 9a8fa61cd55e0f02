"""Logic levels: what voltage reads as low or high under which standard, at which rail.

    thresholds("lvcmos-3v3", 3.3)            Thresholds(low_max=0.8, high_min=2.0, ...)
    line_thresholds(board, board.lines["SDA"])

The numbers are in sequences/levels.toml, each with its source.
"""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from typing import TYPE_CHECKING, Any, Literal

from wakeboard.harness.describe.problems import nearest, one_of
from wakeboard.instruments.quantity import Interval, parse, parse_interval, show

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board, Line
    from wakeboard.harness.describe.board.parts import Part

_EDGE = 1e-9  # relative; 3.6 V is inside "2.7 .. 3.6 V" whatever the last bit says


class LevelError(ValueError):
    """A level standard that is not known, or does not hold at the rail. `found`, `allowed` and `hint` for a Problem."""

    def __init__(self, found: str, allowed: str, hint: str = "") -> None:
        super().__init__(f"found {found}; allowed: {allowed}" + (f"; {hint}" if hint else ""))
        self.found = found
        self.allowed = allowed
        self.hint = hint


@dataclass(frozen=True)
class Thresholds:
    """Volts. At or below `low_max` a line reads as low, at or above `high_min` as high; between, nobody promises.

    output_low, output_high: what a driver keeps at output_current (A); None where the standard's table has none.
    rail: the voltage at which they hold; source: where the numbers are from.
    """

    low_max: float
    high_min: float
    output_low: float | None
    output_high: float | None
    output_current: float | None
    rail: float | None
    source: str

    def level(self, volts: float) -> Literal["low", "high", "undefined"]:
        if volts <= self.low_max:
            return "low"
        return "high" if volts >= self.high_min else "undefined"

    def limits(self, level: str) -> Interval:
        """The voltages at which the line has this level ("low" or "high")."""
        return Interval(None, self.low_max) if level == "low" else Interval(self.high_min, None)


@functools.cache
def standards() -> Mapping[str, Mapping[str, object]]:
    """The packaged level standards as levels.toml has them."""
    text = resources.files("wakeboard.sequences").joinpath("levels.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def nominal_rail(standard: str) -> float | None:
    """The rail that a standard is named for, V; None for one that scales with any rail. Raises LevelError."""
    text = _standard(standard).get("nominal")
    return parse(text, "V") if text else None


def thresholds(standard: str, rail: float | None = None) -> Thresholds:
    """The thresholds of a standard at a rail of so many volts (None: its nominal). Raises LevelError."""
    entry = _standard(standard)
    if rail is None:
        rail = nominal_rail(standard)
    if rail is None:
        raise LevelError(f'"{standard}" without a rail', "the rail that its levels are a share of", 'rail = "…"')
    for band in entry["band"]:
        if _holds(band["rail"], rail):
            return _in_band(band, rail, entry["source"])
    spans = " or ".join(_span(band["rail"]).show("V") for band in entry["band"])
    raise LevelError(f'"{standard}" on a rail of {show(rail, "V")}', f"a rail of {spans}")


def _standard(name: str) -> Mapping[str, Any]:
    try:
        return standards()[name]
    except KeyError:
        known = standards()
        raise LevelError(f'the level standard "{name}"', one_of(known, 20), nearest(name, known)) from None


def _span(rail: str | list[str]) -> Interval:
    if isinstance(rail, str):
        return parse_interval(rail, "V")
    volts = [parse(each, "V") for each in rail]
    return Interval(min(volts), max(volts))


def _holds(rail: str | list[str], volts: float) -> bool:
    span = _span(rail)
    return (span.low or 0.0) * (1 - _EDGE) <= volts <= (span.high or 0.0) * (1 + _EDGE)


def _in_band(band: Mapping[str, Any], rail: float, source: str) -> Thresholds:
    def volts(key: str) -> float:
        return _volts(band[key], band["rail"], rail)

    current = parse(band["output_current"], "A") if "output_current" in band else None
    output_low = volts("output_low") if "output_low" in band else None
    output_high = volts("output_high") if "output_high" in band else None
    return Thresholds(volts("input_low"), volts("input_high"), output_low, output_high, current, rail, source)


def _volts(text: str | list[str], rails: str | list[str], rail: float) -> float:
    if isinstance(text, list):
        return _between([parse(each, "V") for each in rails], [parse(each, "V") for each in text], rail)
    if text.startswith("rail - "):
        return rail - parse(text.removeprefix("rail - "), "V")
    return rail * parse(text, "%") if text.endswith("%") else parse(text, "V")


def _between(xs: list[float], ys: list[float], x: float) -> float:
    for x0, x1, y0, y1 in zip(xs, xs[1:], ys, ys[1:], strict=False):
        if x <= x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return ys[-1]


def line_thresholds(board: Board, line: Line) -> Thresholds:
    """What counts as low and high on a line of a board. Raises LevelError."""
    if isinstance(line.levels, str):
        rail = rail_of(board, line)
        if rail is None and line.rail is not None and nominal_rail(line.levels) is None:
            raise LevelError(
                f'"{line.levels}" at "{line.rail}", which has no `volts`', "a rail with its nominal voltage"
            )
        return thresholds(line.levels, rail)
    low, high = line.levels.low.high, line.levels.high.low
    if low is None or high is None or low >= high:
        raise LevelError("thresholds that cross", 'low = "< 0.8 V" and high = "> 2.0 V", the first below the second')
    return Thresholds(low, high, None, None, None, rail_of(board, line), "board file")


def rail_of(board: Board, line: Line) -> float | None:
    """The voltage that a line's levels refer to: its `rail`, or that of the parts on its net; None where unknown."""
    if line.rail is not None:
        return _nominal(board, line.rail)
    drivers = [line.driven_by.partition(".")[::2]] if line.driven_by else []
    others = [(part.name, pin) for part in board.parts.values() for pin, net in part.pins.items() if net == line.net]
    for name, pin in [*drivers, *others]:
        part = board.parts.get(name)
        net = supply_net(part, pin) if part else None
        volts = _nominal(board, net) if net else None
        if volts is not None:
            return volts
    return None


def supply_net(part: Part, pin: str) -> str | None:
    """The net that a part's pin takes its levels from: the pin's own `rail`, or the part's first supply pin."""
    entry = part.values.get("io", {}).get(pin, {})
    supply_pins = [entry.get("rail"), *part.values.get("supply", {}), "VDD"]
    return next((part.pins[each] for each in supply_pins if each in part.pins), None)


def _nominal(board: Board, name: str) -> float | None:
    """The nominal volts of a rail or supply, by its own name or its net's."""
    for tables in (board.rails, board.supplies):
        for key, table in tables.items():
            if name in (key, table.net) and table.volts is not None:
                return float(table.volts.nominal)
    return _passed_on(board, name)


def _passed_on(board: Board, name: str) -> float | None:
    """The nominal volts of the one supply that feeds a rail which has a range only, where they lie in it."""
    rail = next((rail for key, rail in board.rails.items() if name in (key, rail.net)), None)
    if rail is None or rail.limits is None or len(rail.sources) != 1 or rail.sources[0] not in board.supplies:
        return None
    volts = float(board.supplies[rail.sources[0]].volts.nominal)
    return volts if volts in rail.limits else None
