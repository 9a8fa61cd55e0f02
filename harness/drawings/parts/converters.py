"""A regulator told by what is around it, where no entry of the part book has its pins.

    table, note = converter(design, part, ground)      ({}, "") where nothing says so plainly

A step-down converter has a pin on an inductor whose far end is a rail named for a voltage, and another on a rail named
for a higher one; a linear regulator is called so and lies between two rails, of which one has the voltage in its text.
Pins that the model does without (feedback, bootstrap, soft start) are left out. What was taken is said.
"""

from __future__ import annotations

import re
from typing import Final

from wakeboard.harness.drawings.design import Design, DrawnPart
from wakeboard.harness.drawings.netnames import function_of, is_ground, is_rail, volts_of
from wakeboard.harness.drawings.parts.values import tidy
from wakeboard.harness.drawings.references import split
from wakeboard.instruments.quantity import show

MOST_PINS: Final = 20  # more have several outputs
_LINEAR: Final = re.compile(
    r"\bldo\b|low.?drop|linear|lin(?:é|e)aire|r(?:é|e)gulateur|festspannung|spannungsregler|regulador|regolatore|"
    r"voltage regulator|\b78[LM]?[0-9]{2}|1117",
    re.IGNORECASE,
)
_UP: Final = re.compile(r"boost|step.?up|aufw(?:ä|ae)rts|(?:é|e)l(?:é|e)vateur|elevador|charg", re.IGNORECASE)


def converter(design: Design, part: DrawnPart, ground: str) -> tuple[dict[str, object], str]:
    """A board file's table, and what to say of it."""
    if len(part.pins) > MOST_PINS or ground not in part.pins.values() or _UP.search(part.text):
        return {}, ""
    return _step_down(design, part, ground) or _linear(part, ground) or ({}, "")


def _step_down(design: Design, part: DrawnPart, ground: str) -> tuple[dict[str, object], str] | None:
    found = [
        (pin, name, far) for pin, net in part.pins.items() if not is_rail(net) for name, far in _coils(design, net)
    ]
    outputs = {far for _, _, far in found if volts_of(far)}
    if len(outputs) != 1:
        return None
    out = outputs.pop()
    pin, coil, _ = next(each for each in found if each[2] == out)
    source = _source(part, out)
    if not source:
        return None
    note = f"taken as a step-down converter: {coil} is between its pin {pin} and {out}"
    return _table("buck", part, source, out, ground), note


def _coils(design: Design, net: str) -> list[tuple[str, str]]:
    """(inductor, the net at its far end) of every inductor on a net."""
    coils = [each for each in design.parts.values() if split(each.name)[0] == "L" and net in each.pins.values()]
    return [(coil.name, far) for coil in coils for far in coil.pins.values() if far != net and not is_ground(far)]


def _linear(part: DrawnPart, ground: str) -> tuple[dict[str, object], str] | None:
    if not _LINEAR.search(part.text) or len(part.pins) > 8:
        return None
    told = {float(each) for each in re.findall(r"(?<![0-9.])([0-9]{1,2}(?:\.[0-9]{1,2})?)", _as_points(part.text))}
    outputs = {net for net in part.pins.values() if volts_of(net) in told}
    if len(outputs) != 1:
        return None
    out = outputs.pop()
    source = _source(part, out)
    return (
        (_table("ldo", part, source, out, ground), f"taken as a linear regulator from {source} to {out}")
        if source
        else None
    )


def _as_points(text: str) -> str:
    """ "3V3" and "3,3" as 3.3."""
    return re.sub(r"(?<=[0-9])V(?=[0-9])", ".", tidy(text))


def _source(part: DrawnPart, out: str) -> str:
    """The one other rail on the part that may be higher than the output; "" where there are none or several."""
    low = volts_of(out) or 0.0
    rails = {net for net in part.pins.values() if net != out and is_rail(net) and (volts_of(net) or 99.0) > low}
    return rails.pop() if len(rails) == 1 else ""


def _table(kind: str, part: DrawnPart, source: str, out: str, ground: str) -> dict[str, object]:
    pins = {"IN": source, "OUT": out, "GND": ground}
    enable = [net for net in part.pins.values() if function_of(net) == "enable"]
    if enable:
        pins["EN"] = enable[0]
    return {"kind": kind, "pins": pins, "volts": show(volts_of(out) or 0.0, "V")}
