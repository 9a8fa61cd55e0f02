"""A good board: text becomes SI numbers, names become nets, parts become a circuit."""

from pathlib import Path

import pytest

from wakeboard import sequences
from wakeboard.harness.describe.board import UnknownName
from wakeboard.harness.describe.circuit import board_circuit, on_supplies
from wakeboard.harness.describe.load import load_board
from wakeboard.instruments.quantity import Interval

SKEP = Path(sequences.__file__).parent / "demo" / "skep"


@pytest.fixture
def board(folder):
    return load_board(folder / "board.toml")


def test_numbers_are_si_floats(board):
    usb = board.supplies["USB"]
    assert (usb.name, usb.net, usb.volts.nominal, usb.budget) == ("USB", "VUSB", 5.0, 0.5)
    assert usb.limits == Interval(4.40, 5.25)
    assert board.supplies["CELL"].limits == Interval(3.7, 3.7)
    assert board.rails["V33"].limits == Interval(pytest.approx(3.234), pytest.approx(3.366))
    assert board.rails["V33"].sources == ("USB", "CELL")
    assert board.rails["V33_S"].sources == ("V33",)
    assert board.lines["SDA"].bus_rate == 100e3
    assert board.target.streams[0].rate == 10e3
    assert board.target.answers[0].needs == {"+3V3": Interval(3.0, None)}


def test_parts_are_the_circuits_own(board):
    r1 = board.parts["R1"]
    assert (r1.kind, dict(r1.pins), dict(r1.values), dict(r1.tolerance)) == (
        "resistor",
        {"1": "RST", "2": "GND"},
        {"value": 47e3},
        {"value": 0.01},
    )
    assert board.parts["C1"].ratings == {"voltage": 10.0}
    u1 = board.parts["U1"]
    assert u1.values["io"]["GPIO2"] == {"type": "io", "ohms": 40.0, "max": 0.012, "pull_up": 40e3}
    assert u1.tolerance == {"VDD.draws": pytest.approx(0.25), "GPIO2.pull_up": pytest.approx(0.25)}
    assert board.parts["U2"].values["variants"] == (2.8,)
    assert board.note("U2").variants == ("2.8 V",)


def test_names_become_nets(board):
    names = ["USB", "V33_S", "RST", "TP1", "VIN", "U1.GPIO1"]
    assert [board.net_of(name) for name in names] == ["VUSB", "+3V3_S", "RST", "+3V3", "VIN", "EN_S"]
    assert board.points_on("+3V3") == ["TP1"]
    assert board.names_on("+3V3") == ["V33"]
    assert board.supplies_of("V33_S") == {"USB", "CELL"}
    with pytest.raises(UnknownName, match='did you mean "TP1"'):
        board.net_of("TP11")


def test_the_circuit(board):
    circuit = board_circuit(board)
    assert {part.name for part in circuit.parts} == set(board.parts)
    assert circuit.ground == "GND"
    assert set(circuit.nets) <= board.nets
    wired = on_supplies(board)
    assert wired.part("bench_USB").pins == {"P": "VUSB", "N": "GND"}
    assert wired.part("bench_USB").values == {"volts": 0.0, "on": False}
    assert on_supplies(board, off_ohms=1e7).part("bench_CELL").values["off_ohms"] == 1e7


def test_a_board_without_parts(folder):
    folder.edit("board.toml", 'levels = "i2c"', 'levels = "i2c"\nrail = "V33"  # no part is there to tell it')
    text = (folder / "board.toml").read_text(encoding="utf-8")
    path = folder.write("bare.toml", text[: text.index("[parts]")])
    board = load_board(path)
    assert board.parts == {}
    assert board.net_of("TP2") == "RST"
    with pytest.raises(ValueError, match="no circuit"):
        board_circuit(board)


def test_the_text_is_kept_and_told_apart(folder, board):
    assert board.text == (folder / "board.toml").read_text(encoding="utf-8")
    assert Path(board.file) == folder / "board.toml"
    folder.edit("board.toml", "Finch", "Wren")
    assert load_board(folder / "board.toml").digest != board.digest


def test_skep_reads():
    board = load_board(SKEP / "board.toml")
    assert (board.name, board.revision, len(board.supplies), len(board.parts)) == ("Skep", "A", 3, 60)
    assert board.net_of("TP7") == "RADIO_RST"
    assert board.parts["R31"].values["value"] == 47e3
    assert board.supplies_of("V18_RF") == {"USB", "PANEL", "CELL"}
