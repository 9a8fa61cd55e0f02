"""Skep's own netlist, written by export, makes Skep again."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import pytest

from wakeboard.harness.cli import execute
from wakeboard.harness.describe.load import load_board
from wakeboard.harness.drawings.boardfile.export import drawing_of


def test_skep_makes_skep_again(tmp_path: Path) -> None:
    skep = Path(str(resources.files("wakeboard.sequences").joinpath("demo/skep/board.toml")))
    folder = tmp_path / "again"
    assert execute(["export", "--drawing", str(folder), "--board", str(skep)]) == 0
    made = ["--netlist", str(folder / "netlist.ipc"), "--bom", str(folder / "bom.csv")]
    assert execute(["new", str(folder), *made]) == 0
    first, again = load_board(skep), load_board(folder / "board.toml")
    assert set(again.parts) == set(first.parts)
    for name, part in first.parts.items():
        new = again.parts[name]
        assert (new.kind, dict(new.pins)) == (part.kind, dict(part.pins)), name
        assert {**new.values, "value": 0} == {**part.values, "value": 0}, name
        assert new.values.get("value") == pytest.approx(part.values.get("value")), name
        assert new.tolerance == pytest.approx(part.tolerance), name
        assert new.ratings == pytest.approx(part.ratings), name
    assert again.ground == first.ground
    points = {name: point.net for name, point in first.points.items() if name.startswith("TP")}
    assert {name: again.points[name].net for name in points} == points
    assert {supply.net for supply in again.supplies.values()} == {"VUSB"}, "a cell and a panel have no voltage by name"


def test_long_net_names_come_back(tmp_path: Path) -> None:
    from wakeboard.harness.drawings.readers import read
    from wakeboard.harness.drawings.source import from_bytes

    skep = Path(str(resources.files("wakeboard.sequences").joinpath("demo/skep/board.toml")))
    file = tmp_path / "board.toml"
    file.write_text(skep.read_text(encoding="utf-8").replace("RADIO_IRQ", "RADIO_INTERRUPT_REQUEST"), encoding="utf-8")
    text = drawing_of(load_board(file))["netlist.ipc"]
    assert "RADIO_INTERRUPT_REQUEST" in read(from_bytes("n", text.encode())).nets()
