"""Regulators whose output a divider sets: adjustable_ldo, adjustable_buck, adjustable_boost.

FB is held at `reference`: the output follows from the resistors that are fitted, so a wrong one, a missing one or an
open feedback shows as it does on the board (no divider: the output goes as high as the input lets it). All else is as
in the fixed kinds (see regulators).
"""

from __future__ import annotations

from ..draft import Draft, ramp
from ..kind import Kind, Quantity
from .regulators import COMMON, GATE, alive, body_diode, enable_gate, enable_pull, quiescent

STIFF = 4.0
"""How much more firmly FB is held than an output of `load_ohms` would be: the divider takes about that away again."""


def _feedback(d: Draft) -> tuple[float, float]:
    """Siemens and volts of the loop at FB; FB's own leakage is written down too."""
    d.conductance("FB", "GND", 1 / d.positive("feedback_leak_ohms"))
    return STIFF / d.positive("load_ohms"), d.positive("reference")


def _lockout(d: Draft) -> tuple[str, str, float, float]:
    return ("IN", "GND", *ramp(d.number("lockout"), GATE))


def _ldo(d: Draft) -> None:
    siemens, reference = _feedback(d)
    through = (d.part.ratings.get("current") or d.positive("limit")) / d.positive("dropout")
    gates = (enable_gate(d), _lockout(d))
    aim = ("GND", "FB", siemens, siemens * reference)
    way = ("IN", "OUT", through, 0.0)
    d.valve("IN", "OUT", aim, way, high=d.positive("limit"), gates=gates, scale=alive(d))
    body_diode(d, "OUT", "IN")
    quiescent(d, "IN", gates)
    d.conductance("OUT", "GND", 1e-7)
    enable_pull(d)


def _switcher(d: Draft, duty: float, drop: float) -> None:
    enable, lockout = enable_gate(d), ramp(d.number("lockout"), GATE)
    _, reference = _feedback(d)
    d.converter(
        ("OUT", "GND"),
        ("IN", "GND"),
        enable,
        lockout,
        siemens=1 / d.positive("load_ohms"),
        volts=STIFF * reference,
        duty=duty,
        drop=drop,
        limit=d.positive("limit"),
        efficiency=d.positive("efficiency"),
        least=max(d.number("lockout") * 0.5, 0.3),
        scale=alive(d),
        feedback=(("FB", "GND"), STIFF),
    )
    quiescent(d, "IN", (enable, _lockout(d)))
    d.conductance("OUT", "GND", 1e-7)
    enable_pull(d)


def _buck(d: Draft) -> None:
    _switcher(d, 1.0, d.number("dropout"))
    body_diode(d, "OUT", "IN")


def _boost(d: Draft) -> None:
    _switcher(d, d.positive("most_ratio"), 0.0)
    body_diode(d, "IN", "OUT")


_PINS = ("IN", "OUT", "FB", "GND", "EN")
_VALUES = {
    **{name: quantity for name, quantity in COMMON.items() if name != "volts"},
    "reference": Quantity("V", None, "the voltage at which FB is held", required=True),
    "feedback_leak_ohms": Quantity("Ω", 100e6, "FB's own leakage to ground"),
}
_EFFICIENCY = "output power over input power, without the quiescent current"
_FAULTS = ("missing", "dead", "short")
_SHORT = (("IN", "OUT"),)

KINDS = (
    Kind(
        "adjustable_ldo",
        _PINS,
        {**_VALUES, "dropout": Quantity("V", 0.2, "least IN - OUT at the rated current (max.current, else limit)")},
        _ldo,
        "a linear regulator whose output a divider at FB sets",
        optional=("EN",),
        short=_SHORT,
        main="reference",
        faults=_FAULTS,
        pulls_to="IN",
    ),
    Kind(
        "adjustable_buck",
        _PINS,
        {
            **_VALUES,
            "dropout": Quantity("V", 0.1, "least IN - OUT, at full duty"),
            "efficiency": Quantity("", 0.9, _EFFICIENCY),
        },
        _buck,
        "a step-down converter whose output a divider at FB sets",
        optional=("EN",),
        short=_SHORT,
        main="reference",
        faults=_FAULTS,
        pulls_to="IN",
    ),
    Kind(
        "adjustable_boost",
        _PINS,
        {
            **_VALUES,
            "efficiency": Quantity("", 0.85, _EFFICIENCY),
            "most_ratio": Quantity("", 8.0, "greatest output over input, at full duty"),
        },
        _boost,
        "a step-up converter whose output a divider at FB sets",
        optional=("EN",),
        short=_SHORT,
        main="reference",
        faults=_FAULTS,
        pulls_to="IN",
    ),
)
