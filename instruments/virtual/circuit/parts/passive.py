"""Resistor, capacitor, inductor, and a bleed: a resistor with a switch."""

from __future__ import annotations

from ..draft import Draft
from ..kind import Kind, Quantity

TWO = ("1", "2")


def _resistor(d: Draft) -> None:
    ohms = d.number("value")
    d.resistance("1", "2", max(ohms, 1e-4))


def _bleed(d: Draft) -> None:
    d.conductance("1", "2", 1 / d.positive("value") if d.value("on") else 0.0)


def _capacitor(d: Draft) -> None:
    leak = d.number("leak_ohms", 0.0)
    d.capacitor("1", "2", d.positive("value"), 1 / leak if leak else 0.0)


def _inductor(d: Draft) -> None:
    d.inductor("1", "2", d.positive("value"), max(d.number("ohms"), 1e-4))


KINDS = (
    Kind(
        "resistor",
        TWO,
        {"value": Quantity("Ω", None, "resistance; below 0.1 mΩ counts as 0.1 mΩ", required=True)},
        _resistor,
        "a resistor, or a 0 Ω link",
        synonyms={"ohms": "value"},
        short=(TWO,),
        thermal_s=2.0,
        main="value",
        faults=("missing", "short"),
    ),
    Kind(
        "bleed",
        TWO,
        {
            "value": Quantity("Ω", None, "resistance", required=True),
            "on": Quantity("", True, "connected"),
        },
        _bleed,
        "a resistor that the bench can switch in",
        bench=True,
        synonyms={"ohms": "value"},
        thermal_s=2.0,
        main="value",
    ),
    Kind(
        "capacitor",
        TWO,
        {
            "value": Quantity("F", None, "capacitance", required=True),
            "leak_ohms": Quantity("Ω", None, "insulation resistance; none: perfect"),
            "polarised": Quantity("", False, "may not be reversed"),
        },
        _capacitor,
        "a capacitor: open at DC but for its leakage",
        short=(TWO,),
        mirrored={"1": "2", "2": "1"},
        thermal_s=0.1,
        synonyms={"farads": "value"},
        main="value",
        faults=("missing", "short"),
    ),
    Kind(
        "inductor",
        TWO,
        {
            "value": Quantity("H", None, "inductance", required=True),
            "ohms": Quantity("Ω", 0.1, "winding resistance; below 0.1 mΩ counts as 0.1 mΩ"),
        },
        _inductor,
        "an inductor: its winding resistance at DC",
        short=(TWO,),
        thermal_s=2.0,
        synonyms={"henries": "value"},
        main="value",
        faults=("missing", "short"),
    ),
)
