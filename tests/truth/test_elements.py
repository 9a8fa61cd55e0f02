"""The truth's elements against ngspice, with other makers' diodes and transistors; regulators against arithmetic.

Model parameters are as makers and simulators publish them for small parts of these kinds, from memory.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from ngspice_run import installed, operating_point

from truth.netlist import KINDS, Placed
from truth.physics import thermal
from truth.solver import Network
from truth.worlds import World
from wakeboard.instruments.virtual.circuit import Part

VT = thermal(300.15)
DIODES = {  # Is (A), n, Rs (Ω)
    "switching diode": (2.52e-9, 1.752, 0.568),
    "small schottky": (1.0e-7, 1.02, 0.25),
    "power schottky": (3.2e-6, 1.05, 0.042),
    "red led": (9.3e-20, 2.0, 2.2),
    "rectifier": (7.0e-9, 1.81, 0.034),
}
MOSFETS = {  # KP·W/L (A/V²), VTO (V), lambda (1/V)
    "small n-channel": (0.22, 1.6, 0.01),
    "logic-level n-channel": (2.9, 1.1, 0.02),
    "power n-channel": (38.0, 2.2, 0.0),
}
TRANSISTORS = {"amplifier": (1.8e-14, 400.0, 7.9, 45.0), "switch": (1.4e-14, 255.0, 6.1, 74.0)}

needs_ngspice = [pytest.mark.ngspice, pytest.mark.skipif(installed() is None, reason="ngspice is not installed")]


def fed(volts: float) -> Network:
    """A stiff source at "v"."""
    net = Network()
    net.add("limited_source", ("v", "GND"), volts, 1e6, 1e30)
    return net


def solved(net: Network, node: str) -> float:
    net.freeze()
    net.solve()
    return net.volts(node)


class TestNgspice:
    pytestmark = needs_ngspice

    @pytest.mark.parametrize("name", DIODES)
    @pytest.mark.parametrize(("volts", "ohms"), [(5.0, 100e3), (3.3, 1e3), (5.0, 10.0), (-5.0, 1e6)])
    def test_diode(self, name: str, volts: float, ohms: float, tmp_path: Path) -> None:
        saturation, emission, series = DIODES[name]
        deck = f"t\nV1 v 0 {volts}\nR1 v a {ohms}\nD1 a 0 d\n.model d d(is={saturation} n={emission} rs={series})\n.end"
        want = operating_point(deck, ["a"], tmp_path)["a"]
        net = fed(abs(volts))
        net.conductance("v", "a", 1 / ohms)
        ends = ("a", "GND") if volts > 0 else ("GND", "a")
        net.junction(*ends, saturation, emission * VT, series)
        assert math.copysign(1, volts) * solved(net, "a") == pytest.approx(want, rel=1e-4, abs=2e-5)

    @pytest.mark.parametrize("name", MOSFETS)
    @pytest.mark.parametrize("drive", [0.3, 1.0, 2.5])
    @pytest.mark.parametrize("channel", ["n", "p"])
    def test_mosfet(self, name: str, drive: float, channel: str, tmp_path: Path) -> None:
        beta, threshold, slope = MOSFETS[name]
        sign = 1 if channel == "n" else -1
        deck = (
            f"t\nV1 v 0 {5 * sign}\nV2 g 0 {(threshold + drive) * sign}\nR1 v d 100\nM1 d g 0 0 m w=1u l=1u\n"
            f".model m {channel}mos(level=1 kp={beta} vto={threshold * sign} lambda={slope} is=1e-30)\n.end"
        )
        want = operating_point(deck, ["d"], tmp_path)["d"]
        net = Network()
        net.add("limited_source", ("v", "GND") if sign > 0 else ("GND", "v"), 5.0, 1e6, 1e30)
        gate = ("g", "GND") if sign > 0 else ("GND", "g")
        net.add("limited_source", gate, threshold + drive, 1e6, 1e30)
        net.conductance("v", "d", 0.01)
        net.add("mosfet", ("g", "d", "GND"), sign, beta, threshold, slope, VT)
        # just above its threshold the true channel is not quite the square law that level 1 has: 0.5 % at 0.3 V
        assert solved(net, "d") == pytest.approx(want, rel=8e-3 if drive < 0.5 else 1e-3, abs=1e-4)

    @pytest.mark.parametrize("name", TRANSISTORS)
    @pytest.mark.parametrize("base_ohms", [10e3, 470e3])
    def test_bjt(self, name: str, base_ohms: float, tmp_path: Path) -> None:
        saturation, forward, backward, early = TRANSISTORS[name]
        deck = (
            f"t\nV1 v 0 5\nR1 v b {base_ohms}\nR2 v c 1k\nQ1 c b 0 q\n"
            f".model q npn(is={saturation} bf={forward} br={backward} vaf={early})\n.end"
        )
        want = operating_point(deck, ["b", "c"], tmp_path)
        net = fed(5.0)
        net.conductance("v", "b", 1 / base_ohms)
        net.conductance("v", "c", 1e-3)
        net.add("bjt", ("b", "c", "GND"), 1.0, saturation, forward, backward, 1 / early, VT)
        assert solved(net, "c") == pytest.approx(want["c"], rel=1e-3, abs=1e-4)
        assert net.volts("b") == pytest.approx(want["b"], rel=1e-4)

    def test_power_path(self, tmp_path: Path) -> None:
        """Two supplies over Schottky diodes, a P-channel transistor with its body diode, a load."""
        deck = (
            "t\nV1 a 0 5.1\nV2 b 0 3.9\nD1 a in s\nM1 b in sys sys m w=1u l=1u\nD2 b sys d\nD3 in sys s\nR1 in 0 100k\n"
            "R2 sys 0 47\n.model s d(is=3.2e-6 n=1.05 rs=0.042)\n.model d d(is=1e-12 rs=0.02)\n"
            ".model m pmos(level=1 kp=4.6 vto=-0.9 is=1e-30)\n.end"
        )
        want = operating_point(deck, ["in", "sys"], tmp_path)
        net = Network()
        net.add("limited_source", ("a", "GND"), 5.1, 1e6, 1e30)
        net.add("limited_source", ("b", "GND"), 3.9, 1e6, 1e30)
        net.junction("a", "in", 3.2e-6, 1.05 * VT, 0.042)
        net.junction("in", "sys", 3.2e-6, 1.05 * VT, 0.042)
        net.junction("b", "sys", 1e-12, VT, 0.02)
        net.add("mosfet", ("in", "b", "sys"), -1.0, 4.6, 0.9, 0.0, VT)
        net.conductance("in", "GND", 1e-5)
        net.conductance("sys", "GND", 1 / 47)
        assert solved(net, "sys") == pytest.approx(want["sys"], abs=5e-4)
        assert net.volts("in") == pytest.approx(want["in"], abs=5e-4)


def placed(kind: str, pins: dict[str, str], values: dict[str, object], volts: float, load: float, out: str) -> Network:
    net = fed(volts)
    KINDS[kind](Placed(net, Part("U", kind, pins, values), World(drawn=False).unit("a"), {}, pins))
    net.conductance(out, "GND", 1 / load)
    return net


PINS = {"IN": "v", "OUT": "o", "GND": "GND"}


@pytest.mark.parametrize(
    ("values", "volts", "load", "want"),
    [
        ({"volts": 3.3, "limit": 0.5}, 5.0, 33.0, 3.3 - 0.1 * 0.02),  # regulates, 20 mΩ behind it
        ({"volts": 3.3, "limit": 0.5}, 5.0, 3.3, 0.5 * 3.3),  # at its limit
        ({"volts": 3.3, "limit": 0.5, "dropout": 0.3}, 3.2, 32.0, 3.2 * 32 / 32.6),  # drops out: 0.3 V / 0.5 A
        ({"volts": 3.3, "limit": 0.5, "lockout": 2.0}, 1.5, 1e3, 1.5 * 0.0),  # locked out
    ],
)
def test_ldo_by_arithmetic(values: dict[str, object], volts: float, load: float, want: float) -> None:
    assert solved(placed("ldo", PINS, values, volts, load, "o"), "o") == pytest.approx(want, rel=2e-3, abs=1e-3)


def test_buck_takes_what_it_gives_by_its_efficiency() -> None:
    net = placed("buck", PINS, {"volts": 3.3, "limit": 1.0, "efficiency": 0.85, "quiescent": 0.0}, 12.0, 10.0, "o")
    net.conductance("w", "v", 1.0)  # a shunt of 1 Ω, from a source behind it
    out = solved(net, "o")
    assert out == pytest.approx(3.3, abs=0.01)
    taken = net.current(("U", "IN"))
    assert taken == pytest.approx(out**2 / 10 / 0.85 / net.volts("v"), rel=1e-3)
