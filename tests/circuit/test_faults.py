"""Fault texts both ways, what faults do, and the library.

Other figures are those of the invented circuits.
"""

from __future__ import annotations

import pytest
from circuit_build import R, V, board

from wakeboard.instruments.virtual.circuit import Circuit, CircuitError, Part, Variant, parse_fault
from wakeboard.instruments.virtual.circuit.faults.library import library

TEXTS = [
    "R1:open", "C1:short", "D1:reversed", "R1:missing", "R1:value=470k", "U2:variant=2.8 V", "U2:dead",
    "U1.RST:pull_up=13k", "U1.RST:pull_down=47k", "U1.IO1:stuck=high", "U1.IO2:stuck=low", "U1.IO1:net=VSYS",
    "U1.IO1:open", "VSYS+GND:bridge=3", "+3V3+GND:bridge=0.5", "VSYS++3V3:bridge=1k",
]  # fmt: skip


@pytest.mark.parametrize("text", TEXTS)
def test_text_both_ways_and_solvable(text: str) -> None:
    fault = parse_fault(text)
    assert str(fault) == text
    assert fault.category
    board().compile().solve([Variant((fault,))]).require()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("R1", "PART:open"),
        ("R1:opne", "nearest: open"),
        ("R1:open=3", "takes no value"),
        ("R1:value", "needs a value"),
        ("U1:pull_up=10k", "PART.PIN:pull_up"),
        ("U1.IO1:value=3k", "U1:value"),
        ("U1.IO1:dead", "U1:dead"),
        ("U1.IO1:pull_up=ten", "no resistance"),
        ("U1.IO1:pull_up=0", "above zero"),
        ("U1.IO1:stuck=hi", "high or low"),
        ("VSYS:bridge=3", "two nets"),
    ],
)
def test_bad_texts_say_what_is_wrong(text: str, says: str) -> None:
    with pytest.raises(CircuitError, match=says):
        parse_fault(text)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("R11:open", "nearest: R1"),
        ("U1.IO3:open", "nearest: IO"),
        ("U1.IO1:net=VSIS", "nearest: VSYS"),
        ("VSIS+GND:bridge=1", "nearest: VSYS"),
        ("R1:reversed", "changes nothing"),
        ("R1:dead", "goes dead"),
        ("Q1:value=3", "single value"),
        ("U2:variant=blue", "U2:variant"),
        ("R1.1:pull_up=10k", "no supply pin"),
    ],
)
def test_faults_that_do_not_fit_say_so(text: str, says: str) -> None:
    model = board().compile()
    with pytest.raises(CircuitError, match=says):
        model.solve([Variant((parse_fault(text),))])


def test_bad_variants_say_so() -> None:
    model = board().compile()
    for values, says in (
        ({"R9.value": 1.0}, "R9"),
        ({"R1.ohmz": 1.0}, "nearest: "),
        ({"U2.vols": 1.0}, "nearest: volts"),
    ):
        with pytest.raises(CircuitError, match=says):
            model.solve([Variant(values=values)])
    with pytest.raises(CircuitError, match="nearest: VSYS"):
        model.solve([Variant(moves={"R1.1": "VSIS"})])


def net(text: str, name: str, **state: object) -> float:
    values = {key.replace("__", "."): value for key, value in state.items()}
    return float(board().compile().solve([Variant((parse_fault(text),), values)]).require().net(name)[0])


def test_what_faults_do() -> None:
    # closed forms: the dividers of the drawn resistors and what the fault adds
    assert net("U2:variant=2.8 V", "+3V3") == pytest.approx(2.8, abs=2e-3)
    assert net("U2:dead", "+3V3") < 0.1
    assert net("+3V3+GND:bridge=0.3", "+3V3") < 0.3
    assert net("D1:short", "VSYS") > 4.8
    assert net("R3:missing", "RST") > 3.2, "the processor's own pull-up remains"
    assert net("U1.IRQ:pull_down=10k", "IRQ") == pytest.approx(1.65, abs=0.01)
    assert net("U1.IO1:pull_up=13k", "EN") == pytest.approx(3.3 * 100 / 113, abs=0.05)
    assert net("U1.IO1:stuck=high", "VS") > 3.2
    assert net("R6:value=1 Ω", "VS", U1__IO1__drive="high") < 3.3
    assert net("U1.RST:net=GND", "RST") > 3.2
    assert net("R5:missing", "IRQ") < 0.1


def test_short_current_belongs_to_the_part() -> None:
    # Kirchhoff's current law
    points = board().compile().solve([Variant((parse_fault("C2:short"),))]).require()
    assert points.current("C2", "1")[0] > 0.4
    assert points.current("C2", "1")[0] == pytest.approx(-points.current("C2", "2")[0])


def test_library_fits_and_covers() -> None:
    circuit = board()
    faults = library(circuit, [("+3V3", "GND")], ["EN", "RST", "IRQ"])
    texts = [str(f) for f in faults]
    assert len(set(texts)) == len(texts)
    assert [str(parse_fault(t)) for t in texts] == texts
    expected = {
        "R1:missing", "C1:short", "D1:reversed", "Q1:reversed", "U2:dead", "U2:variant=2.8 V", "R1:value=1 MΩ",
        "R1:value=10 kΩ", "U1.IRQ:pull_up=13k", "U1.IO1:pull_down=100k", "U1.IO1:stuck=high", "+3V3+GND:bridge=0.5",
        "U1:missing", "U1.RST:open",
    }  # fmt: skip
    assert not expected - set(texts)
    assert not any(f.part.startswith("bench") for f in faults)
    assert library(circuit, [("+3V3", "GND")], ["EN", "RST", "IRQ"]) == faults
    circuit.compile().solve([Variant((f,)) for f in faults]).require()


def test_library_takes_look_alikes_from_the_board_file() -> None:
    texts = [str(f) for f in library(board(), variants={"U4": ("1.2 V",)})]
    assert "U4:variant=1.2 V" in texts


def test_each_bad_circuit_names_its_parts() -> None:
    two = [V("A", "a", 5.0), V("B", "a", 3.0), R("R", "a", "GND", 1.0)]
    with pytest.raises(CircuitError, match="loop of ideal voltage sources") as caught:
        Circuit(two).compile()
    assert set(caught.value.parts) >= {"A", "B"}
    with pytest.raises(CircuitError, match="no path to GND") as caught:
        Circuit([V("A", "a", 5.0), R("R", "a", "GND", 1.0), R("R2", "x", "y", 1.0)]).compile()
    assert caught.value.parts == ("R2",)
    from circuit_build import C

    with pytest.raises(CircuitError, match="only capacitors"):
        Circuit([V("A", "a", 5.0), C("C1", "a", "x", 1e-6), C("C2", "x", "GND", 1e-6)]).compile()
    push = Part("I1", "i_source", {"P": "x", "N": "GND"}, {"amps": 1e-3})
    with pytest.raises(CircuitError, match="I1 drives into an open"):
        Circuit([V("A", "a", 5.0), R("R", "a", "GND", 1.0), push]).compile()


@pytest.mark.parametrize(
    ("part", "says"),
    [
        (Part("X", "resitor", {"1": "a", "2": "b"}, {}), "nearest: resistor"),
        (Part("X", "resistor", {"1": "a"}, {"value": 1.0}), "no net for pin 2"),
        (Part("X", "diode", {"A": "a", "C": "b"}, {}), "no pin 'C'"),
        (Part("X", "resistor", {"1": "a", "2": "b"}, {}), "needs a value 'value'"),
        (Part("X", "ldo", {"IN": "a", "OUT": "b", "GND": "GND"}, {"volt": 3.3}), "nearest: volts"),
    ],
)
def test_bad_parts_say_so(part: Part, says: str) -> None:
    with pytest.raises(CircuitError, match=says):
        Circuit([part])


def test_parts_named_twice() -> None:
    with pytest.raises(CircuitError, match="named twice: R"):
        Circuit([R("R", "a", "GND", 1.0), R("R", "b", "GND", 1.0)])
