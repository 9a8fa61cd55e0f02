"""Ideal sources (for netlists) and a battery."""

from __future__ import annotations

from ..draft import Draft
from ..kind import Kind, Quantity

PN = ("P", "N")


def _v_source(d: Draft) -> None:
    d.source("P", "N", d.number("volts"), d.number("ohms"))


def _i_source(d: Draft) -> None:
    d.conductance("P", "N", 0.0, d.number("amps"), label="current source")


def _battery(d: Draft) -> None:
    siemens = 1 / d.positive("ohms")
    d.conductance("P", "N", siemens, d.number("volts") * siemens)


KINDS = (
    Kind(
        "v_source",
        PN,
        {
            "volts": Quantity("V", None, "voltage of P against N", required=True),
            "ohms": Quantity("Ω", 0.0, "series resistance"),
        },
        _v_source,
        "an ideal voltage source: delivers and takes any current",
        main="volts",
        ideal=True,
    ),
    Kind(
        "i_source",
        PN,
        {"amps": Quantity("A", None, "current that it pushes out of P", required=True)},
        _i_source,
        "an ideal current source; its arrow points out of P",
        main="amps",
        ideal=True,
    ),
    Kind(
        "battery",
        PN,
        {
            "volts": Quantity("V", 3.7, "open-circuit voltage"),
            "ohms": Quantity("Ω", 0.1, "internal resistance"),
        },
        _battery,
        "a cell or battery: delivers current and takes charge",
        thermal_s=10.0,
        main="volts",
    ),
)
