"""MOSFET (level 1, with body diode) and bipolar transistor (Ebers-Moll).

A mosfet's channel is fixed either by `ohms` at a gate drive `at` (data sheets), or by `beta` (A/V², netlists: kp·W/L).
"""

from __future__ import annotations

import math

from ..draft import Draft
from ..errors import CircuitError
from ..kind import Kind, Quantity, pick
from ..leakage import leak, stated_leak

BODY_SATURATION = 1e-12  # A, of a power transistor's body diode: 0.65 V at 100 mA


def _mosfet(d: Draft) -> None:
    sign = 1.0 if pick(("n", "p"), str(d.value("channel")), "channel", d.part.name) == "n" else -1.0
    threshold = abs(d.number("threshold"))
    if d.value("beta") is not None:
        beta = d.positive("beta")
    else:
        drive = abs(d.number("at")) - threshold
        if drive <= 0:
            raise CircuitError(f"{d.part.name}: `at` must be above the threshold {threshold:g} V", [d.part.name])
        beta = 1 / (d.positive("ohms") * drive)
    d.mosfet("G", "D", "S", sign=sign, beta=beta, threshold=threshold, lam=d.number("lambda"))
    body = d.number("body")
    d.junction("S", "D", max(body, 1e-30), 1.0, 0.02, sign=sign)
    d.resistance("G", "S", d.number("gate_leak_ohms"))
    stated_leak(d, "D", "S", either_way=True)


def _bjt(d: Draft) -> None:
    sign = 1.0 if pick(("npn", "pnp"), str(d.value("type")), "type", d.part.name) == "npn" else -1.0
    early = d.value("early")
    d.bjt(
        "C",
        "B",
        "E",
        sign=sign,
        saturation=d.positive("saturation"),
        forward=d.positive("gain"),
        reverse=d.positive("reverse_gain"),
        early=math.inf if early is None else d.positive("early"),
    )


KINDS = (
    Kind(
        "mosfet",
        ("G", "D", "S"),
        {
            "channel": Quantity("", "n", "n or p"),
            "threshold": Quantity("V", 1.0, "gate threshold, its magnitude"),
            "ohms": Quantity("Ω", 0.1, "on-resistance at the gate drive `at`"),
            "at": Quantity("V", 4.5, "gate drive at which `ohms` holds, its magnitude"),
            "beta": Quantity("A/V²", None, "transconductance kp·W/L instead of ohms and at"),
            "lambda": Quantity("1/V", 0.0, "channel-length modulation"),
            "body": Quantity("A", BODY_SATURATION, "saturation current of the body diode"),
            "gate_leak_ohms": Quantity("Ω", 1e12, "gate to source"),
            "leak": leak("from drain to source while it is off"),
        },
        _mosfet,
        "a MOSFET with its body diode",
        short=(("D", "S"),),
        mirrored={"D": "S", "S": "D"},
        thermal_s=0.3,
        faults=("missing", "short", "reversed"),
    ),
    Kind(
        "bjt",
        ("B", "C", "E"),
        {
            "type": Quantity("", "npn", "npn or pnp"),
            "gain": Quantity("", 100.0, "forward current gain"),
            "reverse_gain": Quantity("", 1.0, "reverse current gain"),
            "saturation": Quantity("A", 1e-15, "transport saturation current"),
            "early": Quantity("V", None, "Early voltage; none: infinite"),
        },
        _bjt,
        "a bipolar transistor",
        short=(("C", "E"),),
        mirrored={"C": "E", "E": "C"},
        thermal_s=0.3,
        faults=("missing", "short", "reversed"),
    ),
)
