"""The ledger's commands as typed: unit, rework, finding, export, push.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import junitparser
import pandas as pd
import pytest

from wakeboard.harness.cli import execute
from wakeboard.results.records import Reading, RunStart, Step
from wakeboard.results.store.store import Store

BOARD = """
[board]
name = "Tiny"
revision = "A"

[supplies.USB]
net = "VUSB"
volts = "5 V"
range = "4.40 .. 5.25 V"
budget = "500 mA"

[parts]
R1 = { kind = "resistor", value = "1k", tolerance = "1 %", pins = ["VUSB", "MID"] }
R2 = { kind = "resistor", value = "2k", tolerance = "1 %", pins = ["MID", "GND"] }
"""


class Shell:
    """Types commands in a folder and reads what they say."""

    def __init__(self, capsys: pytest.CaptureFixture[str], db: Path) -> None:
        self.capsys, self.db = capsys, db

    def __call__(self, *words: str) -> tuple[int, str, str]:
        code = execute([*words, "--db", str(self.db)])
        said = self.capsys.readouterr()
        return code, said.out, said.err

    def json(self, *words: str) -> Any:
        code, out, err = self(*words, "--json")
        assert code == 0, err
        return json.loads(out)


@pytest.fixture
def shell(tmp_path: Path, capsys: pytest.CaptureFixture[str], make_start: Callable[..., RunStart]) -> Shell:
    """A store with one failed run of unit 004 of a board with two resistors."""
    db = tmp_path / "wakeboard.db"
    with Store.open(db) as store:
        run = store.begin_run(make_start(board_name="Tiny", board_text=BOARD))
        reading = Reading(
            "MID", "dc volts", 2.5, "V", 0.001, 3.2, 3.4, "fail", "USB=5V@120mA", "meter", 10.0, 1.0, "board"
        )
        store.commit_step(run, Step(1, "rails", "rails", "fail", 0.0, 1.0, [reading]))
        store.end_run(run, "fail", outputs_off=True)
    return Shell(capsys, db)


def test_rework_from_entry_to_undoing(shell: Shell) -> None:
    code, out, _ = shell("rework", "004", "R2 doubled", "--fault", "R2:value=4k", "--by", "mel")
    assert code == 0
    assert "1. " in out
    assert "R2:value=4k" in out
    assert shell.json("unit", "004")["rework"][0]["faults"] == ["R2:value=4k"]
    assert shell.json("unit")["units"][0]["rework"] == ["R2 doubled"]
    code, out, _ = shell("rework", "004", "--undo", "1")
    assert code == 0
    assert "undone" in out
    assert shell.json("unit")["units"][0]["rework"] == []
    assert len(shell.json("rework", "004")["rework"]) == 1


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["rework", "04", "x"], "no unit '04'; known: 004"),
        (["rework", "004", "x", "--fault", "R9:open"], "R9"),
        (["rework", "004", "x", "--fault", "rubbish"], "rubbish"),
        (["rework", "004", "--fault", "R2:open"], "say what was done"),
        (["rework", "004", "--undo", "1", "--fault", "R2:open"], "takes no --fault"),
        (["rework", "004", "--undo", "3"], "no rework 3"),
        (["finding", "show", "1"], "no finding 1; known: none yet"),
        (["finding", "add", "odd", "--evidence", "latest/1/MIDD"], "known: MID"),
        (["finding", "add", "odd", "--evidence", "latest/4"], "no step 4"),
        (["finding", "add", "odd", "--evidence", "zz"], "no run 'zz'"),
        (["unit", "--note", "x"], "say which unit"),
        (["export"], "say what to write"),
        (["export", "--csv", "/no/such/folder/x.csv"], "cannot be written"),
        (["export", "--spice", "x.cir", "--state", "MAINS=230V@10A"], "no supply MAINS"),
        (["push", "sqlite:///x.db"], "is no server"),
    ],
)
def test_what_is_wrong_is_said_once_with_exit_code_2(shell: Shell, words: list[str], says: str) -> None:
    code, _, err = shell(*words)
    assert code == 2, err
    assert says in err
    assert "Traceback" not in err
    assert shell.json("finding", "list") == {"findings": []}
    assert shell.json("rework", "004")["rework"] == []


def test_absent_store_is_not_made(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shell = Shell(capsys, tmp_path / "none.db")
    code, _, err = shell("unit")
    assert code == 2
    assert "no results yet" in err
    assert not shell.db.exists()


def test_finding_from_sight_to_revision_list(shell: Shell, tmp_path: Path) -> None:
    found = shell.json("finding", "add", "MID is low", "--evidence", "latest/1/MID", "--by", "mel")
    assert (found["number"], found["board"], found["state"]) == (1, "Tiny", "open")
    assert found["evidence"][0]["position"] == 0
    assert (
        shell.json("finding", "explain", "1", "R2 is half", "--fault", "R2:value=1k", "--cause", "part")["cause"]
        == "part"
    )
    shell("finding", "mend", "1", "2 kΩ fitted")
    shell("finding", "carry", "1", "buy from elsewhere", "--revision", "B")
    shell("finding", "evidence", "1", "latest")
    shown = shell.json("finding", "show", "1")
    assert [event["state"] for event in shown["events"]] == ["explained", "mended", "carried"]
    assert len(shown["evidence"]) == 2
    assert [f["number"] for f in shell.json("finding", "list", "--state", "carried")["findings"]] == [1]
    path = tmp_path / "b.md"
    assert shell("finding", "revision", "-o", str(path))[0] == 0
    assert "- **Change:** buy from elsewhere (revision B)" in path.read_text(encoding="utf-8")
    assert shell("finding", "reopen", "1")[0] == 0
    assert shell.json("finding", "list", "--state", "carried")["findings"] == []


def test_history_and_notes(shell: Shell) -> None:
    assert shell("unit", "004", "--note", "smelled warm", "--by", "mel")[0] == 0
    told = shell.json("unit", "004")
    assert [event["kind"] for event in told["history"]] == ["run", "note"]
    code, out, _ = shell("unit", "004")
    assert code == 0
    assert "First power-on: failed. step 1 rails: MID 2.5 V (allowed 3.2 V .. 3.4 V)" in " ".join(out.split())
    code, out, _ = shell("unit")
    assert "004" in out


def test_unit_before_its_first_run(shell: Shell) -> None:
    assert shell("unit", "005", "--new")[0] == 0
    assert shell("rework", "005", "R1 lifted before power", "--fault", "R1:missing")[0] == 0
    assert [unit["runs"] for unit in shell.json("unit")["units"]] == [1, 0]


def test_exports(shell: Shell, tmp_path: Path) -> None:
    names = {kind: str(tmp_path / f"r.{kind}") for kind in ("csv", "parquet", "junit", "spice")}
    words = [word for kind, name in names.items() for word in (f"--{kind}", name)]
    told = shell.json("export", *words, "--state", "USB=5V@120mA")
    assert {kind: told[kind]["file"] for kind in names} == names
    assert pd.read_csv(names["csv"])["value"].tolist() == [2.5]
    assert pd.read_parquet(names["parquet"])["of"].tolist() == ["MID"]
    assert junitparser.JUnitXml.fromfile(names["junit"]).failures == 1
    assert "Tiny revision A, USB=5V@120mA" in Path(names["spice"]).read_text(encoding="utf-8")
    told = shell.json("export", "--junit", names["junit"], "--run", "latest", "--latest")
    assert told["junit"]["rows"] == 1


def test_a_reworked_units_netlist_differs(shell: Shell, tmp_path: Path) -> None:
    shell("rework", "004", "R2 doubled", "--fault", "R2:value=4k")
    for name, unit in (("drawn", []), ("reworked", ["--unit", "004"])):
        assert shell("export", "--spice", str(tmp_path / name), *unit)[0] == 0
    drawn, reworked = ((tmp_path / name).read_text(encoding="utf-8") for name in ("drawn", "reworked"))
    lines = [{line.split()[0]: line for line in text.splitlines() if line} for text in (drawn, reworked)]
    changed = {name for name, line in lines[0].items() if lines[1].get(name) != line}
    assert any("R2" in name for name in changed), (drawn, reworked)
    assert not any("R1" in name for name in changed)


@pytest.mark.postgres
def test_push_and_verify(shell: Shell, server: str) -> None:
    told = shell.json("push", server, "--verify")
    assert (told["runs"], told["readings"], told["equal"]) == (1, 1, True)
    assert shell.json("push", server)["runs"] == 0


def test_every_command_leads_with_examples(capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["unit"], ["rework"], ["finding"], ["export"], ["push"], ["finding", "add"], ["finding", "carry"]):
        assert execute([*words, "--help"]) == 0
        out = capsys.readouterr().out
        assert out.index("Examples:") < out.index("Options:")
        assert f"wakeboard {words[0]}" in out
