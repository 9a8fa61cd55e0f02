"""Short hands for circuits in tests."""

from __future__ import annotations

from wakeboard.instruments.virtual.circuit import Circuit, Part, Points, Variant


def R(name: str, a: str, b: str, ohms: float, **more: object) -> Part:
    return Part(name, "resistor", {"1": a, "2": b}, {"value": ohms}, **more)  # type: ignore[arg-type]


def C(name: str, a: str, b: str, farads: float, **more: object) -> Part:
    return Part(name, "capacitor", {"1": a, "2": b}, {"value": farads}, **more)  # type: ignore[arg-type]


def V(name: str, net: str, volts: float, low: str = "GND", ohms: float = 0.0) -> Part:
    return Part(name, "v_source", {"P": net, "N": low}, {"volts": volts, "ohms": ohms})


def D(name: str, anode: str, cathode: str, **values: object) -> Part:
    return Part(name, "diode", {"A": anode, "K": cathode}, values)


def supply(name: str, net: str, volts: float, limit: float, on: bool = True, **values: object) -> Part:
    settings = {"volts": volts, "limit": limit, "on": on, "series_ohms": 0.01, **values}  # as the netlists beside them
    return Part(name, "bench_supply", {"P": net, "N": "GND"}, settings)


def meter(net: str, low: str = "GND", **values: object) -> Part:
    return Part("meter", "meter", {"HI": net, "LO": low}, values)


def solved(*parts: Part, **values: object) -> Points:
    """The operating point of one circuit; values as PART__value."""
    named = {key.replace("__", "."): value for key, value in values.items()}
    return Circuit(parts).compile().solve([Variant(values=named)]).require()


def board() -> Circuit:
    """A small board with most kinds on it: an invented sensor with a diode-or, regulators and a processor."""
    return Circuit(
        [
            supply("bench_USB", "VUSB", 5.0, 0.5),
            supply("bench_CELL", "VBAT", 3.7, 0.5, on=False),
            Part("F1", "ptc", {"1": "VUSB", "2": "VF"}, {"ohms": 0.15, "hold": 0.5, "trip": 1.0}),
            Part("D1", "schottky", {"A": "VF", "K": "VSYS"}, {"drop": 0.4, "at": 1.0}, ratings={"current": 1.0}),
            Part(
                "Q1",
                "mosfet",
                {"G": "VUSB", "D": "VBAT", "S": "VSYS"},
                {"channel": "p", "threshold": 0.9, "ohms": 0.06},
            ),
            R("R1", "VUSB", "GND", 100e3, tolerance={"value": 0.01}),
            C("C1", "VSYS", "GND", 4.7e-6),
            Part(
                "U2",
                "ldo",
                {"IN": "VSYS", "OUT": "+3V3", "EN": "VSYS", "GND": "GND"},
                {"volts": 3.3, "limit": 0.6, "variants": ["2.8 V"]},
                tolerance={"volts": 0.02},
                ratings={"current": 0.5, "power": 0.6, "voltage": 7.0},
            ),
            C("C2", "+3V3", "GND", 4.7e-6),
            Part(
                "U1",
                "chip",
                {"VDD": "+3V3", "GND": "GND", "RST": "RST", "IO1": "EN", "IO2": "LED", "IRQ": "IRQ"},
                {
                    "supply": {"VDD": {"draws": 8e-3, "above": 1.8}},
                    "io": {
                        "RST": {"type": "input", "pull_up": 40e3},
                        "IO1": {"type": "io", "max": 12e-3},
                        "IO2": {"type": "io", "drive": "high"},
                        "IRQ": {"type": "input"},
                    },
                },
            ),
            R("R2", "EN", "GND", 100e3, tolerance={"value": 0.01}),
            R("R3", "+3V3", "RST", 10e3, tolerance={"value": 0.01}),
            R("R4", "LED", "LEDA", 1e3, tolerance={"value": 0.01}),
            R("R5", "+3V3", "IRQ", 10e3, tolerance={"value": 0.01}),
            Part("D2", "led", {"A": "LEDA", "K": "GND"}, {"drop": 1.9, "at": 2e-3}),
            Part("U3", "load_switch", {"IN": "+3V3", "OUT": "VS", "EN": "EN", "GND": "GND"}, {"ohms": 0.08}),
            R("R6", "VS", "GND", 1e3, tolerance={"value": 0.01}),
            Part("U5", "supervisor", {"VDD": "+3V3", "OUT": "RST", "GND": "GND"}, {"threshold": 2.93}),
            Part("U4", "buck", {"IN": "VSYS", "OUT": "+1V8", "GND": "GND"}, {"volts": 1.8}),
            Part("LD", "load", {"P": "+1V8", "N": "GND"}, {"amps": 0.02}),
        ]
    )
