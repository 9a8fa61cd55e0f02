"""The demo board: its two designed-in flaws, nothing else, and nothing once they are mended in the file."""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path

import pytest
from click.testing import CliRunner

from wakeboard.harness.cli.review import command
from wakeboard.harness.describe.load import load_board
from wakeboard.harness.review.review import review_board


@pytest.fixture(scope="module")
def skep_text() -> str:
    return resources.files("wakeboard.sequences").joinpath("demo", "skep", "board.toml").read_text(encoding="utf-8")


def test_review_of_skep_shows_its_two_flaws_and_nothing_else(tmp_path: Path, skep_text: str) -> None:
    file = tmp_path / "board.toml"
    file.write_text(skep_text, encoding="utf-8")
    result = CliRunner().invoke(command, [str(file), "--json"], standalone_mode=False)
    assert result.return_value == 1
    concerns = json.loads(result.stdout)["concerns"]
    assert [(c["rule"], c["nets"], c["path"]) for c in concerns] == [
        ("phantom-power", ["+3V3_SENS"], ["R16", "U8"]),
        ("weak-pull", ["RADIO_RST"], ["U5"]),
    ]
    assert "7 kΩ .. 100 kΩ" in concerns[1]["says"]  # a radio's, though it drives a line too: the target is U1


def test_mending_the_flaws_in_the_file_clears_them(tmp_path: Path, skep_text: str) -> None:
    mended = skep_text
    for old, new in (
        ('R16 = { kind = "resistor", value = "4k7", tolerance = "1 %", pins = ["+3V3", "SDA"] }',
         'R16 = { kind = "resistor", value = "4k7", tolerance = "1 %", pins = ["+3V3_SENS", "SDA"] }'),
        ('R17 = { kind = "resistor", value = "4k7", tolerance = "1 %", pins = ["+3V3", "SCL"] }',
         'R17 = { kind = "resistor", value = "4k7", tolerance = "1 %", pins = ["+3V3_SENS", "SCL"] }'),
        ('R31 = { kind = "resistor", value = "47k"', 'R31 = { kind = "resistor", value = "2k2"'),
    ):  # fmt: skip
        assert old in mended
        mended = mended.replace(old, new)
    file = tmp_path / "board.toml"
    file.write_text(mended, encoding="utf-8")
    assert review_board(load_board(str(file))) == []
