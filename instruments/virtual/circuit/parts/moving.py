"""Loads that a driver moves: speaker and motor.

A speaker is the resistance of its coil. A motor that turns draws less than one that is stalled.
"""

from __future__ import annotations

from ..draft import Draft
from ..kind import Kind, Quantity

TWO = ("1", "2")


def _speaker(d: Draft) -> None:
    d.resistance("1", "2", d.positive("ohms"))


def _motor(d: Draft) -> None:
    """Turning: as a resistor that draws `amps` at `volts`. Stalled: the winding alone."""
    d.resistance("1", "2", d.positive("ohms") if d.value("stalled") else d.positive("volts") / d.positive("amps"))


KINDS = (
    Kind(
        "speaker",
        TWO,
        {"ohms": Quantity("Ω", 8.0, "resistance of its coil")},
        _speaker,
        "a speaker: the resistance of its coil",
        main="ohms",
        short=(TWO,),
        faults=("missing", "short"),
    ),
    Kind(
        "motor",
        TWO,
        {
            "volts": Quantity("V", None, "rated voltage", required=True),
            "amps": Quantity("A", None, "current at the rated voltage while it turns under its load", required=True),
            "ohms": Quantity("Ω", None, "resistance of its winding: all there is when it is stalled", required=True),
            "stalled": Quantity("", False, "does not turn"),
        },
        _motor,
        "a brushed motor, turning or stalled",
        short=(TWO,),
        faults=("missing", "short"),
    ),
)
