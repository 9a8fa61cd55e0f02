"""Diode, Schottky diode, LED and zener.

`drop` at `at` amperes fixes the curve where the data sheet gives a point: the saturation current is solved from it and
the emission coefficient, `ohms` in series included. A netlist gives `saturation`, `emission`, `ohms` instead.
"""

from __future__ import annotations

import math

from wakeboard.instruments.virtual.circuit.solver.devices import THERMAL_VOLTS

from ..draft import Draft
from ..errors import CircuitError
from ..kind import Kind, Quantity
from ..leakage import leak, stated_leak

AK = ("A", "K")


def saturation_of(d: Draft, drop: float, at: float, emission: float, ohms: float) -> float:
    """Is (A) of the junction that drops `drop` volts at `at` amperes."""
    inner = drop - at * ohms
    if inner <= 0:
        raise CircuitError(
            f"{d.part.name}: {ohms:g} Ω in series drop more than {drop:g} V at {at:g} A; lower ohms", [d.part.name]
        )
    return at / math.expm1(inner / (emission * THERMAL_VOLTS))


def forward(d: Draft) -> None:
    """The forward junction from A to K; `reversed` turns it round."""
    emission, ohms = d.positive("emission"), d.number("ohms")
    given = d.value("saturation")
    saturation = (
        d.positive("saturation")
        if given is not None
        else saturation_of(d, d.positive("drop"), d.positive("at"), emission, ohms)
    )
    turned = bool(d.value("reversed"))
    d.junction("A", "K", saturation, emission, ohms, sign=-1.0 if turned else 1.0)
    stated_leak(d, "K", "A", turned=turned)


def _zener(d: Draft) -> None:
    emission, ohms, volts, at = d.positive("emission"), d.number("ohms"), d.positive("volts"), d.positive("at")
    turned = bool(d.value("reversed"))
    saturation = d.positive("saturation")
    d.junction("A", "K", saturation, emission, 0.1, sign=-1.0 if turned else 1.0)
    # the breakdown knee: a junction the other way whose exponential passes exactly through (volts, at)
    vt, knee = THERMAL_VOLTS, d.positive("knee")
    rise = vt * math.log(at / knee)
    offset = volts - rise - at * ohms
    d.junction("K", "A", knee, 1.0, ohms, offset=max(offset, 0.1), sign=-1.0 if turned else 1.0)
    stated_leak(d, "K", "A", turned=turned)


def _values(drop: float, at: float, emission: float, ohms: float) -> dict[str, Quantity]:
    return {
        "drop": Quantity("V", drop, "forward voltage at the current `at`"),
        "at": Quantity("A", at, "current at which `drop` holds"),
        "emission": Quantity("", emission, "emission coefficient n"),
        "ohms": Quantity("Ω", ohms, "series resistance, part of `drop`"),
        "saturation": Quantity("A", None, "saturation current instead of drop and at"),
        "leak": leak("reverse leakage, from the cathode to the anode"),
        "reversed": Quantity("", False, "fitted the wrong way round"),
    }


def _kind(name: str, says: str, drop: float, at: float, emission: float, ohms: float) -> Kind:
    return Kind(
        name,
        AK,
        _values(drop, at, emission, ohms),
        forward,
        says,
        synonyms={"vf": "drop"},
        short=(AK,),
        thermal_s=0.3,
        faults=("missing", "short", "reversed"),
    )


KINDS = (
    _kind("diode", "a silicon junction diode", 0.7, 0.01, 1.0, 0.0),
    _kind("schottky", "a Schottky diode", 0.4, 1.0, 1.05, 0.05),
    _kind("led", "a light-emitting diode", 2.0, 0.01, 2.0, 5.0),
    Kind(
        "zener",
        AK,
        {
            "volts": Quantity("V", None, "zener voltage at `at`", required=True),
            "at": Quantity("A", 5e-3, "test current"),
            "ohms": Quantity("Ω", 10.0, "dynamic resistance r_z, apart from the knee"),
            "knee": Quantity("A", 1e-9, "scale of the knee: where the breakdown's exponential begins"),
            "emission": Quantity("", 1.0, "emission coefficient of the forward junction"),
            "saturation": Quantity("A", 1e-14, "saturation current of the forward junction"),
            "leak": leak("reverse leakage below the knee"),
            "reversed": Quantity("", False, "fitted the wrong way round"),
        },
        _zener,
        "a zener diode: breakdown and forward junction",
        short=(AK,),
        thermal_s=0.3,
        main="volts",
        faults=("missing", "short", "reversed"),
    ),
)
