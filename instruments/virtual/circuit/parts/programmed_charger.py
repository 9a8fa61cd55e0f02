"""A linear charger whose current a resistor from PROG to ground sets.

PROG is held at `prog_volts`; the charging current is `ratio` times what flows out of it, so that no resistor means no
charge and a short the part's own `limit`. All else is as in the charger (see power_path).
"""

from __future__ import annotations

from ..draft import Draft, ramp
from ..kind import Kind, Quantity
from .regulators import COMMON, alive, enable_gate, enable_pull, quiescent

PROG_SIEMENS = 1.0  # of the source behind PROG
_ENABLE = {name: COMMON[name] for name in ("enable_above", "active_low", "enable_pull", "enable_pull_ohms",
                                           "enable_leak_ohms", "quiescent", "dead")}  # fmt: skip


def _charger(d: Draft) -> None:
    limit, volts = d.positive("limit"), d.positive("prog_volts")
    powered = ("IN", "GND", *ramp(1.5, 0.5))
    d.valve(
        "IN", "PROG", ("GND", "PROG", PROG_SIEMENS, PROG_SIEMENS * volts), high=0.05, gates=(powered,), scale=alive(d)
    )
    # the share of `limit` that the current out of PROG asks for
    share = d.positive("ratio") * PROG_SIEMENS / limit
    gates = (enable_gate(d), ("GND", "PROG", share, share * volts))
    siemens, through = 1 / d.positive("load_ohms"), limit / d.positive("dropout")
    d.valve(
        "IN",
        "BAT",
        ("GND", "BAT", siemens, siemens * d.positive("volts")),
        ("IN", "BAT", through, -through * d.number("headroom")),
        high=limit,
        gates=gates,
        scale=alive(d),
    )
    leak = d.number("leak")
    d.valve("BAT", "GND", ("BAT", "GND", max(leak, 1e-15) / 0.5, 0.0), high=leak)
    quiescent(d, "IN", (powered,))
    d.conductance("PROG", "GND", 1e-9)
    enable_pull(d)


KINDS = (
    Kind(
        "programmed_charger",
        ("IN", "BAT", "PROG", "EN", "GND"),
        {
            **_ENABLE,
            "volts": Quantity("V", 4.2, "end-of-charge voltage"),
            "ratio": Quantity("", 1000.0, "charging current over the current out of PROG"),
            "prog_volts": Quantity("V", 1.0, "the voltage at which PROG is held"),
            "limit": Quantity("A", 1.0, "the most that the part charges with, whatever the resistor"),
            "leak": Quantity("A", 1e-6, "taken from the cell when idle"),
            "load_ohms": Quantity("Ω", 0.1, "output resistance at constant voltage"),
            "dropout": Quantity("V", 0.2, "least IN - BAT at the limit"),
            "headroom": Quantity("V", 0.05, "IN must stand this far above BAT"),
        },
        _charger,
        "a linear charger whose current a resistor at PROG sets; blocks from BAT to IN",
        optional=("EN",),
        short=(("IN", "BAT"),),
        thermal_s=1.0,
        main="volts",
        faults=("missing", "dead", "short"),
        pulls_to="IN",
    ),
)
