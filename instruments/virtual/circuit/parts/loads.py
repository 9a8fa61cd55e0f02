"""A load: resistive, constant current or constant power, with a minimum voltage."""

from __future__ import annotations

from ..draft import Draft
from ..kind import Kind, Quantity

PN = ("P", "N")


def _load(d: Draft) -> None:
    """Whichever of ohms, amps, watts are given; below `least` volts the last two act as resistors."""
    least = d.positive("least")
    ohms = d.value("ohms")
    d.conductance("P", "N", 1 / d.positive("ohms") if ohms else 0.0)
    amps = d.number("amps")
    d.valve("P", "N", ("P", "N", max(amps, 1e-15) / least, 0.0), high=amps, scale=1.0 if d.value("on") else 0.0)
    d.power_load("P", "N", d.number("watts") if d.value("on") else 0.0, least)


KINDS = (
    Kind(
        "load",
        PN,
        {
            "ohms": Quantity("Ω", None, "resistive part"),
            "amps": Quantity("A", 0.0, "constant-current part"),
            "watts": Quantity("W", 0.0, "constant-power part"),
            "least": Quantity("V", 1.0, "voltage below which current and power fall off"),
            "on": Quantity("", True, "connected"),
        },
        _load,
        "something that draws current",
        faults=("missing", "short"),
        short=(PN,),
    ),
)
