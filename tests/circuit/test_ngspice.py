"""A dozen operating points and two transients against ngspice, live, where it is installed (Debian: ngspice).

The netlists are written here by hand, apart from any export of ours. ngspice runs at its default 27 °C with a GMIN of
1e-15 S, so that its leakage across junctions does not show.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from circuit_build import C, D, R, V

from wakeboard.instruments.virtual.circuit import Circuit, Part, Simulation, Variant

pytestmark = [
    pytest.mark.ngspice,
    pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed (Debian: ngspice)"),
]


def ngspice(folder: Path, lines: list[str], nets: list[str], analysis: str = "op") -> dict[str, float]:
    """Voltages that ngspice prints after an analysis."""
    prints = "\n".join(f"print v({net})" if analysis == "op" else net for net in nets)
    options = ".options gmin=1e-12 reltol=1e-9 abstol=1e-15 vntol=1e-12 itl1=500"
    deck = ["test", *lines, options, ".control", analysis, prints, ".endc", ".end"]
    file = folder / "deck.cir"
    file.write_text("\n".join(deck) + "\n")
    done = subprocess.run(["ngspice", "-b", str(file)], capture_output=True, text=True, timeout=60, check=False)
    found = dict(re.findall(r"^(\S+) +=\s+(\S+)$", done.stdout, re.MULTILINE))
    assert found, done.stdout + done.stderr
    return {key.removeprefix("v(").removesuffix(")"): float(value) for key, value in found.items()}


def mos(name: str, d: str, g: str, s: str, **values: object) -> Part:
    return Part(name, "mosfet", {"D": d, "G": g, "S": s}, {"body": 1e-30, "gate_leak_ohms": 1e18, **values})


def bjt(name: str, c: str, b: str, e: str, **values: object) -> Part:
    return Part(name, "bjt", {"C": c, "B": b, "E": e}, values)


IS = {"saturation": 1e-14}
CASES: dict[str, tuple[list[str], list[Part], list[str]]] = {
    "divider": (
        ["v1 a 0 5", "r1 a b 1k", "r2 b 0 2k"],
        [V("V1", "a", 5.0), R("R1", "a", "b", 1e3), R("R2", "b", "GND", 2e3)],
        ["b"],
    ),
    "diode": (
        ["v1 a 0 5", "r1 a b 1k", "d1 b 0 m", ".model m d(is=1e-14)"],
        [V("V1", "a", 5.0), R("R1", "a", "b", 1e3), D("D1", "b", "GND", **IS)],
        ["b"],
    ),
    "diode with series resistance and emission": (
        ["v1 a 0 3.3", "r1 a b 100", "d1 b 0 m", ".model m d(is=1e-9 n=1.8 rs=2)"],
        [V("V1", "a", 3.3), R("R1", "a", "b", 100.0), D("D1", "b", "GND", saturation=1e-9, emission=1.8, ohms=2.0)],
        ["b"],
    ),
    "diode or": (
        ["v1 a 0 5", "v2 b 0 4.9", "d1 a c m", "d2 b c m", "r1 c 0 100", ".model m d(is=1e-8 n=1.05 rs=0.05)"],
        [
            V("V1", "a", 5.0), V("V2", "b", 4.9), R("R1", "c", "GND", 100.0),
            D("D1", "a", "c", saturation=1e-8, emission=1.05, ohms=0.05),
            D("D2", "b", "c", saturation=1e-8, emission=1.05, ohms=0.05),
        ],
        ["c"],
    ),
    "diode bridge": (
        ["v1 a b 10", "d1 a p m", "d2 b p m", "d3 0 a m", "d4 0 b m", "r1 p 0 1k", ".model m d(is=1e-14)"],
        [
            V("V1", "a", 10.0, "b"), R("R1", "p", "GND", 1e3), D("D1", "a", "p", **IS), D("D2", "b", "p", **IS),
            D("D3", "GND", "a", **IS), D("D4", "GND", "b", **IS),
        ],
        ["p", "a", "b"],
    ),
    "clamped line": (
        ["v1 a 0 5", "r1 a b 1k", "d1 b c m", "v2 c 0 3.3", "d2 0 b m", ".model m d(is=1e-14 rs=8)"],
        [
            V("V1", "a", 5.0), R("R1", "a", "b", 1e3), V("V2", "c", 3.3),
            D("D1", "b", "c", **IS, ohms=8.0), D("D2", "GND", "b", **IS, ohms=8.0),
        ],
        ["b"],
    ),
    "mosfet bias": (
        ["v1 v 0 10", "r1 v g 10meg", "r2 g 0 10meg", "r3 v d 6k", "r4 s 0 6k", "m1 d g s s m w=1u l=1u",
         ".model m nmos(level=1 kp=1m vto=1 is=1e-30)"],
        [
            V("V1", "v", 10.0), R("R1", "v", "g", 10e6), R("R2", "g", "GND", 10e6), R("R3", "v", "d", 6e3),
            R("R4", "s", "GND", 6e3), mos("M1", "d", "g", "s", beta=1e-3, threshold=1.0),
        ],
        ["s", "d"],
    ),
    "p-channel switch": (
        ["v1 s 0 5", "v2 g 0 0", "r1 d 0 10", "m1 d g s s m w=1u l=1u",
         ".model m pmos(level=1 kp=2 vto=-0.9 is=1e-30 lambda=0.01)"],
        [
            V("V1", "s", 5.0), V("V2", "g", 0.0), R("R1", "d", "GND", 10.0),
            mos("M1", "d", "g", "s", channel="p", beta=2.0, threshold=0.9, **{"lambda": 0.01}),
        ],
        ["d"],
    ),
    "mosfet inverter half way": (
        ["v1 v 0 5", "v2 g 0 1.8", "r1 v d 1k", "m1 d g 0 0 m w=1u l=1u",
         ".model m nmos(level=1 kp=20m vto=1 is=1e-30)"],
        [V("V1", "v", 5.0), V("V2", "g", 1.8), R("R1", "v", "d", 1e3),
         mos("M1", "d", "g", "GND", beta=20e-3, threshold=1.0)],
        ["d"],
    ),
    "bjt bias": (
        ["v1 v 0 15", "r1 v b 100k", "r2 b 0 50k", "r3 v c 5k", "r4 e 0 3k", "q1 c b e m",
         ".model m npn(is=1e-15 bf=100 br=1)"],
        [
            V("V1", "v", 15.0), R("R1", "v", "b", 100e3), R("R2", "b", "GND", 50e3), R("R3", "v", "c", 5e3),
            R("R4", "e", "GND", 3e3), bjt("Q1", "c", "b", "e", gain=100.0, saturation=1e-15),
        ],
        ["c", "b", "e"],
    ),
    "saturated bjt": (
        ["v1 v 0 5", "r1 v b 10k", "r2 v c 1k", "q1 c b 0 m", ".model m npn(is=1e-14 bf=200 br=3)"],
        [
            V("V1", "v", 5.0), R("R1", "v", "b", 10e3), R("R2", "v", "c", 1e3),
            bjt("Q1", "c", "b", "GND", gain=200.0, reverse_gain=3.0, saturation=1e-14),
        ],
        ["c", "b"],
    ),
    "pnp high side": (
        ["v1 v 0 5", "r1 b 0 10k", "r2 c 0 100", "q1 c b v m", ".model m pnp(is=1e-14 bf=80 br=2)"],
        [
            V("V1", "v", 5.0), R("R1", "b", "GND", 10e3), R("R2", "c", "GND", 100.0),
            bjt("Q1", "c", "b", "v", type="pnp", gain=80.0, reverse_gain=2.0, saturation=1e-14),
        ],
        ["c", "b"],
    ),
    "current source into diodes": (
        ["i1 0 a 1m", "d1 a b m", "d2 b 0 m", ".model m d(is=1e-14)"],
        [Part("I1", "i_source", {"P": "a", "N": "GND"}, {"amps": 1e-3}),
         D("D1", "a", "b", **IS), D("D2", "b", "GND", **IS)],
        ["a", "b"],
    ),
    "wheatstone bridge with a diode across": (
        ["v1 a 0 6", "r1 a x 1k", "r2 x 0 2k", "r3 a y 2k", "r4 y 0 1k", "d1 x y m", ".model m d(is=1e-14)"],
        [
            V("V1", "a", 6.0), R("R1", "a", "x", 1e3), R("R2", "x", "GND", 2e3), R("R3", "a", "y", 2e3),
            R("R4", "y", "GND", 1e3), D("D1", "x", "y", **IS),
        ],
        ["x", "y"],
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_operating_point(name: str, tmp_path: Path) -> None:
    lines, parts, nets = CASES[name]
    want = ngspice(tmp_path, lines, nets)
    got = Circuit(parts).compile().solve([Variant()]).require()
    for net in nets:
        assert got.net(net)[0] == pytest.approx(want[net], rel=1e-6, abs=1e-6), net


def test_rc_charge(tmp_path: Path) -> None:
    lines = ["v1 a 0 pulse(0 15 0 1n 1n 100 200)", "r1 a c 10k", "c1 c 0 100u"]
    measures = [f"meas tran t{k} find v(c) at={k}" for k in (1, 2, 4)]
    want = ngspice(tmp_path, lines, measures, "tran 1m 5 0 1m")
    simulation = Simulation(
        Circuit([V("B", "a", 0.0), R("R1", "a", "c", 10e3), C("C1", "c", "GND", 100e-6)]).compile(), tolerance=2e-6
    )
    simulation.change({"B.volts": 15.0})
    for k in (1, 2, 4):
        simulation.advance(k - simulation.time)
        assert simulation.volts("c") == pytest.approx(want[f"t{k}"], rel=2e-4)


def test_capacitor_charged_through_a_diode(tmp_path: Path) -> None:
    lines = [
        "v1 a 0 pulse(0 5 0 1n 1n 100 200)",
        "r1 a b 100",
        "d1 b c m",
        "c1 c 0 100u",
        "r2 c 0 10k",
        ".model m d(is=1e-9)",
    ]
    measures = [f"meas tran t{k} find v(c) at={k * 0.01}" for k in (1, 3, 10)]
    want = ngspice(tmp_path, lines, measures, "tran 10u 0.11 0 10u")
    parts = [
        V("B", "a", 0.0), R("R1", "a", "b", 100.0), D("D1", "b", "c", saturation=1e-9), C("C1", "c", "GND", 100e-6),
        R("R2", "c", "GND", 10e3),
    ]  # fmt: skip
    simulation = Simulation(Circuit(parts).compile(), tolerance=2e-6)
    simulation.change({"B.volts": 5.0})
    for k in (1, 3, 10):
        simulation.advance(k * 0.01 - simulation.time)
        assert simulation.volts("c") == pytest.approx(want[f"t{k}"], rel=5e-4)
