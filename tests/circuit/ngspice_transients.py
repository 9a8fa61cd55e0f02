"""Transients that are held against ngspice."""

from __future__ import annotations

from dataclasses import dataclass

from circuit_build import C, D, R, V, supply
from ngspice_cases import LDO_REST, ldo

from wakeboard.instruments.virtual.circuit import Part


@dataclass(frozen=True)
class Transient:
    """A circuit from rest, watched at one net at some times; ngspice's largest step (s), its netlist.

    within: agreement relative to the largest voltage. then: a time (s) and the values that change at it.
    """

    parts: list[Part]
    net: str
    times: tuple[float, ...]
    step: float
    netlist: str
    within: float
    then: tuple[float, dict[str, float | str | bool]] | None = None


TRANSIENTS: dict[str, Transient] = {
    "rc charge": Transient(
        [V("V1", "a", 15.0), R("R1", "a", "c", 10e3), C("C1", "c", "GND", 100e-6)],
        "c",
        (0.5, 1.0, 2.0, 4.0, 6.0),
        2e-3,
        "V1 a 0 15\nR1 a c 10k\nC1 c 0 100u",
        1e-4,
    ),
    "rl rise": Transient(
        [
            V("V1", "a", 5.0),
            R("R1", "b", "GND", 10.0),
            Part("L1", "inductor", {"1": "a", "2": "b"}, {"value": 10e-3, "ohms": 0.5}),
        ],
        "b",
        (0.5e-3, 1e-3, 2e-3, 5e-3),
        2e-6,
        "V1 a 0 5\nL1 a x 10m\nRw x b 0.5\nR1 b 0 10",
        1e-4,
    ),
    "constant current into a capacitor, through a bench supply": Transient(
        [supply("S", "c", 5.0, 0.1), C("C1", "c", "GND", 470e-6), R("R1", "c", "GND", 1e3)],
        # limit until 10 mΩ short of 5 V: a clipped line, as the supply's page says
        "c",
        (5e-3, 10e-3, 20e-3, 23e-3, 30e-3),
        1e-5,
        "B1 0 c I=min(max(100*(5-V(c)),0),0.1)\nRoff c 0 1meg\nC1 c 0 470u\nR1 c 0 1k",
        1e-4,
    ),
    "regulator starts into a capacitor": Transient(
        [
            supply("S", "in", 5.0, 1.0),
            ldo(),
            C("C1", "out", "GND", 100e-6),
            C("CI", "in", "GND", 10e-6),
            R("RL", "out", "GND", 33.0),
        ],
        # above lock-out (2.15 to 2.25 V): the limit of 0.6 A until 3.3 V are near, behind 20 mΩ; dropout 0.4 Ω
        "out",
        (0.1e-3, 0.3e-3, 0.5e-3, 1e-3, 3e-3),
        5e-7,
        "B1 0 in I=min(max(100*(5-V(in)),0),1)\nRoff in 0 1meg\nCI in 0 10u\n"
        "B2 in out I=min(max(10*V(in)-21.5,0),1)*min(max(min(50*(3.3-V(out)),2.5*(V(in)-V(out))),0),0.6)\n"
        "B3 in 0 I=min(max(10*V(in)-21.5,0),1)*min(max(1.2e-4*V(in),0),60u)\n"
        "C1 out 0 100u\nRL out 0 33\n" + LDO_REST,
        1e-4,
    ),
    "switched rail discharges": Transient(
        [
            V("V1", "a", 3.3),
            Part("S1", "switch", {"1": "a", "2": "r"}, {"on": True, "ohms": 0.1}),
            C("C1", "r", "GND", 47e-6),
            R("RL", "r", "GND", 1e3),
            Part("D1", "led", {"A": "r", "K": "x"}, {"saturation": 1e-18}),
            R("R1", "x", "GND", 330.0),
        ],
        "r",
        (0.02, 0.03, 0.05, 0.1, 0.2),
        2e-5,
        "V1 a 0 3.3\nVc c 0 pulse(1 0 10m 1n 1n 1 2)\nB1 a r I=V(c)*(V(a)-V(r))/0.1\nC1 r 0 47u\nRL r 0 1k\n"
        "D1 r x led\nR1 x 0 330\n.model led d(is=1e-18 n=2 rs=5)",
        1e-4,
        (10e-3, {"S1.on": False}),
    ),
    "diode-or hands over": Transient(
        [
            V("V1", "a", 5.0),
            V("V2", "b", 3.7),
            D("D1", "a", "c", saturation=6.4e-8, emission=1.05, ohms=0.05),
            D("D2", "b", "c", saturation=6.4e-8, emission=1.05, ohms=0.05),
            C("C1", "c", "GND", 47e-6),
            R("RL", "c", "GND", 33.0),
        ],
        "c",
        (1e-3, 5.2e-3, 5.5e-3, 6e-3, 8e-3),
        1e-6,
        "V1 a 0 pulse(5 0 5m 1n 1n 1 2)\nV2 b 0 3.7\nD1 a c s\nD2 b c s\nC1 c 0 47u\nRL c 0 33\n"
        ".model s d(is=6.4e-8 n=1.05 rs=0.05)",
        1e-4,
        (5e-3, {"V1.volts": 0.0}),
    ),
    "charge through a diode": Transient(
        [
            V("V1", "a", 5.0),
            R("R1", "a", "b", 100.0),
            D("D1", "b", "c", saturation=1e-9),
            C("C1", "c", "GND", 100e-6),
            R("R2", "c", "GND", 10e3),
        ],
        "c",
        (5e-3, 10e-3, 30e-3, 0.1),
        1e-5,
        "V1 a 0 5\nR1 a b 100\nD1 b c d\nC1 c 0 100u\nR2 c 0 10k\n.model d d(is=1e-9)",
        1e-4,
    ),
}
