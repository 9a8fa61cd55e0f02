"""The netlist writer: names, round trips through the reader, faults, what GMIN alone holds.

Figures are those of the circuits written here, unless marked.
"""

from __future__ import annotations

import re
from pathlib import Path

import ngspice_run
import pytest
from circuit_build import C, D, R, V, board, supply

from wakeboard.instruments.virtual.circuit import Circuit, CircuitError, Part, Variant, parse_fault
from wakeboard.instruments.virtual.circuit.parts import kinds
from wakeboard.instruments.virtual.circuit.spice.read import read
from wakeboard.instruments.virtual.circuit.spice.write import node_names, write_netlist

PRIMITIVES = [
    V("V1", "in", 9.0),
    V("V2", "low", 3.0, ohms=2.0),
    Part("B1", "battery", {"P": "bat", "N": "GND"}, {"volts": 3.7, "ohms": 0.1}),
    Part("I1", "i_source", {"P": "a", "N": "low"}, {"amps": 1e-3}),
    R("R1", "in", "a", 1e3), R("R2", "a", "GND", 2.2e3), R("R3", "bat", "a", 10e3), R("R4", "bat", "k", 470.0),
    C("C1", "a", "GND", 1e-6),
    Part("L1", "inductor", {"1": "in", "2": "coil"}, {"value": 10e-6, "ohms": 0.3}), R("R5", "coil", "GND", 1e3),
    D("D1", "in", "d", saturation=1e-12, emission=1.7, ohms=0.5), R("R6", "d", "GND", 330.0),
    Part("D2", "schottky", {"A": "in", "K": "s"}, {}), R("R7", "s", "GND", 100.0),
    Part("LED", "led", {"A": "s", "K": "led"}, {}), R("R8", "led", "GND", 1e3),
    Part("Z1", "zener", {"A": "GND", "K": "k"}, {"volts": 3.3}),
    Part("Q1", "bjt", {"C": "c", "B": "b", "E": "e"}, {"gain": 150.0, "early": 80.0}),
    R("R9", "in", "b", 100e3), R("R10", "b", "GND", 47e3), R("R11", "in", "c", 2e3), R("R12", "e", "GND", 1e3),
    Part("M1", "mosfet", {"G": "b", "D": "md", "S": "GND"}, {"threshold": 0.8, "ohms": 0.1}), R("R13", "in", "md", 1e3),
    Part("Q2", "mosfet", {"G": "GND", "D": "pd", "S": "in"}, {"channel": "p", "threshold": 0.9}),
    R("R14", "pd", "GND", 50.0),
    Part("F1", "fuse", {"1": "pd", "2": "f"}, {}), Part("S1", "switch", {"1": "f", "2": "sw"}, {"on": True}),
    R("R15", "sw", "GND", 1e3),
]  # fmt: skip


def solved(parts: list[Part], variant: Variant | None = None) -> dict[str, float]:
    points = Circuit(parts).compile().solve([variant or Variant()]).require()
    return {net: float(points.net(net)[0]) for net in points.nets}


FAULTS = (
    "R1:missing", "D1:reversed", "Q1:reversed", "M1:reversed", "L1:missing", "a+b:bridge=33", "Q1:short",
    "V2:value=5 V", "R9.1:net=bat", "S1:missing", "Z1:reversed", "R15.1:open", "B1:missing",
)  # fmt: skip


@pytest.mark.parametrize("fault", ["", *FAULTS])
def test_primitive_parts_come_back_the_same(fault: str) -> None:
    # round trip: written and read back
    circuit = Circuit(PRIMITIVES)
    variant = Variant(faults=(parse_fault(fault),)) if fault else Variant()
    before = solved(PRIMITIVES, variant)
    after = solved(read(write_netlist(circuit, variant)).parts)
    names = node_names(circuit)
    for net in circuit.nets:
        if net != "GND":
            # a transistor's gate takes 1 pA a volt here, and none when it is read back
            assert after[names[net]] == pytest.approx(before[net], rel=1e-6, abs=1e-6), net


def test_parts_keep_their_names_where_spice_allows() -> None:
    text = write_netlist(Circuit(PRIMITIVES))
    first_words = [line.split()[0] for line in text.splitlines() if line[:1].isalpha()]
    assert {"R1", "C1", "L1", "D1", "Q1", "M1", "V1", "I1", "DLED", "DZ1", "MQ2"} <= set(first_words)
    assert len({word.lower() for word in first_words}) == len(first_words)


def test_names_that_would_become_one_stay_apart() -> None:
    # SPICE folds case (ngspice manual); round trip
    parts = [
        V("V1", "+3V3", 3.3), V("v-1", "3V3", 5.0), R("R-1", "+3V3", "net 1", 1e3), R("R_1", "3V3", "net-1", 1e3),
        R("r 1", "net 1", "GND", 1e3), R("r.1", "net-1", "GND", 2e3), R("X", "µ", "gnd", 1e3), R("Y", "µ", "+3V3", 1e3),
        R("Z", "gnd", "GND", 1e3), R("T", "time", "3V3", 1e3), R("U", "TIME", "time", 1e3), R("W", "TIME", "GND", 1e3),
    ]  # fmt: skip
    names = node_names(Circuit(parts))
    folded = [name.lower() for net, name in names.items() if net != "GND"]
    assert len(set(folded)) == len(folded)
    assert not {"0", "gnd", "time"} & set(folded)
    assert all(re.fullmatch(r"[A-Za-z]\w*", name, re.ASCII) for net, name in names.items() if net != "GND")
    before, after = solved(parts), solved(read(write_netlist(Circuit(parts))).parts)
    for net, name in names.items():
        if net != "GND":
            assert after[name] == pytest.approx(before[net], rel=1e-9)


def test_renamed_nets_are_said_in_comments() -> None:
    text = write_netlist(Circuit([V("V1", "+3V3", 3.3), R("R1", "+3V3", "GND", 1e3)]))
    assert "* net +3V3 is written n3V3" in text.splitlines()


def test_a_title_stays_one_line() -> None:
    text = write_netlist(Circuit([V("V1", "a", 1.0), R("R1", "a", "GND", 1e3)]), title="first\nR9 a 0 1\r\n.end")
    assert text.splitlines()[0] == "* first R9 a 0 1 .end"


def test_ground_of_another_name() -> None:
    parts = [
        Part("V1", "v_source", {"P": "a", "N": "VSS"}, {"volts": 2.0}),
        R("R1", "a", "GND", 1e3),
        R("R2", "GND", "VSS", 1e3),
    ]
    circuit = Circuit(parts, ground="VSS")
    assert node_names(circuit)["VSS"] == "0"
    back = Circuit(read(write_netlist(circuit)).parts).compile().solve([Variant()]).require()
    assert back.net(node_names(circuit)["GND"])[0] == pytest.approx(1.0, rel=1e-6)


def test_what_only_gmin_holds_is_written_as_a_resistor() -> None:
    parts = [V("V1", "a", 5.0), R("R1", "a", "GND", 1e3), R("R2", "a", "b", 1e3), C("C1", "a", "b", 1e-6)]
    held = Variant(faults=(parse_fault("R2:missing"),))
    assert "Rgmin b 0 1000000000000" in write_netlist(Circuit(parts), held)
    assert "Rgmin" not in write_netlist(Circuit(parts))


def test_a_net_that_lost_its_last_pin_is_still_there() -> None:
    parts = [V("V1", "a", 5.0), R("R1", "a", "GND", 1e3), R("R2", "a", "b", 1e3), R("R3", "b", "GND", 1e3)]
    text = write_netlist(Circuit(parts), Variant(moves={"R2.2": "GND", "R3.1": "GND"}))
    assert "Rgmin b 0" in text


def test_every_part_kind_is_written() -> None:
    """Each kind once, as its page's defaults have it, so that a new kind cannot be forgotten here."""
    text = write_netlist(board())
    assert text.count(".subckt") == text.count(".ends") > 5
    missing = {kind for kind in kinds() if kind not in SAMPLES}
    assert not missing
    for kind, part in SAMPLES.items():
        parts = [V("Vin", "in", 5.0), R("Rin", "in", "i", 1.0), R("Rout", "o", "GND", 1e3), R("Rx", "i", "o", 1e6)]
        text = write_netlist(Circuit([*parts, part]))
        assert text.rstrip().endswith(".end")
        assert ".nodeset V(i)" in text, kind


TWO, PATH = {"1": "i", "2": "o"}, {"IN": "i", "OUT": "o", "GND": "GND"}
ADJUSTABLE = ({**PATH, "FB": "o"}, {"reference": 0.8})
SAMPLES = {
    "adjustable_ldo": Part("P", "adjustable_ldo", *ADJUSTABLE),
    "adjustable_buck": Part("P", "adjustable_buck", *ADJUSTABLE),
    "adjustable_boost": Part("P", "adjustable_boost", *ADJUSTABLE),
    "programmed_charger": Part("P", "programmed_charger", {"IN": "i", "BAT": "o", "PROG": "o", "GND": "GND"}),
    "crystal": Part("P", "crystal", TWO, {"value": 8e6}),
    "unmodelled": Part("P", "unmodelled", {"1": "i", "2": "o", "GND": "GND"}),
    "button": Part("P", "button", TWO),
    "esd_array": Part("P", "esd_array", {"IO1": "i", "VCC": "o", "GND": "GND"}),
    "speaker": Part("P", "speaker", TWO),
    "motor": Part("P", "motor", TWO, {"volts": 6.0, "amps": 0.1, "ohms": 5.0}),
    "resistor": R("P", "i", "o", 1e3),
    "bleed": Part("P", "bleed", TWO, {"value": 1e3}),
    "capacitor": C("P", "i", "o", 1e-6),
    "inductor": Part("P", "inductor", TWO, {"value": 1e-6}),
    "v_source": V("P", "i", 1.0, "o", 1.0),
    "i_source": Part("P", "i_source", {"P": "i", "N": "o"}, {"amps": 1e-3}),
    "battery": Part("P", "battery", {"P": "i", "N": "o"}, {}),
    **{kind: Part("P", kind, {"A": "i", "K": "o"}, {}) for kind in ("diode", "schottky", "led", "ideal_diode")},
    "zener": Part("P", "zener", {"A": "o", "K": "i"}, {"volts": 3.0}),
    "bjt": Part("P", "bjt", {"C": "i", "B": "i", "E": "o"}, {}),
    "mosfet": Part("P", "mosfet", {"D": "i", "G": "i", "S": "o"}, {}),
    **{kind: Part("P", kind, TWO, {}) for kind in ("fuse", "ptc", "switch")},
    "ldo": Part("P", "ldo", PATH, {"volts": 3.3}),
    "buck": Part("P", "buck", PATH, {"volts": 3.3}),
    "boost": Part("P", "boost", PATH, {"volts": 9.0}),
    "charger": Part("P", "charger", {"IN": "i", "BAT": "o", "GND": "GND"}, {}),
    "load_switch": Part("P", "load_switch", PATH, {}),
    "supervisor": Part("P", "supervisor", {"VDD": "i", "OUT": "o", "GND": "GND"}, {"threshold": 3.0}),
    "load": Part("P", "load", {"P": "i", "N": "GND"}, {"amps": 0.01, "watts": 0.1, "ohms": 1e3}),
    "chip": Part(
        "P", "chip", {"VDD": "i", "GND": "GND", "IO": "o"}, {"supply": {"VDD": {"draws": 1e-3}}, "io": {"IO": {}}}
    ),
    "connector": Part("P", "connector", {"1": "i", "2": "o"}, {}),
    "bench_supply": supply("P", "i", 6.0, 0.1),
    "meter": Part("P", "meter", {"HI": "i", "LO": "o"}, {"test_amps": 1e-3}),
}  # fmt: skip


def test_writing_refuses_what_cannot_be_solved() -> None:
    with pytest.raises(CircuitError, match="no path to GND"):
        write_netlist(
            Circuit([V("V1", "a", 5.0), R("R1", "a", "GND", 1e3), R("R2", "b", "c", 1e3), R("R3", "b", "c", 1e3)])
        )
    with pytest.raises(CircuitError, match="no part 'R9'"):
        write_netlist(board(), Variant(faults=(parse_fault("R9:missing"),)))


@pytest.mark.ngspice
@pytest.mark.skipif(ngspice_run.installed() is None, reason="ngspice is not installed (Debian: ngspice)")
def test_no_second_body_diode_is_written(tmp_path: Path) -> None:
    """2.4 V across a body diode: its 20 mΩ take most of it. The channel's own bulk junction must carry nothing."""
    parts = [
        V("V1", "A", 3.5),
        Part("Q1", "mosfet", {"G": "GND", "S": "A", "D": "B"}, {"channel": "n"}),
        R("R1", "B", "GND", 0.01),
    ]
    circuit = Circuit(parts)
    ours = float(circuit.compile().solve([Variant()]).require().net("B")[0])
    found = ngspice_run.operating_point(write_netlist(circuit), ["B"], tmp_path)
    assert ours == pytest.approx(found["B"], rel=1e-6)
    assert ours > 0.3  # tens of amperes
