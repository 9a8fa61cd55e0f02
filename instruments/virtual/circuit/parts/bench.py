"""Front ends of instruments: a bench supply and a meter.

bench_supply: constant voltage through `series_ohms` up to `limit`, then constant current. It never sinks: pushed above
its setting, it delivers nothing. Its output capacitor stays on the net when it is off, as does `off_ohms`.
meter: its input resistance, and for resistance and diode tests a current source with a compliance voltage: it drives
`test_amps` out of HI until HI - LO reaches `compliance_volts`.
"""

from __future__ import annotations

from ..bench import figures
from ..draft import Draft
from ..kind import Kind, Quantity


def _bench_supply(d: Draft) -> None:
    siemens = 1 / d.positive("series_ohms")
    on = 1.0 if d.value("on") else 0.0
    d.valve("N", "P", ("P", "N", -siemens, siemens * d.number("volts")), high=max(d.number("limit"), 0.0), scale=on)
    d.capacitor("P", "N", max(d.number("capacitance"), 0.0), 1 / d.positive("off_ohms"))


def _meter(d: Draft) -> None:
    d.resistance("HI", "LO", d.positive("ohms"))
    amps, compliance = d.number("test_amps"), d.positive("compliance_volts")
    # the source gives way over the last 1 % below its compliance voltage
    siemens = amps / (0.01 * compliance)
    d.valve("LO", "HI", ("HI", "LO", -siemens, siemens * compliance), high=amps)


KINDS = (
    Kind(
        "bench_supply",
        ("P", "N"),
        {
            "volts": Quantity("V", 0.0, "setting"),
            "limit": Quantity("A", 0.1, "current limit"),
            "on": Quantity("", False, "output on"),
            "series_ohms": Quantity("Ω", figures.LEAD_OHMS, "output resistance and leads"),
            "capacitance": Quantity("F", 0.0, "output capacitor"),
            "off_ohms": Quantity("Ω", figures.OFF_OHMS, "what stays across the terminals when the output is off"),
        },
        _bench_supply,
        "a bench supply's output: constant voltage or constant current, no sinking",
        bench=True,
        faults=(),
    ),
    Kind(
        "meter",
        ("HI", "LO"),
        {
            "ohms": Quantity("Ω", figures.VOLTMETER_OHMS, "input resistance"),
            "test_amps": Quantity("A", 0.0, "test current of a resistance or diode test, out of HI; 0: volts"),
            "compliance_volts": Quantity("V", figures.OPEN_VOLTS, "the most that the test current drives HI above LO"),
        },
        _meter,
        "a meter's input",
        bench=True,
        faults=(),
    ),
)
