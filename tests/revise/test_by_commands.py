"""From what a unit showed to a revision whose review is clean, by the commands that harness/revise/revise.md prints."""

from __future__ import annotations

import importlib
import shutil
import sys
from pathlib import Path
from typing import Any

import pytest

from wakeboard.harness.cli import execute
from wakeboard.harness.describe.load import load_board
from wakeboard.harness.revise.judging import MENDS, judge
from wakeboard.harness.revise.plan import Change, Plan

SKEP = Path(__file__).parents[2] / "sequences" / "demo" / "skep"
LOOK = """
title = "First look"
board = "board.toml"
[[step]]
do = "power on"
supply = "USB"
limit = "120 mA"
ramp = "0.5 V every 20 ms"
why = "a test: the short check costs time and tells nothing here"
[[step]]
do = "back-feed"
expect = "< 0.3 V"
[[step]]
do = "line"
of = ["RADIO_RST"]
second_load = "always"
[[step]]
do = "power off"
"""


def said(capsys: Any, *arguments: str, code: int = 0) -> str:
    """What a command says, its lines joined."""
    assert execute([*arguments, "--no-input"]) == code, capsys.readouterr()
    return " ".join(capsys.readouterr().out.split())


def test_skeps_two_flaws_lead_to_a_revision_without_a_concern(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any
) -> None:
    for name in ("board.toml", "units.toml"):
        shutil.copy(SKEP / name, tmp_path / name)
    (tmp_path / "look.toml").write_text(LOOK, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    kept = (tmp_path / "board.toml").read_bytes()
    said(capsys, "run", "look.toml", "--unit", "SK-A-005", code=1)
    said(capsys, "finding", "add", "the radio pulls its reset up", "--evidence", "latest/3/RADIO_RST")
    said(capsys, "finding", "add", "the sensor rail is fed while it is off", "--evidence", "latest/2/+3V3_SENS")
    cause = ("--cause", "design")
    said(capsys, "finding", "explain", "1", "the radio pulls it up", "--fault", "U5.NRST:pull_up=13k", *cause)
    said(capsys, "finding", "explain", "2", "the bus is pulled up to the rail that is always on", *cause)
    drafted = said(capsys, "revise", "draft", "board.toml", "--to", "B")
    assert "R31:" in drafted
    assert "R16 and R17: from +3V3 to +3V3_SENS (finding 2)" in drafted
    told = said(capsys, "revise", "judge", "revision-b.toml", "--no-rehearsal")
    assert "mends undefined-level RADIO_RST" in told
    assert "mends phantom-power +3V3_SENS" in told
    assert "The review of the new revision raises nothing." in told
    said(capsys, "revise", "write", "revision-b.toml", "rev-b")
    assert "no concern in any state solved" in said(capsys, "review", "rev-b/board.toml")
    assert (tmp_path / "board.toml").read_bytes() == kept


def test_a_lock_out_is_mended_by_one_change(tmp_path: Path) -> None:
    sys.path.insert(0, str(Path(__file__).parents[1] / "review"))
    locked = importlib.import_module("test_locked_out")
    file = tmp_path / "board.toml"
    file.write_text('[board]\nname = "Locked"\nrevision = "A"\n' + locked.drawn(), encoding="utf-8")
    button = {"SW9": {"kind": "button", "pins": ["NRST", "GND"]}}
    plan = Plan(board="board.toml", revision="B", change=[Change(title="a button on reset", add=button)])
    found = judge(load_board(file), plan)
    assert [(each.rule, each.nets) for each in found.mended] == [("locked-out", ("NRST", "SEL"))]
    assert [(each.effect, each.says) for each in found.verdicts] == [(MENDS, "")]
    assert found.new == []
