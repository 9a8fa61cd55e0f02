"""What `revise swap` tells of levels, drivers and supplies: one board, one new part a case, the sentence by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from wakeboard.harness.describe.load import load_board
from wakeboard.harness.drawings.parts.book import Book
from wakeboard.harness.revise.swap.swapping import entry_named, swapped

BOARD = """
[board]
name = "Levels"
revision = "A"
ground = "GND"
[supplies.USB]
net = "VBUS"
volts = "5 V"
[rails.V33]
net = "+3V3"
from = "USB"
volts = "3.3 V ± 4 %"
[rails.V18]
net = "+1V8"
from = "V33"
volts = "1.8 V ± 4 %"
[parts]
U8 = { kind = "ldo", volts = "1.8 V", limit = "200 mA", pins = { IN = "+3V3", OUT = "+1V8", GND = "GND" } }
U9 = { kind = "ldo", volts = "3.3 V", limit = "400 mA", pins = { IN = "VBUS", OUT = "+3V3", GND = "GND" } }
R1 = { kind = "resistor", value = "10k", pins = ["+3V3", "IRQ"] }
[parts.U1]
kind = "chip"
pins = { VDD = "+3V3", GND = "GND", A = "CS", B = "CLK", C = "IRQ", D = "OUT" }
supply = { VDD = { draws = "5 mA", above = "1.8 V" } }
[parts.U1.io]
A = { type = "output" }
B = { type = "output" }
C = { type = "input" }
D = { type = "output" }
[parts.U2]
kind = "chip"
pins = { VDD = "+3V3", GND = "GND", CS = "CS", CLK = "CLK", INT = "IRQ", DO = "BACK", DI = "OUT" }
supply = { VDD = { draws = "2 mA", above = "1.6 V" } }
max = { voltage = "6 V" }
[parts.U2.io]
CS = { type = "input" }
CLK = { type = "input" }
INT = { type = "io", ohms = "40 Ω", max = "12 mA" }
DO = { type = "output", ohms = "40 Ω" }
DI = { type = "input" }
"""
SAME = {
    "CS": '{ type = "input" }', "CLK": '{ type = "input" }', "INT": '{ type = "io", ohms = "40 Ω", max = "12 mA" }',
    "DO": '{ type = "output", ohms = "40 Ω" }', "DI": '{ type = "input" }',
}  # fmt: skip


def told(tmp_path: Path, supply: str = 'draws = "2 mA", above = "1.6 V"', volts: str = "6 V", rail: str = "+3V3",
         **io: str) -> list[str]:  # fmt: skip
    """What is told of U2's successor. rail: the net that U2's supply is on."""
    (tmp_path / "board.toml").write_text(
        BOARD.replace('pins = { VDD = "+3V3", GND = "GND", CS', f'pins = {{ VDD = "{rail}", GND = "GND", CS'),
        encoding="utf-8",
    )
    rows = "\n".join(f"{pin} = {row}" for pin, row in (SAME | io).items())
    (tmp_path / "parts").mkdir()
    (tmp_path / "parts" / "own.toml").write_text(
        f'[next-1]\nmatch = ["NEXT-1"]\nkind = "chip"\n'
        f'pins = {{ 1 = "VDD", 2 = "GND", 3 = "CS", 4 = "CLK", 5 = "INT", 6 = "DO", 7 = "DI" }}\n'
        f'supply = {{ VDD = {{ {supply} }} }}\nmax = {{ voltage = "{volts}" }}\n[next-1.io]\n{rows}\n',
        encoding="utf-8",
    )
    board = load_board(tmp_path / "board.toml")
    found = swapped(board, "U2", entry_named(Book.beside(tmp_path), "NEXT-1", board))
    assert all(each in list(found.told) for each in found.differs)
    return found.differs


def test_a_part_that_does_the_same_is_no_news(tmp_path: Path) -> None:
    assert told(tmp_path) == []


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"INT": '{ type = "open_drain" }'}, "INT only pulls IRQ low, where INT drove it high too: R1 pulls it up"),
        ({"DO": '{ type = "open_drain" }'}, "DO only pulls BACK low, where DO drove it high too: it needs a pull-up"),
        ({"DO": '{ type = "input" }'}, "DO cannot drive BACK, as DO could"),
        ({"CLK": '{ type = "output" }'}, "CLK drives CLK, where CLK only read it: against U1.B"),
        ({"DO": '{ type = "output", ohms = "200 Ω" }'}, "DO drives BACK through 200 Ω, 40 Ω before"),
        ({"INT": '{ type = "io", ohms = "40 Ω", max = "4 mA" }'}, "INT may carry 4 mA on IRQ, 12 mA before"),
        ({"CS": '{ type = "input", reads_high = "3.5 V" }'},
         "CS takes a level as high from 3.5 V, and U1.A gives 3.3 V"),
        ({"supply": 'draws = "20 mA", above = "1.6 V"'}, "VDD draws 20 mA, 2 mA before"),
        ({"supply": 'draws = "2 mA", above = "2.7 V"'}, "VDD works from 2.7 V on, 1.6 V before"),
        ({"volts": "4 V"}, "it stands 4 V, 6 V before"),
    ],
)  # fmt: skip
def test_one_difference_is_one_sentence(tmp_path: Path, change: dict[str, str], says: str) -> None:
    assert told(tmp_path, **change) == [says]


def test_a_rail_that_is_not_that_of_those_who_drive_it(tmp_path: Path) -> None:
    """On 1.8 V: U1 drives three inputs to 3.3 V, R1 pulls IRQ there, which INT also reads; 5 V tolerance unsaid."""
    lifted = told(tmp_path, rail="+1V8", CS='{ type = "input", clamp = false }')
    assert [each.split(" is lifted to ")[0] for each in lifted] == ["CLK", "INT", "DI"]
    assert lifted[1] == (
        "INT is lifted to 3.3 V by R1, and its own rail +1V8 has 1.8 V: its clamp conducts unless its data sheet says "
        "otherwise"
    )


def test_a_rail_above_that_of_those_who_drive_it(tmp_path: Path) -> None:
    """On 5 V an input asks for 0.7 · 5 V = 3.5 V."""
    low = told(tmp_path, rail="VBUS")
    assert "CS takes a level as high from 3.5 V, and U1.A gives 3.3 V" in low
    assert len(low) == 4
