"""A net that capacitors alone connect (a timing pin that no model has) is noted, and the board works."""

from __future__ import annotations

from pathlib import Path

import pytest

from wakeboard.harness.describe.board.circuit import board_circuit, held_by_capacitors
from wakeboard.harness.describe.files import check_files
from wakeboard.harness.describe.load import load_board
from wakeboard.harness.review.review import review
from wakeboard.instruments.virtual.circuit import Variant
from wakeboard.instruments.virtual.circuit.faults.fault import Fault

TEMPLATE = Path(__file__).parents[2] / "sequences" / "template" / "board.toml"
CAPACITORS = {
    "one": 'C9 = { kind = "capacitor", value = "10 nF", pins = ["TIMING", "GND"] }\n',
    "two in series": 'C9 = { kind = "capacitor", value = "10 nF", pins = ["TIMING", "MIDDLE"] }\n'
    'C8 = { kind = "capacitor", value = "10 nF", pins = ["MIDDLE", "+3V3"] }\n',
}


@pytest.fixture(params=CAPACITORS.values(), ids=CAPACITORS)
def file(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    text = TEMPLATE.read_text(encoding="utf-8").replace("\nR1 = ", f"\n{request.param}R1 = ")
    (tmp_path / "board.toml").write_text(text, encoding="utf-8")
    return tmp_path / "board.toml"


def test_check_notes_it_once(file: Path) -> None:
    checked = check_files([file])[0]
    assert not checked.problems
    (note,) = checked.notes
    assert "only capacitors connect it" in note.found
    assert "it is left out of what is found" in note.allowed


def test_the_rest_is_reviewed_as_without_it(file: Path) -> None:
    assert held_by_capacitors(load_board(file)) is not None
    found = review(load_board(file))
    bare = review(load_board(TEMPLATE))
    assert ([each.says for each in found.concerns], found.unsolved) == ([each.says for each in bare.concerns], ())


def test_every_fault_of_the_capacitor_has_an_operating_point(file: Path) -> None:
    board = load_board(file)
    circuit = board_circuit(board)
    faults = [Fault("C9", text) for text in ("missing", "short")]
    points = circuit.compile().solve([Variant((fault,)) for fault in faults])
    assert abs(points.net("+3V3")).max() < 1e-6


def test_a_net_that_nothing_connects_is_still_told(tmp_path: Path) -> None:
    text = TEMPLATE.read_text(encoding="utf-8").replace(
        "\nR1 = ", '\nR8 = { kind = "resistor", value = "1k", pins = ["A1", "A2"] }\nR1 = '
    )
    (tmp_path / "board.toml").write_text(text, encoding="utf-8")
    (note,) = check_files([tmp_path / "board.toml"])[0].notes
    assert "a circuit that cannot be solved" in note.found


def test_a_capacitor_that_is_not_modelled_is_named(tmp_path: Path) -> None:
    parts = "".join(f'C{n} = {{ kind = "unmodelled", pins = {{ 1 = "+3V3", 2 = "GND" }} }}\n' for n in range(12, 20))
    parts += 'CON1 = { kind = "unmodelled", pins = { 1 = "+3V3", 2 = "GND" } }\n'
    text = TEMPLATE.read_text(encoding="utf-8").replace("\nR1 = ", f"\n{parts}R1 = ")
    (tmp_path / "board.toml").write_text(text, encoding="utf-8")
    checked = check_files([tmp_path / "board.toml"])[0]
    assert not checked.problems
    (note,) = checked.notes
    assert note.found == "C12, C13, C14, C15, C16, C17 and 2 more, by name a capacitor, not modelled"
    assert "inrush" in note.allowed
