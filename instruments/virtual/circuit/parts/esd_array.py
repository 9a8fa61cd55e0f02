"""An array of diodes that protects lines: from ground to each pin, from each pin to VCC where there is one.

Between VCC (or, without one, each pin) and ground sits a diode that breaks down above `breakdown`.
"""

from __future__ import annotations

from ..draft import Draft
from ..kind import Kind, Quantity

CLAMP = (1e-13, 1.0, 0.5)  # saturation A, emission, series Ω
KNEE = 1e-9  # A; where the breakdown begins


def _array(d: Draft) -> None:
    ground = d.ground_pin
    for pin in d.part.pins:
        if pin == ground:
            continue
        d.junction(ground, pin, *CLAMP)
        if pin != "VCC" and "VCC" in d.part.pins:
            d.junction(pin, "VCC", *CLAMP)
        else:
            d.junction(pin, ground, KNEE, 1.0, 0.5, offset=d.positive("breakdown"))
    if "VCC" in d.part.pins:
        d.conductance("VCC", ground, 1e-9)


KINDS = (
    Kind(
        "esd_array",
        ("GND",),
        {"breakdown": Quantity("V", 6.0, "voltage from which it begins to conduct")},
        _array,
        "an array of protection diodes; its pins but VCC and the ground are the lines",
        any_pins=True,
        faults=("missing",),
    ),
)
