"""What units teach of a type of part: told, and written into the board file after asking; and which parts are rough."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from wakeboard.harness.cli import execute
from wakeboard.harness.describe.board import spreads
from wakeboard.harness.describe.board.board import Board
from wakeboard.harness.describe.board.circuit import board_circuit, supply_nets
from wakeboard.harness.describe.board.parts import nested_schema
from wakeboard.harness.describe.load import board_of
from wakeboard.harness.describe.state import BenchState
from wakeboard.harness.describe.toml.document import read_text
from wakeboard.harness.explain.evidence.observe import VOLTS, Observation
from wakeboard.harness.explain.evidence.predict import Change, Predictor
from wakeboard.harness.explain.evidence.rough_parts import rough_parts
from wakeboard.instruments.virtual.circuit.parts import kinds
from wakeboard.results.records import Reading, RunRecord
from wakeboard.results.store.store import Store

MORE = 2.5e-3


def parse_board(text: str) -> Board:
    document = read_text(text, "board.toml")
    board = board_of(document)
    assert board is not None
    assert not document.problems, document.problems
    return board


def keep(store: Store, run: RunRecord, text: str) -> None:
    run_id = store.begin_run(replace(run.start, board_text=text))
    for step in run.steps:
        store.commit_step(run_id, step)
    store.end_run(run_id, "fail", outputs_off=True, energised_s=1.0, trip=None)


def draws_more(readings: list[Reading]) -> None:
    """A chip of another make: 2.5 mA more in every unit."""
    for k, reading in enumerate(readings):
        if reading.quantity == "current":
            readings[k] = replace(reading, value=reading.value + MORE)


@pytest.fixture
def text(board_text: str) -> str:
    """A drawing that does not say how sure a chip's current is."""
    return board_text.replace('"8 mA ± 25 %"', '"8 mA"').replace('"1 mA ± 25 %"', '"1 mA ± 5 %"')


@pytest.fixture
def folder(tmp_path: Path, text: str, make_run: Callable[..., RunRecord]) -> Path:
    (tmp_path / "board.toml").write_text(text, encoding="utf-8")
    with Store.open(tmp_path / "wakeboard.db") as store:
        for k in range(4):
            keep(store, make_run(unit=f"W{k}", seed=3 + k, edit=draws_more), text)
    return tmp_path


def told(capsys: pytest.CaptureFixture[str]) -> dict[str, object]:
    return json.loads(capsys.readouterr().out)


def test_what_all_units_draw_is_learnt_of_the_chip(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert execute(["learnt", str(folder / "board.toml"), "--json"]) == 0
    found = told(capsys)
    assert found["units"] == ["W0", "W1", "W2", "W3"]
    (draws,) = [v for v in found["learnt"] if v["value"] == "U1.VDD.draws"]
    # by hand: a linear regulator passes current on; of the mean of what the supply gave, 1 mA is U3's, 60 µA the
    # regulator's own
    with Store.open(folder / "wakeboard.db") as store:
        runs = [store.run(each.id) for each in store.runs()]
    given = [r.value for run in runs for _, r in run.readings() if r.quantity == "current" and r.value is not None]
    assert draws["learnt"] == pytest.approx(sum(given) / 4 - 1.06e-3, abs=2 * draws["u"])
    assert draws["u"] < 0.2 * MORE


def test_it_is_written_after_asking_alone(folder: Path, text: str, capsys: pytest.CaptureFixture[str]) -> None:
    file = folder / "board.toml"
    assert execute(["learnt", str(file), "--write"]) == 2  # nobody is here to be asked
    assert file.read_text(encoding="utf-8") == text
    capsys.readouterr()
    assert execute(["learnt", str(file), "--write", "--yes"]) == 0
    after = file.read_text(encoding="utf-8")
    old, new = text.splitlines(), after.splitlines()
    assert [k for k, (a, b) in enumerate(zip(old, new, strict=True)) if a != b] == [
        k for k, line in enumerate(old) if "8 mA" in line
    ]
    board = parse_board(after)
    assert float(board.parts["U1"].values["supply"]["VDD"]["draws"]) > 10e-3
    assert execute(["check", str(file)]) == 0
    capsys.readouterr()
    # the runs were made with the older file: units are measured anew before they teach this one
    assert execute(["learnt", str(file)]) == 2
    assert "0 of its units" in capsys.readouterr().err


def test_units_that_are_as_drawn_teach_nothing_else(
    tmp_path: Path, board_file: Path, board_text: str, make_run: Callable[..., RunRecord],
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    with Store.open(tmp_path / "wakeboard.db") as store:
        for k in range(4):
            keep(store, make_run(unit=f"W{k}", seed=3 + k), board_text)
    assert execute(["learnt", str(board_file), "--write", "--yes", "--json"]) == 0
    assert told(capsys)["learnt"] == []
    assert board_file.read_text(encoding="utf-8") == board_text


FLOATING = """
[board]
name = "Tit"
revision = "A"

[supplies.IN]
net = "VIN"
volts = "5 V"

[supplies.AUX]
net = "VAUX"
volts = "5 V"

[lines.SENSE]
net = "SENSE"
levels = "lvcmos-3v3"

[parts]
D1 = { kind = "schottky", drop = "0.60 V", at = "1 A", pins = { A = "SENSE", K = "VIN" }LEAK }
R1 = { kind = "resistor", value = "100k", tolerance = "1 %", pins = ["SENSE", "GND"] }
R2 = { kind = "resistor", value = "10k", tolerance = "1 %", pins = ["VAUX", "GND"] }
"""


def test_a_diodes_reverse_leakage_makes_a_weak_net_rough() -> None:
    # by hand: 4 µA (spreads.toml, of data sheets of the BAT54 and SS14) through 100 kΩ beside the meter's 10 MΩ
    (found,) = rough_parts(parse_board(FLOATING.replace("LEAK", "")))
    assert (found.part, found.net, found.keys) == ("D1", "SENSE", ("leak",))
    assert found.volts == pytest.approx(4e-6 / (1 / 100e3 + 1 / 10e6), rel=0.02)
    assert found.state.startswith("IN=5V")


def test_a_part_that_states_it_is_not_rough() -> None:
    assert rough_parts(parse_board(FLOATING.replace("LEAK", ', leak = "< 50 nA"'))) == []


def test_check_says_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "board.toml"
    file.write_text(FLOATING.replace("LEAK", ""), encoding="utf-8")
    assert execute(["check", str(file)]) == 0
    assert "rough: D1: reverse leakage may move SENSE by 400 mV [IN=5V@500mA]" in capsys.readouterr().out
    assert execute(["check", "--json", str(file)]) == 0
    assert told(capsys)["files"][0]["rough"][0]["narrowed_by"] == ["leak"]


@pytest.mark.parametrize(("leak", "volts"), [("20 µA", 2.0), ("< 20 µA", 1.0), ("200 µA", 5.0)])
def test_a_stated_leakage_flows(leak: str, volts: float) -> None:
    # Ohm's law: 20 µA, or the middle of the range, through 100 kΩ; never above the supply that it comes from
    board = parse_board(FLOATING.replace("LEAK", f', leak = "{leak}"'))
    circuit, supplies = board_circuit(board), supply_nets(board)
    seen = Observation("SENSE", VOLTS, BenchState({"IN": (5.0, 0.1)}), 0.0, 1.0, 0, Reading("", VOLTS, None, "V"))
    (found,) = Predictor(circuit, supplies, [seen]).predict([Change()], exact=True)
    assert found == pytest.approx([volts], rel=0.02)


def test_every_key_that_is_said_to_narrow_can_be_stated() -> None:
    for kind, entries in spreads.table().items():
        for name, entry in entries.items():
            if isinstance(entry, dict) and "key" in entry:
                known = nested_schema(entry["each"]) if "each" in entry else kinds()[kind].values
                others = {} if "each" in entry else kinds()[kind].synonyms
                of_the_main_value = entry["key"] == "tolerance" and kinds()[kind].main == name
                assert entry["key"] in known or entry["key"] in others or of_the_main_value, (kind, name)
