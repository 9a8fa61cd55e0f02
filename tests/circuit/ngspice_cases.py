"""Operating points and transients that are held against ngspice.

READ: netlists written by hand; the same text goes to ngspice and, through the reader, to the solver.
BY_HAND: parts of ours, and a netlist written by hand that says what the part kind's page says of the state they are in
(a regulator in regulation is a source behind a resistor …): apart from the writer and its equations.
written(): circuits of ours in a state, by the writer: every behavioural part as its B sources.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from circuit_build import R, V, board, supply

from wakeboard.instruments.virtual.circuit import Circuit, Part, Variant, parse_fault
from wakeboard.instruments.virtual.circuit.spice.read import read
from wakeboard.instruments.virtual.circuit.spice.write import node_names, write_netlist

SKEP = Path(__file__).parents[1] / "data" / "ngspice" / "skep.toml"


@dataclass(frozen=True)
class Case:
    """A circuit of ours in a state, the netlist that should do the same, and how nets are called there."""

    circuit: Circuit
    variant: Variant
    netlist: str
    nodes: dict[str, str]


READ: dict[str, str] = {
    "divider": "V1 a 0 5\nR1 a b 1k\nR2 b 0 2k",
    "two batteries and a load": "V1 a 0 28\nR1 a n 4\nV2 b 0 7\nR3 b n 1\nR2 n 0 2",
    "unbalanced bridge": "V1 a 0 10\nR1 a x 1k\nR2 x 0 2.2k\nR3 a y 4.7k\nR4 y 0 10k\nR5 x y 3.3k",
    "ladder through sub-circuits": (
        ".param step=1k\n.subckt rung in out PARAMS: leg=2k\nR1 in out {step}\nR2 out 0 {leg}\n.ends\n"
        "V1 a 0 8\nX1 a b rung\nX2 b c rung\nX3 c d rung leg={step}"
    ),
    "current sources": "I1 0 a 2m\nI2 a b 0.5m\nR1 a 0 1k\nR2 b 0 2k\nR3 a b 10k",
    "inductor and capacitor at rest": "V1 a 0 5\nR1 a b 100\nL1 b c 10u\nR2 c 0 1k\nC1 b 0 1u\nC2 c 0 1u",
    "sedra diode": "V1 a 0 5\nR1 a b 1k\nD1 b 0 d\n.model d d(is=6.9144001e-16)",
    "diodes in series and parallel": (
        "V1 a 0 3\nR1 a b 220\nD1 b c d\nD2 c 0 d 3\nD3 c 0 d m=2\n.model d d(is=1e-12 n=1.4 rs=0.5)"
    ),
    "diode backwards": "V1 0 a 5\nR1 a b 1meg\nD1 b 0 d\nR2 b 0 10meg\n.model d d(is=1e-9)",
    "led string": "V1 a 0 12\nR1 a b 330\nD1 b c led\nD2 c d led\nD3 d 0 led\n.model led d(is=2.7e-19 n=2 rs=5)",
    "schottky or": "V1 a 0 5\nV2 b 0 4.95\nD1 a c s\nD2 b c s\nR1 c 0 33\n.model s d(is=6.4e-8 n=1.05 rs=0.05)",
    "rectifier bridge": (
        "V1 a b 9\nR0 b 0 1meg\nD1 a p d\nD2 b p d\nD3 n a d\nD4 n b d\nR1 p n 470\n.model d d(is=1e-14 rs=0.1)"
    ),
    "zener in breakdown": "V1 a 0 12\nR1 a k 1k\nD1 0 k z\nR2 k 0 10k\n.model z d(is=1e-14 bv=5.1 ibv=5m rs=7)",
    "zener clamp at rest": "V1 a 0 3\nR1 a k 1k\nD1 0 k z\nR2 k 0 10k\n.model z d(is=1e-14 bv=9.1 ibv=5m rs=10)",
    "four-resistor bias": (
        "V1 v 0 15\nR1 v b 100k\nR2 b 0 50k\nR3 v c 5k\nR4 e 0 3k\nQ1 c b e q\n.model q npn(is=1e-15 bf=100)"
    ),
    "bias with early voltage and series resistances": (
        "V1 v 0 12\nR1 v b 470k\nR2 v c 2.2k\nQ1 c b 0 q\n.model q npn(is=2e-15 bf=180 br=4 vaf=75 rb=50 rc=2 re=0.5)"
    ),
    "saturated switch": "V1 v 0 5\nV2 i 0 3.3\nR1 i b 4.7k\nR2 v c 470\nQ1 c b 0 q\n.model q npn(is=1e-14 bf=200 br=3)",
    "emitter follower": "V1 v 0 9\nR1 v b 10k\nR2 b 0 22k\nR3 e 0 1k\nQ1 v b e q 2\n.model q npn(is=1e-15 bf=150)",
    "darlington": "V1 v 0 12\nR1 v b 1meg\nQ1 v b m q\nQ2 v m e q 10\nR2 e 0 100\n.model q npn(is=1e-15 bf=100)",
    "pnp high side": "V1 v 0 5\nR1 b 0 10k\nR2 c 0 100\nQ1 c b v q\n.model q pnp(is=1e-14 bf=80 br=2)",
    "current mirror": (
        "V1 v 0 5\nR1 v r 4.3k\nQ1 r r 0 q\nQ2 o r 0 q 2\nR2 v o 1k\n.model q npn(is=1e-15 bf=100 vaf=60)"
    ),
    "differential pair": (
        "V1 v 0 10\nV2 a 0 2.01\nV3 b 0 2\nR1 v x 4.7k\nR2 v y 4.7k\nQ1 x a e q\nQ2 y b e q\nR3 e 0 1.3k\n"
        ".model q npn(is=1e-15 bf=200)"
    ),
    "reverse-active transistor": "V1 v 0 5\nR1 v b 10k\nR2 v e 1k\nQ1 0 b e q\n.model q npn(is=1e-15 bf=100 br=2)",
    "mosfet bias": (
        "V1 v 0 10\nR1 v g 10meg\nR2 g 0 10meg\nR3 v d 6k\nR4 s 0 6k\nM1 d g s s n w=1u l=1u\n"
        ".model n nmos(kp=1m vto=1 is=1e-30)"
    ),
    "mosfet inverter half way": (
        "V1 v 0 5\nV2 g 0 1.8\nR1 v d 1k\nM1 d g 0 0 n w=1 l=1\n.model n nmos(kp=20m vto=1 lambda=0.03 is=1e-30)"
    ),
    "low-side switch": (
        "V1 v 0 12\nV2 g 0 3.3\nR1 v d 10\nM1 d g 0 0 n w=1 l=1\n.model n nmos(kp=8 vto=1.2 rd=0.02 is=1e-30)"
    ),
    "p-channel high side, off": (
        "V1 s 0 5\nR1 s g 100k\nR2 g 0 100meg\nR3 d 0 1k\nM1 d g s s p w=1 l=1\n.model p pmos(kp=5 vto=-0.9 is=1e-30)"
    ),
    "channel driven backwards": (
        "V1 d 0 3.7\nV2 g 0 0\nR1 s 0 10\nM1 d g s s p w=1 l=1\n.model p pmos(kp=4.6 vto=-0.9 is=1e-30)"
    ),
    "level shifter": (
        "V1 l 0 1.8\nV2 h 0 3.3\nR1 l a 10k\nR2 h b 10k\nR3 a 0 1k\nM1 b l a a n w=1 l=1\n"
        ".model n nmos(kp=50m vto=0.8 is=1e-30)"
    ),
    "pair of inverters": (
        "V1 v 0 5\nV2 a 0 2.4\nM1 b a 0 0 n w=2 l=1\nM2 b a v v p w=4 l=1\nM3 c b 0 0 n w=2 l=1\nM4 c b v v p w=4 l=1\n"
        "R1 c 0 100k\n.model n nmos(kp=100u vto=0.8 lambda=0.02 is=1e-30)\n"
        ".model p pmos(kp=50u vto=-0.9 lambda=0.03 is=1e-30)"
    ),
    "discrete regulator": (
        "V1 in 0 9\nR1 in k 470\nD1 0 k z\nQ1 in k out q 5\nR2 out 0 100\n"
        ".model z d(is=1e-14 bv=5.6 ibv=5m rs=5)\n.model q npn(is=1e-14 bf=120)"
    ),
}  # fmt: skip


# --- parts of ours, and what their pages say, written by hand ---------------------------------------------------------
def ldo(**values: object) -> Part:
    named = {"volts": 3.3, "limit": 0.6, "dropout": 0.2, "quiescent": 60e-6, "lockout": 2.2, **values}
    return Part("U1", "ldo", {"IN": "in", "OUT": "out", "GND": "GND"}, named, ratings={"current": 0.5})


def _chip(drive: str, **entry: object) -> Part:
    tables = {"io": {"IO": {"type": "io", "drive": drive, **entry}}, "supply": {"VDD": {"draws": 5e-3, "above": 1.8}}}
    return Part("U1", "chip", {"VDD": "v", "GND": "GND", "IO": "n"}, tables)


SUPPLY_OFF = "Roff in 0 1meg\n"
SOURCE = SUPPLY_OFF + "Vset set 0 5\nRset set in 0.01\n"
# body diode from OUT to IN; 10 MΩ of leak at OUT
BODY = "Dbody out in body\n.model body d(is=1e-12 rs=0.05)\n"
LDO_REST = BODY + "Rleak out 0 10meg\n"
CLAMPS = "Dup n v clamp\nDdown 0 n clamp\nDrail 0 v clamp\nRin n 0 1g\n.model clamp d(is=1e-14 rs=8)\n"

BY_HAND: dict[str, tuple[list[Part], str]] = {
    "supply in constant voltage": ([supply("S", "in", 5.0, 0.5), R("R1", "in", "GND", 47.0)], SOURCE + "R1 in 0 47"),
    "supply in constant current": (
        [supply("S", "in", 5.0, 0.05), R("R1", "in", "GND", 47.0)],
        SUPPLY_OFF + "Ilim 0 in 50m\nR1 in 0 47",
    ),
    "supply pushed above its setting": (
        [supply("S", "in", 5.0, 0.5), V("V1", "x", 6.0), R("R1", "x", "in", 1e3)],
        SUPPLY_OFF + "V1 x 0 6\nR1 x in 1k",
    ),
    "regulator in regulation": (
        [supply("S", "in", 5.0, 1.0), ldo(), R("RL", "out", "GND", 33.0)],
        # what the output takes comes from the input: a current-controlled source mirrors it
        SOURCE + LDO_REST + "Vreg r 0 3.3\nRreg r out 20m\nFin in 0 Vreg -1\nIq in 0 60u\nRL out 0 33",
    ),
    "regulator in dropout": (
        [supply("S", "in", 3.2, 1.0), ldo(), R("RL", "out", "GND", 33.0)],
        SOURCE.replace("0 5", "0 3.2") + LDO_REST + "Rpass in out 0.4\nIq in 0 60u\nRL out 0 33",
    ),
    "regulator in current limit": (
        [supply("S", "in", 5.0, 1.0), ldo(), R("RL", "out", "GND", 2.0)],
        SOURCE + LDO_REST + "Ilim in out 0.6\nIq in 0 60u\nRL out 0 2",
    ),
    "regulator fed backwards": (
        [ldo(volts=1.8), R("RIN", "in", "GND", 1e3), V("V1", "x", 3.3), R("R1", "x", "out", 10.0)],
        # the body diode lifts IN to 2.7 V, above lock-out: it runs, with nothing to pass, and takes its own current
        "V1 x 0 3.3\nR1 x out 10\nRIN in 0 1k\nIq in 0 60u\n" + LDO_REST,
    ),
    "load switch on": (
        [
            supply("S", "in", 5.0, 1.0),
            R("RL", "out", "GND", 25.0),
            V("E", "en", 3.3),
            Part(
                "U1",
                "load_switch",
                {"IN": "in", "OUT": "out", "EN": "en", "GND": "GND"},
                {"ohms": 0.08, "quiescent": 5e-6},
            ),
        ],
        SOURCE + "VE en 0 3.3\nRen en 0 20meg\nRon in out 0.08\nIq in 0 5u\nRleak out 0 100meg\nRL out 0 25\n" + BODY,
    ),
    "load switch off": (
        [
            supply("S", "in", 5.0, 1.0),
            R("RL", "out", "GND", 25e3),
            V("E", "en", 0.0),
            Part(
                "U1",
                "load_switch",
                {"IN": "in", "OUT": "out", "EN": "en", "GND": "GND"},
                {"ohms": 0.08, "quiescent": 5e-6},
            ),
        ],
        SOURCE + "VE en 0 0\nRen en 0 20meg\nRleak out 0 100meg\nRL out 0 25k\n" + BODY,
    ),
    "charger in constant current": (
        [
            supply("S", "in", 5.0, 1.0),
            Part("B", "battery", {"P": "bat", "N": "GND"}, {"volts": 3.7, "ohms": 0.2}),
            Part(
                "U1",
                "charger",
                {"IN": "in", "BAT": "bat", "GND": "GND"},
                {"current": 0.1, "leak": 20e-9, "quiescent": 50e-6},
            ),
        ],
        SOURCE + "Icc in bat 0.1\nIleak bat 0 20n\nIq in 0 50u\nVb b 0 3.7\nRb b bat 0.2",
    ),
    "charger in constant voltage": (
        [
            supply("S", "in", 5.0, 1.0),
            Part("B", "battery", {"P": "bat", "N": "GND"}, {"volts": 4.195, "ohms": 0.2}),
            Part(
                "U1",
                "charger",
                {"IN": "in", "BAT": "bat", "GND": "GND"},
                {"current": 0.1, "leak": 20e-9, "quiescent": 50e-6},
            ),
        ],
        SOURCE
        + "Vcv c 0 4.2\nRcv c bat 0.1\nFin in 0 Vcv -1\nIleak bat 0 20n\nIq in 0 50u\nVb b 0 4.195\nRb b bat 0.2",
    ),
    "supervisor holds reset": (
        [
            V("V1", "v", 2.5),
            R("RP", "v", "rst", 10e3),
            Part("U1", "supervisor", {"VDD": "v", "OUT": "rst", "GND": "GND"}, {"threshold": 2.93}),
        ],
        "V1 v 0 2.5\nRP v rst 10k\nRlow rst 0 50\nRleak rst 0 100meg",
    ),
    "supervisor lets go": (
        [
            V("V1", "v", 3.3),
            R("RP", "v", "rst", 10e3),
            Part("U1", "supervisor", {"VDD": "v", "OUT": "rst", "GND": "GND"}, {"threshold": 2.93}),
        ],
        "V1 v 0 3.3\nRP v rst 10k\nRleak rst 0 100meg",
    ),
    "pin drives high into an led": (
        [
            V("V1", "v", 3.3),
            _chip("high"),
            R("R1", "n", "a", 330.0),
            Part("D1", "led", {"A": "a", "K": "GND"}, {"saturation": 1e-18}),
        ],
        "V1 v 0 3.3\nRhigh v n 40\nIdraw v 0 5m\nR1 n a 330\nD1 a 0 led\n.model led d(is=1e-18 n=2 rs=5)\n" + CLAMPS,
    ),
    "pin drives low against a pull-up": (
        [V("V1", "v", 3.3), _chip("low"), R("R1", "v", "n", 1e3)],
        "V1 v 0 3.3\nRlow n 0 40\nIdraw v 0 5m\nR1 v n 1k\n" + CLAMPS,
    ),
    "pin clamps a level above its rail": (
        [V("V1", "v", 3.3), _chip("off", pull_down=50e3), V("V2", "x", 5.0), R("R1", "x", "n", 1e3)],
        "V1 v 0 3.3\nRdown n 0 50k\nIdraw v 0 5m\nV2 x 0 5\nR1 x n 1k\n" + CLAMPS,
    ),
    "pin clamps a level below ground": (
        [V("V1", "v", 3.3), _chip("up", pull_ohms=40e3), V("V2", "x", -2.0), R("R1", "x", "n", 1e3)],
        "V1 v 0 3.3\nRup v n 40k\nIdraw v 0 5m\nV2 x 0 -2\nR1 x n 1k\n" + CLAMPS,
    ),
    "pin that leaks up to where it parks": (
        # the erratum in which a pad sources 120 µA up to about 2.2 V, against 8.2 kΩ: here 0.984 V, all of the current
        [V("V1", "v", 3.3), _chip("off", leak=120e-6, park=2.2), R("R1", "n", "GND", 8.2e3)],
        "V1 v 0 3.3\nIpad v n 120u\nIdraw v 0 5m\nR1 n 0 8.2k\n" + CLAMPS,
    ),
    "constant-current load": (
        [
            supply("S", "in", 5.0, 1.0),
            R("R1", "in", "x", 1.0),
            Part("L", "load", {"P": "x", "N": "GND"}, {"amps": 0.2}),
        ],
        SOURCE + "R1 in x 1\nI1 x 0 0.2",
    ),
    "constant-power load": (
        # limit high enough that this is the only operating point
        [
            supply("S", "in", 5.0, 5.0),
            R("R1", "in", "x", 1.0),
            Part("L", "load", {"P": "x", "N": "GND"}, {"watts": 2.0}),
        ],
        SOURCE + "R1 in x 1\nB1 x 0 I=2/V(x)\n.nodeset v(x)=4.5",
    ),
    "ideal diode": (
        [
            supply("S", "in", 5.0, 1.0),
            R("R1", "k", "GND", 10.0),
            Part("U1", "ideal_diode", {"A": "in", "K": "k", "GND": "GND"}, {"ohms": 0.05, "quiescent": 2e-6}),
        ],
        SOURCE + "Ron in k 0.05\nR1 k 0 10\nIq k 0 2u",
    ),
    "step-down converter": (
        [
            supply("S", "in", 5.0, 1.0),
            R("RL", "out", "GND", 10.0),
            Part("U1", "buck", {"IN": "in", "OUT": "out", "GND": "GND"}, {"volts": 1.8, "efficiency": 0.9}),
        ],
        SOURCE
        + "Vreg r 0 1.8\nRreg r out 20m\nB1 in 0 I=-I(Vreg)*V(out)/(0.9*V(in))\nIq in 0 50u\nRL out 0 10\n"
        + LDO_REST,
    ),
    "fuse, ptc and switch in line": (
        [
            V("V1", "a", 5.0),
            Part("F1", "fuse", {"1": "a", "2": "b"}, {"ohms": 0.05}),
            R("R1", "d", "GND", 10.0),
            Part("F2", "ptc", {"1": "b", "2": "c"}, {"ohms": 0.2}),
            Part("S1", "switch", {"1": "c", "2": "d"}, {"on": True, "ohms": 0.02}),
        ],
        "V1 a 0 5\nR2 a b 0.05\nR3 b c 0.2\nR4 c d 0.02\nR1 d 0 10",
    ),
}


# --- circuits of ours, by the writer ----------------------------------------------------------------------------------
SKEP_STATES: dict[str, dict[str, float | str | bool]] = {
    "usb": {"bench_USB.on": True, "bench_USB.limit": 0.5},
    "usb through 5 mA": {"bench_USB.on": True, "bench_USB.limit": 0.005},
    "usb, sensors on": {"bench_USB.on": True, "bench_USB.limit": 0.5, "U1.GPIO12.drive": "high"},
    "usb, radio on": {
        "bench_USB.on": True,
        "bench_USB.limit": 0.5,
        "U1.GPIO13.drive": "high",
        "U1.GPIO7.drive": "high",
    },
    "cell": {"bench_CELL.on": True, "bench_CELL.limit": 0.5},
    "panel, charging": {"bench_PANEL.on": True, "bench_PANEL.limit": 0.05, "U1.GPIO10.drive": "high"},
    "usb and cell, charging": {
        "bench_USB.on": True,
        "bench_USB.limit": 0.5,
        "bench_CELL.on": True,
        "bench_CELL.limit": 0.5,
        "U1.GPIO10.drive": "high",
    },
    "nothing on": {},
}
SKEP_FAULTS = (
    "D3:reversed",
    "Q1:reversed",
    "U2:variant=2.8 V",
    "+3V3+GND:bridge=0.5",
    "R16:missing",
    "U5.NRST:pull_up=13k",
    "L1:missing",
    "R1:missing",
    "C6:short",
    "D1:short",
    "U1.GPIO7:stuck=high",
    "R31.1:net=RADIO_IRQ",
    "U8:dead",
    "U1.GPIO12:open",
    "U3:short",
)


@cache
def skep() -> Circuit:
    """The demo board as it was when the tables were made, with its three bench supplies."""
    from wakeboard.harness.describe.board.circuit import board_circuit
    from wakeboard.harness.describe.load import load_board

    board = load_board(SKEP)
    feeds = [
        supply(f"bench_{name}", each.net, each.volts.nominal, each.budget or 0.1, on=False)
        for name, each in board.supplies.items()
    ]
    return board_circuit(board).plus(*feeds)


def written() -> Iterator[tuple[str, Circuit, Variant]]:
    """Names, circuits and variants whose netlists the writer makes."""
    yield "small board", board(), Variant()
    yield "small board from its cell", board(), Variant(values={"bench_USB.on": False, "bench_CELL.on": True})
    yield "small board, a specimen", board(), Variant(seed=7)
    for name, values in SKEP_STATES.items():
        yield f"skep: {name}", skep(), Variant(values=values)
    for fault in SKEP_FAULTS:
        for state in ("usb, sensors on", "cell"):
            yield f"skep: {state}, {fault}", skep(), Variant((parse_fault(fault),), SKEP_STATES[state])


def names() -> list[str]:
    """Every operating point."""
    return [*READ, *BY_HAND, *(name for name, _, _ in written())]


def case(name: str) -> Case:
    """An operating point by its name."""
    if name in READ:
        text = f"{name}\n{READ[name]}\n"
        circuit = Circuit(read(text).parts)
        # nets inside a transistor's series resistances are ours alone
        return Case(
            circuit, Variant(), text, {net: net for net in circuit.nets if net != "GND" and "inside" not in net}
        )
    if name in BY_HAND:
        parts, text = BY_HAND[name]
        circuit = Circuit(parts)
        return Case(circuit, Variant(), f"{name}\n{text}\n", {net: net for net in circuit.nets if net != "GND"})
    circuit, variant = next((circuit, variant) for this, circuit, variant in written() if this == name)
    return Case(circuit, variant, write_netlist(circuit, variant, name), node_names(circuit))
