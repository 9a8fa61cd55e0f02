"""An I2C bus whose pull-ups are too strong to be pulled low or too weak to rise in time."""

from __future__ import annotations

from collections.abc import Iterator

from wakeboard.harness.describe.board.board import Line
from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.standards import i2c_pull_up_window
from wakeboard.harness.review.study.study import Study
from wakeboard.instruments.quantity import show

DEFAULT_CAPACITANCE = 100e-12
"""F of a bus whose file names none: a short bus on one board; common practice, no source."""


def find(study: Study) -> Iterator[Concern]:
    for name, line in study.board.lines.items():
        if line.bus != "i2c":
            continue
        rail, ohms, parts = _pull_up(study, line)
        capacitance, rate = line.bus_capacitance or DEFAULT_CAPACITANCE, line.bus_rate or 100e3
        window = i2c_pull_up_window(rail or 3.3, capacitance, rate)
        room = f"{show(window.low, 'Ω')} .. {show(window.high, 'Ω')}"
        if window.low > window.high:
            room = (
                f"no value: {show(window.low, 'Ω')} or more to go low, {show(window.high, 'Ω')} or less to rise in time"
            )
        if ohms is None:
            yield Concern(
                "pull-up-window", True, (line.net,), says=f"{name} has no pull-up; the bus needs {room}",
                do=f"fit a pull-up on {line.net}",
            )  # fmt: skip
        elif not window.holds(ohms):
            yield Concern(
                "pull-up-window", ohms < window.low, (line.net,), path=parts, value=ohms, unit="Ω",
                weight=max(window.low / ohms, ohms / window.high),
                says=f"{name} is pulled up by {show(ohms, 'Ω')}; at {show(rate, 'Hz')} and {show(capacitance, 'F')} "
                f"the bus takes {room} (UM10204)",
                do=f"fit a pull-up of {room}" if window.low <= window.high else "lower the rate or the bus capacitance",
            )  # fmt: skip


def _pull_up(study: Study, line: Line) -> tuple[float | None, float | None, tuple[str, ...]]:
    """The rail's voltage, all fitted resistors to rails and supplies in parallel (Ω; None: none), and their names."""
    siemens, parts, volts = 0.0, [], None
    for part in study.board.parts.values():
        nets = list(part.pins.values())
        if part.kind != "resistor" or line.net not in nets:
            continue
        other = nets[1] if nets[0] == line.net else nets[0]
        fed = [rail.volts.nominal if rail.volts else None for rail in study.rails_on(other)]
        fed += [supply.volts.nominal for supply in study.board.supplies.values() if supply.net == other and not fed]
        if fed:
            siemens += 1 / float(part.values["value"])
            parts.append(part.name)
            volts = fed[-1] or volts
    return volts, (1 / siemens if siemens else None), tuple(parts)
