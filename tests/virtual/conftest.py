"""Small benches for the tests of the virtual instruments."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from wakeboard.instruments.virtual.bench import VirtualBench, prepare
from wakeboard.instruments.virtual.circuit import Circuit, Part

# 100 Ω across the supply; a divider of two 1 MΩ; a diode; 10 kΩ to ground; a chip with pins on PIN and RC
PARTS = (
    Part("R1", "resistor", {"1": "VIN", "2": "GND"}, {"value": 100.0}),
    Part("R2", "resistor", {"1": "VIN", "2": "MID"}, {"value": 1e6}),
    Part("R3", "resistor", {"1": "MID", "2": "GND"}, {"value": 1e6}),
    Part("D1", "diode", {"A": "AN", "K": "GND"}),
    Part("R4", "resistor", {"1": "AN", "2": "GND"}, {"value": 1e6}),
    Part("R5", "resistor", {"1": "TEN", "2": "GND"}, {"value": 10e3}),
    Part("R6", "resistor", {"1": "PIN", "2": "GND"}, {"value": 100e3}),
    Part(
        "U1",
        "chip",
        {"VDD": "V33", "GND": "GND", "OUT": "PIN"},
        {"io": {"OUT": {"type": "io", "ohms": 1.0, "rail": "VDD"}}, "supply": {"VDD": {"draws": 1e-3, "above": 1.0}}},
    ),
)
SUPPLIES = {"MAIN": "VIN", "CORE": "V33"}
POINTS = {"TP1": "VIN", "TP2": "MID", "TP3": "AN", "TP4": "TEN", "TP5": "PIN", "TP6": "V33"}


@pytest.fixture(scope="session")
def prepared() -> Any:
    return prepare(Circuit(PARTS), SUPPLIES, POINTS)


@pytest.fixture
def bench(prepared: Any) -> Callable[..., VirtualBench]:
    """Makes a bench: bench(psu="plain", …); settled at once unless transients=True."""

    def make(**options: Any) -> VirtualBench:
        return VirtualBench(prepared, **{"transients": False, **options})

    return make


class Opened:
    """Instruments opened through PyVISA: opened.supply.query("*IDN?")."""

    def __init__(self, bench: VirtualBench, manager: Any, addresses: dict[str, str]) -> None:
        self.bench = bench
        self.manager = manager
        for name, address in addresses.items():
            resource = manager.open_resource(address, read_termination="\n", write_termination="\n", timeout=5000)
            setattr(self, name, resource)

    def __getattr__(self, name: str) -> Any:
        raise AttributeError(name)


@pytest.fixture
def opened() -> Iterator[Callable[[VirtualBench], Opened]]:
    """Opens all instruments of a bench in process."""
    import pyvisa

    managers = []

    def open_all(bench: VirtualBench) -> Opened:
        manager = pyvisa.ResourceManager(bench.visa())
        managers.append(manager)
        described = bench.bench_description()["instruments"]
        return Opened(bench, manager, {name: entry["address"] for name, entry in described.items()})

    yield open_all
    for manager in managers:
        manager.close()
