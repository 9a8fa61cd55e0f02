"""One part for another out of the part book, on a board small enough to say beforehand what has to come out."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from forty import DRAWINGS

from wakeboard.harness.cli import execute
from wakeboard.harness.describe.load import load_board, load_sequence
from wakeboard.harness.revise.swap.counterparts import Pair, counterparts

BOOK = """
[clima-2]
match = ["CLIMA-2*"]
kind = "chip"
price = 0.85
pins = { 1 = "DATA", 2 = "GND", 3 = "INT", 4 = "CLOCK", 5 = "VCC", 6 = "CAP", 7 = "SCL" }
supply = { VCC = { draws = "0.2 mA", above = "1.6 V" } }
max = { voltage = "VOLTS" }
needs = [{ kind = "resistor", value = "10k", pins = ["CAP", "GND"], says = "for its own regulator" }]
[clima-2.io]
DATA = { type = "open_drain", pulls = "none" }
SCL = { type = "input" }
INT = { type = "open_drain" }
"""


@pytest.mark.parametrize(
    ("old", "new", "pairs"),
    [
        ("SDA SCL VDD GND", "SDA SCL VDD GND", "SDA=SDA SCL=SCL VDD=VDD GND=GND"),
        ("VCC VSS MISO MOSI", "VDD GND DO DI", "VCC=VDD VSS=GND MISO=DO MOSI=DI"),
        ("NRST IRQ", "RESET_N INT", "NRST=RESET_N IRQ=INT"),
        ("A0 A1", "A1 A0", "A0=A0 A1=A1"),
        ("VDD", "AVDD DVDD", ""),  # which of two? A person says
        ("RO", "DE", ""),
    ],
)
def test_pins_by_what_they_do(old: str, new: str, pairs: str) -> None:
    found = {f"{each.old}={each.new}" for each in counterparts(old.split(), new.split())}
    assert found == set(pairs.split())


def test_a_pair_says_why() -> None:
    assert counterparts(["CS"], ["NSS"]) == [Pair("CS", "NSS", "both are select")]


def swap(tmp_path: Path, volts: str, capsys: pytest.CaptureFixture[str]) -> tuple[int, dict[str, object]]:
    """U3 of Birch, a sensor on +3V3_S with its data and clock, for the one of the book."""
    board = DRAWINGS[1].board(tmp_path)
    board.write_text(board.read_text(encoding="utf-8") + '\n[points.W1]\nnet = "SCL"\n', encoding="utf-8")
    (tmp_path / "parts").mkdir()
    (tmp_path / "parts" / "own.toml").write_text(BOOK.replace("VOLTS", volts), encoding="utf-8")
    (tmp_path / "bom.csv").write_text('Ref,Value,Unit price\nU3,CLIMA-1,"1,20 €"\n', encoding="utf-8")
    given = ["revise", "swap", str(board), "U3", "CLIMA-2B", "--bom", str(tmp_path / "bom.csv"), "--json"]
    code = execute(given)
    return code, json.loads(capsys.readouterr().out)


def test_what_a_person_would_see_beside_two_data_sheets(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, told = swap(tmp_path, "4 V", capsys)
    assert told["pins"] == {"VDD": "VCC", "GND": "GND", "SDA": "DATA", "SCL": "SCL"}
    assert told["no_counterpart"] == []
    assert told["open"] == ["INT", "CLOCK"]
    says = " | ".join(map(str, told["told"]))  # type: ignore[call-overload]
    assert "R4 (resistor 10k between CAP and GND): for its own regulator" in says
    assert "whether U3.SCL hides a pull: measure it first" in says
    assert "costs 0.35 less a board: 0.85 for 1.2" in says
    assert "maximum" not in says
    assert code in (0, 1)


def test_a_rail_that_it_does_not_stand_breaks(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, told = swap(tmp_path, "2.5 V", capsys)
    assert code == 1
    assert "VCC would be on +3V3_S at 3.3 V, above its maximum of 2.5 V" in told["told"]
    assert [each["effect"] for each in told["changes"]] == ["breaks"]  # type: ignore[attr-defined]


def test_the_silence_of_a_data_sheet_becomes_a_sequence_that_runs(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from wakeboard.harness.run.session import take_unit

    swap(tmp_path, "4 V", capsys)
    assert execute(["revise", "write", str(tmp_path / "revision-b.toml"), str(tmp_path / "b")]) == 0
    board = load_board(tmp_path / "b" / "board.toml")
    assert board.parts["R4"].pins == {"1": "U3_CAP", "2": "GND"}
    run = take_unit(load_sequence(tmp_path / "b" / "measure-U3.toml"), unit="1")
    assert [step.kind for step in run.record.steps] == ["resistance", "resistance", "power on", "line", "power off"]
    assert run.record.outputs_off


def test_nets_that_only_the_old_part_had_go_with_their_parts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Of Gorse's processor no pin is left: its divider R1, R2 leads nowhere then."""
    board = DRAWINGS[6].board(tmp_path)
    assert execute(["revise", "swap", str(board), "U2", "single-gate-5", "--json"]) in (0, 1)
    told = json.loads(capsys.readouterr().out)
    assert told["no_counterpart"] == ["U2.ADC"]
    goes = {text.split()[1] for text in told["told"] if text.startswith("goes: ")}
    assert goes == {"R1", "R2"}


def test_an_unknown_entry_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    board = DRAWINGS[6].board(tmp_path)
    assert execute(["revise", "swap", str(board), "U2", "single-gat-5"]) == 2
    assert "single-gate-5" in capsys.readouterr().err
    assert not (tmp_path / "revision-b.toml").exists()
