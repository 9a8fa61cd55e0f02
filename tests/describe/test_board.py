"""A good board: text becomes SI numbers, names become nets, parts become a circuit.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from pathlib import Path

import pytest

from wakeboard import sequences
from wakeboard.harness.describe.board.board import UnknownName
from wakeboard.harness.describe.board.circuit import board_circuit, on_supplies
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


def _read(table: str):
    from wakeboard.harness.describe.board.parts import read_parts
    from wakeboard.harness.describe.toml.document import read_text

    document = read_text(f"[parts]\n{table}\n", "board.toml")
    parts, _ = read_parts(document)
    return parts, [str(problem) for problem in document.problems]


_CHIP = (
    'U1 = {{ kind = "chip", pins = {{ VDD = "V", GND = "GND", Y = "Y" }}, '
    'supply = {{ VDD = {{ draws = "1 mA" }} }}, io = {{ Y = {{ type = "input", leak = "{}" }} }} }}'
)


@pytest.mark.parametrize(
    ("text", "drawn", "bounds"),
    [
        ("0 A ± 1 µA", 0.0, (-1e-6, 1e-6)),
        ("1 nA ± 1 µA", 1e-9, (-0.999e-6, 1.001e-6)),
        ("< 50 nA", 0.0, (-50e-9, 50e-9)),
        ("-20 .. 50 nA", 15e-9, (-20e-9, 50e-9)),
    ],
)
def test_a_leakage_may_be_of_either_sign(text, drawn, bounds):
    parts, problems = _read(_CHIP.format(text))
    assert not problems
    part = parts["U1"]
    assert part.values["io"]["Y"]["leak"] == pytest.approx(drawn)
    assert part.bounds["Y.leak"] == pytest.approx(bounds)
    from wakeboard.instruments.virtual.circuit import Circuit, Part, Variant

    circuit = Circuit([part, Part("R1", "resistor", {"1": "Y", "2": "GND"}, {"value": 1e6}),
                       Part("V1", "v_source", {"P": "V", "N": "GND"}, {"volts": 3.3})])  # fmt: skip
    points = circuit.compile().solve([Variant(seed=seed) for seed in range(40)]).require()
    volts = points.net("Y")
    assert volts.max() <= bounds[1] * 1e6 + 1e-3
    assert volts.max() > 0.6 * bounds[1] * 1e6  # it differs from specimen to specimen: what is stated is not dropped


def test_a_forward_voltage_as_a_range():
    parts, problems = _read('D1 = { kind = "schottky", vf = "0.35 .. 0.45 V", at = "0.1 A", pins = ["A", "K"] }')
    assert not problems
    assert parts["D1"].bounds == {"drop": (0.35, 0.45)}
    from wakeboard.instruments.virtual.circuit import Circuit

    assert Circuit(parts.values()).part("D1").values["drop"] == pytest.approx(0.4)


@pytest.mark.parametrize("text", ["5 Ω ± 200 %", "0 Ω ± 1 Ω", "9 .. 3 Ω"])
def test_a_tolerance_wider_than_the_value_is_refused(text):
    _, problems = _read(f'R1 = {{ kind = "resistor", value = "{text}", pins = ["A", "GND"] }}')
    assert problems


def test_no_key_of_every_part_is_a_value_of_some_kind() -> None:
    """A key that all parts may have (place, boots, …) must not take the place of a value: a transistor has `early`."""
    from wakeboard.harness.describe.board.parts import _OWN, board_kinds

    taken = {(kind.name, key) for kind in board_kinds().values() for key in (*kind.values, *kind.synonyms)}
    assert {pair for pair in taken if pair[1] in _OWN} == set()
