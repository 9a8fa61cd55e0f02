"""What two revisions of Skep differ in, and what that mends and breaks, by hand-made revisions."""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path

import pytest

from wakeboard.harness.cli import execute

SKEP = Path(str(resources.files("wakeboard.sequences").joinpath("demo/skep/board.toml")))


def revised(tmp_path: Path, *pairs: tuple[str, str]) -> Path:
    text = SKEP.read_text(encoding="utf-8")
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    file = tmp_path / "board.toml"
    file.write_text(text, encoding="utf-8")
    return file


def test_nothing_changed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    same = revised(tmp_path, ('value = "5k1"', 'value = "5.1 kΩ"'), ("left edge, first pad", "somewhere else"))
    assert execute(["changes", str(SKEP), str(same), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["parts"], told["nets"], told["intent"]) == ([], [], [])
    assert (told["review"]["mended"], told["review"]["new"]) == ([], [])


def test_the_two_designed_in_flaws_are_mended(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pull = 'value = "4k7", tolerance = "1 %", pins = ['
    moved = [(f'{pull}"+3V3", "{net}"]', f'{pull}"+3V3_SENS", "{net}"]') for net in ("SDA", "SCL")]
    weak = 'R31 = { kind = "resistor", value = '
    file = revised(tmp_path, (f'{weak}"47k"', f'{weak}"1k"'), *moved)
    assert execute(["changes", str(SKEP), str(file), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert "R31: value is 1 kΩ, was 47 kΩ" in told["parts"]
    assert "R16.1 is on +3V3_SENS, was on +3V3" in told["nets"]
    mended = {each["rule"] for each in told["review"]["mended"]}
    assert {"weak-pull", "phantom-power"} <= mended
    assert told["review"]["new"] == []


def test_a_change_that_breaks_is_told_and_a_new_name_is_none(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pull = 'value = "10k", tolerance = "1 %", pins = ['
    turned = (f'{pull}"+3V3", "FLASH_CS"]', f'{pull}"GND", "FLASH_CS"]')
    file = revised(tmp_path, ("SCALE_DOUT", "SCALE_DATA"), turned)
    assert execute(["changes", str(SKEP), str(file), "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["nets"] == ["net SCALE_DOUT is now called SCALE_DATA", "R14.1 is on GND, was on +3V3"]
    assert [each["nets"] for each in told["review"]["new"] if each["serious"]] == [["FLASH_CS"]]


def small_board(folder: Path, *, lines_read: bool) -> Path:
    """The board that `new` begins with, and a first power-on that reads its lines or does not."""
    template = resources.files("wakeboard.sequences").joinpath("template")
    folder.mkdir()
    (folder / "board.toml").write_text(template.joinpath("board.toml").read_text(encoding="utf-8"), encoding="utf-8")
    sequence = template.joinpath("first-power-on.toml").read_text(encoding="utf-8")
    step = '[[step]]\ndo = "line"\nof = "every line"\nstate = "boot"\n'
    assert step in sequence
    text = sequence if lines_read else sequence.replace(step, "")
    (folder / "first-power-on.toml").write_text(text, encoding="utf-8")
    return folder / "board.toml"


@pytest.mark.parametrize("forwards", [True, False])
def test_the_rehearsals_of_both_tell_what_is_caught_now_and_what_escapes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], forwards: bool
) -> None:
    """Only the step that reads the lines sees the reset's pull-up: with it the fault is caught, without it not."""
    blind, seeing = small_board(tmp_path / "a", lines_read=False), small_board(tmp_path / "b", lines_read=True)
    old, new = (blind, seeing) if forwards else (seeing, blind)
    assert execute(["changes", str(old), str(new), "--rehearse", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)["rehearsal"]
    gained, lost = told["caught_now"], told["escapes_now"]
    assert "R1:missing" in (gained if forwards else lost)
    assert (lost if forwards else gained) == []
    assert (told["coverage"][1] > told["coverage"][0]) is forwards


def test_a_revision_without_a_sequence_beside_it_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    old, new = small_board(tmp_path / "a", lines_read=True), small_board(tmp_path / "b", lines_read=True)
    (new.parent / "first-power-on.toml").unlink()
    assert execute(["changes", str(old), str(new), "--rehearse"]) == 2
    assert "first-power-on.toml" in capsys.readouterr().err
