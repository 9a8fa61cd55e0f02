"""The drawing read again on a folder that a person has worked in: nothing of theirs is lost, all changes are told.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from heron import STYLES

from wakeboard.harness.cli import execute
from wakeboard.harness.describe.files import check_files
from wakeboard.harness.describe.load import load_board
from wakeboard.harness.drawings.boardfile.left import left_to_do


class Folder:
    """Heron begun once; `again` reads the drawing once more."""

    def __init__(self, where: Path) -> None:
        self.where = where
        self.files = STYLES["plain"](where)
        self.board = where / "board" / "board.toml"
        assert self.again() == 0

    def again(self) -> int:
        given = [word for role, file in self.files.items() for word in (f"--{role}", str(file))]
        return execute(["new", str(self.where / "board"), *given])

    def change(self, role: str, *pairs: tuple[str, str]) -> None:
        text = self.files[role].read_text(encoding="utf-8")
        for old, new in pairs:
            assert old in text
            text = text.replace(old, new)
        self.files[role].write_text(text, encoding="utf-8")

    def edit(self, *pairs: tuple[str, str]) -> None:
        text = self.board.read_text(encoding="utf-8")
        for old, new in pairs:
            assert old in text
            text = text.replace(old, new, 1)
        self.board.write_text(text, encoding="utf-8")


@pytest.fixture
def folder(tmp_path: Path) -> Folder:
    return Folder(tmp_path)


def test_the_same_drawing_changes_not_a_byte(folder: Folder, capsys: pytest.CaptureFixture[str]) -> None:
    before = folder.board.read_bytes()
    assert folder.again() == 0
    assert folder.board.read_bytes() == before
    assert "changed nothing" in capsys.readouterr().out


def test_what_a_person_wrote_stays_and_what_the_drawing_changed_comes_in(
    folder: Folder, capsys: pytest.CaptureFixture[str]
) -> None:
    folder.edit(
        ('R7 = { kind = "resistor", value = "47 kΩ"', 'R7 = { kind = "resistor", value = "1k1"'),
        ("[board]\n", "# my own remark\n[board]\n"),
        ('revision = "A"', 'revision = "B"'),
    )
    text = folder.board.read_text(encoding="utf-8")
    folder.board.write_text(text + "\n[links.console]\nbaud = 9600   # slow\n", encoding="utf-8")
    folder.change("bom", ('"5k1"', '"5k6"'), ('"47k"', '"33k"'))
    folder.change("netlist", ("RADIO_RST     ", "RADIO_RESET   "))
    capsys.readouterr()
    assert folder.again() == 0
    told = capsys.readouterr().out
    board = load_board(folder.board)
    assert board.parts["R7"].values["value"] == 1100.0, "changed by a person: stays"
    assert 'parts.R7.value: yours stays, "1k1"; the drawing says "33 kΩ", was "47 kΩ"' in told
    assert board.parts["R1"].values["value"] == 5600.0, "left as it was: follows the drawing"
    assert board.parts["R7"].pins["1"] == "RADIO_RESET", "a net that moved moves, beside a value that stays"
    assert board.revision == "B"
    assert board.links["console"].baud == 9600
    text = folder.board.read_text(encoding="utf-8")
    assert "# my own remark" in text
    assert "# slow" in text
    assert not [problem for each in check_files([folder.board]) for problem in each.problems]


def test_new_and_gone_parts_are_told_and_a_touched_one_is_kept(
    folder: Folder, capsys: pytest.CaptureFixture[str]
) -> None:
    folder.edit(('R25 = { kind = "resistor", value = "10 kΩ"', 'R25 = { kind = "resistor", value = "12k"'))
    lines = folder.files["netlist"].read_text(encoding="ascii").splitlines()
    kept = [line for line in lines if line[20:26].strip() not in ("R24", "R25") and line != "999"]
    row = "327{:<14}   R90   -{}          A01X+070000Y+070000X0600Y0600R000 S1"
    folder.files["netlist"].write_text(
        "\n".join([*kept, row.format("+3V3", 1), row.format("GND", 2)]), encoding="ascii"
    )
    capsys.readouterr()
    assert folder.again() == 0
    told = capsys.readouterr().out
    parts = tomllib.loads(folder.board.read_text(encoding="utf-8"))["parts"]
    assert "R24" not in parts
    assert "parts.R24: gone from the drawing, taken out" in told
    assert parts["R25"]["value"] == "12k"
    assert "parts.R25: gone from the drawing; kept" in told
    assert parts["R90"]["kind"] == "unmodelled"
    assert "parts.R90: new in the drawing" in told


def test_a_part_that_a_person_described_follows_its_moved_pin(folder: Folder) -> None:
    """U8 was filled in with pin names; the drawing moves pin 3 to another net: the named pin goes along."""
    text = folder.board.read_text(encoding="utf-8")
    rows = [row for row in text.splitlines() if not row.startswith("U8 = ")]
    chip = (
        '[parts.U8]\nkind = "chip"\npins = { GND = "GND", RST = "RADIO_RST", IRQ = "RADIO_IRQ", VDD = "+3V3" }\n'
        'supply = { VDD = {} }\n[parts.U8.io]\nRST = { type = "input" }\nIRQ = { type = "output" }\n'
    )
    folder.board.write_text("\n".join([*rows, "", chip]), encoding="utf-8")
    old = next(
        row
        for row in folder.files["netlist"].read_text().splitlines()
        if row.startswith("327RADIO_IRQ") and "U8 " in row
    )
    folder.change("netlist", (old, old.replace("RADIO_IRQ", "RADIO_XYZ")))
    assert folder.again() == 0
    assert load_board(folder.board).parts["U8"].pins["IRQ"] == "RADIO_XYZ"


def test_a_board_file_that_was_never_drawn_only_gains(folder: Folder) -> None:
    (folder.board.parent / "places.json").unlink()
    folder.edit(('R7 = { kind = "resistor", value = "47 kΩ"', 'R7 = { kind = "resistor", value = "1k1"'))
    before = tomllib.loads(folder.board.read_text(encoding="utf-8"))
    folder.change("bom", ('"5k1"', '"5k6"'))
    assert folder.again() == 0
    assert tomllib.loads(folder.board.read_text(encoding="utf-8")) == before


@pytest.mark.parametrize("spoilt", ["not = [toml", "[parts]\nR1 = 5\n"])
def test_a_spoilt_board_file_is_left_as_it_is(folder: Folder, spoilt: str) -> None:
    folder.board.write_text(spoilt, encoding="utf-8")
    assert folder.again() in (0, 2)
    assert spoilt.strip() in folder.board.read_text(encoding="utf-8")


def test_what_was_filled_in_is_no_place_to_fill_in(folder: Folder, capsys: pytest.CaptureFixture[str]) -> None:
    """And the head of the file, which explains the mark, is none."""
    text = folder.board.read_text(encoding="utf-8")
    filled = [row.partition("  # FILL IN:")[0] if '"FILL IN:"' not in row else row for row in text.splitlines()]
    folder.board.write_text("\n".join(re.sub(r" +# FILL IN:.*", "", row) for row in filled) + "\n", encoding="utf-8")
    capsys.readouterr()
    assert folder.again() == 0
    assert "0 places to fill in" in capsys.readouterr().out
    assert not any("FILL IN" in line for line in left_to_do(load_board(folder.board)))
