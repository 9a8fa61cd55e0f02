"""Changes as a file: read, refused with what is allowed, carried out on a board file whose comments stay.

Figures are those of the invented board.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from wakeboard.harness.describe.load import load_board
from wakeboard.harness.describe.problems import FileProblems
from wakeboard.harness.review.concern import Concern
from wakeboard.harness.revise.apply import applied, revised
from wakeboard.harness.revise.menders import mends
from wakeboard.harness.revise.plan import Plan, load_plan
from wakeboard.harness.revise.writing import FolderInUse, write_out

SKEP = Path(__file__).parents[2] / "sequences" / "demo" / "skep"

PLAN = """
board = "board.toml"
revision = "B"
learned = ["U5.NRST:pull_up=13k"]
[[change]]
title = "values, nets, parts"
do = ["R31:value=1.1k", "R16.1:net=+3V3_SENS", "R23:missing", "RADIO_IRQ+GND:bridge=22k", "D3:reversed",
      "U2:variant=3.0 V"]
add.R90 = { kind = "resistor", value = "10k", pins = ["SDA", "GND"] }
swap.C9 = { kind = "capacitor", value = "22 µF", pins = ["VPANEL", "GND"] }
put.lines.SDA.bus_rate = "400 kHz"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for file in ("board.toml", "first-power-on.toml", "units.toml"):
        (tmp_path / file).write_text((SKEP / file).read_text(encoding="utf-8"), encoding="utf-8")
    return tmp_path


def plan(folder: Path, text: str) -> Plan:
    (folder / "revision-b.toml").write_text(text, encoding="utf-8")
    return load_plan(folder / "revision-b.toml")


def test_every_word_does_what_it_says(folder: Path) -> None:
    board = load_board(folder / "board.toml")
    new = revised(board, plan(folder, PLAN))
    assert new.revision == "B"
    assert new.parts["R31"].values["value"] == pytest.approx(1100)
    assert dict(new.parts["R16"].pins) == {"1": "+3V3_SENS", "2": "SDA"}
    assert "R23" not in new.parts
    assert new.parts["R32"].values["value"] == pytest.approx(22e3)
    assert dict(new.parts["D3"].pins) == {"A": "VSYS", "K": "VIN"}
    assert new.parts["U2"].values["volts"] == pytest.approx(3.0)
    assert new.parts["U2"].tolerance["volts"] == pytest.approx(0.02), "the tolerance that was written stays"
    assert new.parts["C9"].values["value"] == pytest.approx(22e-6)
    assert new.parts["U5"].values["io"]["NRST"]["pull_up"] == pytest.approx(13e3)
    assert new.lines["SDA"].bus_rate == pytest.approx(400e3)


def test_comments_and_all_that_is_not_changed_stay(folder: Path) -> None:
    board = load_board(folder / "board.toml")
    text = applied(board, plan(folder, PLAN))
    lost = [line for line in board.text.splitlines() if line.startswith("#") and line not in text]
    assert lost == []
    was, now = tomllib.loads(board.text)["parts"], tomllib.loads(text)["parts"]
    touched = {"R31", "R16", "R23", "D3", "U2", "C9", "U5"}
    assert {name: was[name] for name in was if name not in touched} == {
        name: now[name] for name in was if name not in touched
    }


@pytest.mark.parametrize(
    ("line", "hint"),
    [
        ('do = ["R31:valeu=1k"]', "value"),
        ('do = ["R31:open"]', "R31:missing"),
        ('do = ["U5.NRST:pull_up=10k"]', "add"),
        ("mends = []", "do, add, swap or put"),
        ('do = ["U5:dead"]', "value"),
        ('put.part.R1.value = "1k"', "parts"),
    ],
)
def test_a_plan_that_cannot_be_followed_says_what_can(folder: Path, line: str, hint: str) -> None:
    with pytest.raises(FileProblems) as error:
        plan(folder, f'board = "board.toml"\nrevision = "B"\n[[change]]\ntitle = "x"\n{line}\n')
    assert hint in str(error.value)
    assert "revision-b.toml" in str(error.value)


@pytest.mark.parametrize("text", ["R99:value=1k", "U5.NRTS:net=GND", "SDA+SDX:bridge=1k"])
def test_names_that_the_board_has_not_are_refused_at_their_line(folder: Path, text: str) -> None:
    made = plan(folder, f'board = "board.toml"\nrevision = "B"\n[[change]]\ntitle = "x"\ndo = ["{text}"]\n')
    with pytest.raises(FileProblems) as error:
        revised(load_board(folder / "board.toml"), made)
    assert "revision-b.toml" in str(error.value)
    assert error.value.problems[0].line == 5


def test_written_out_the_first_revision_is_only_read(folder: Path) -> None:
    (folder / "wakeboard.db").write_bytes(b"results of A")
    before = {file.name: file.read_bytes() for file in folder.iterdir()}
    made = plan(folder, PLAN)
    write_out(load_board(folder / "board.toml"), made, folder / "b")
    assert {name: (folder / name).read_bytes() for name in before} == before
    assert sorted(file.name for file in (folder / "b").iterdir()) == ["board.toml", "first-power-on.toml"]
    assert load_board(folder / "b" / "board.toml").revision == "B"
    with pytest.raises(FolderInUse):
        write_out(load_board(folder / "board.toml"), made, folder / "b")


def test_the_usual_ways_out_of_skeps_two_flaws() -> None:
    """By hand: 13 kΩ .. 100 kΩ up against R: the reset needs R well below 0.8/(3.3-0.8) of 7 kΩ = 2.2 kΩ."""
    board = load_board(SKEP / "board.toml")
    (pulls,) = mends(board, Concern("phantom-power", True, ("+3V3_SENS",), "", ""))
    assert pulls.do == ("R16.1:net=+3V3_SENS", "R17.1:net=+3V3_SENS")
    (reset,) = mends(board, Concern("weak-pull", True, ("RADIO_RST",), "", ""))
    (word,) = reset.do
    assert word.startswith("R31:value=")
    assert 290 < float(word.partition("=")[2].replace("k", "e3")) < 2240
