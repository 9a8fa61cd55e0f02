"""What a step names is measured, or the step is no pass: a net that no probe reaches would look like a good one."""

from __future__ import annotations

import re
from typing import Any

import pytest

from wakeboard.harness.cli import execute
from wakeboard.harness.describe.files import check_files
from wakeboard.harness.describe.load import load_sequence
from wakeboard.harness.describe.problems import FileProblems
from wakeboard.harness.run.bench.opening import open_virtual
from wakeboard.harness.run.runner import Runner
from wakeboard.harness.run.session import exit_code, run_start, take_unit

ON = '[[step]]\ndo = "resistance"\n[[step]]\ndo = "power on"\nsupply = "USB"\nlimit = "100 mA"\n'
NAMING = {
    "volts": 'do = "volts"\nof = "EN"\nexpect = "1 .. 2 V"',
    "volts of several": 'do = "volts"\nof = ["V33", "EN"]',
    "line": 'do = "line"\nof = "EN"\nstate = "boot"',
    "probe": 'do = "probe"\nof = "EN"',
    "drive": 'do = "drive"\nof = ["EN"]',
    "pin": 'do = "drive"\npin = "U1.GPIO1"\nlevel = "high"\nexpect = "3 .. 3.4 V"',
    "rails": 'do = "rails"\nof = ["VIN"]',
    "back-feed": 'do = "back-feed"\nof = ["VIN"]',
}


def without(toy: Any, *points: str) -> None:
    text = toy.board.read_text(encoding="utf-8")
    for point in points:
        text, found = re.subn(rf"(?m)^{point} = .*\n", "", text)
        assert found == 1
    toy.board.write_text(text, encoding="utf-8")


@pytest.mark.parametrize("named", NAMING.values(), ids=NAMING)
def test_a_step_that_names_a_net_without_a_point_is_refused(toy: Any, named: str) -> None:
    file = toy.steps(f"{ON}[[step]]\n{named}\n")
    assert load_sequence(file)  # with its point
    without(toy, "TP2", "TP4")
    with pytest.raises(FileProblems, match="on which there is no point; allowed: what a probe reaches"):
        load_sequence(file)


def test_an_unpowered_one_too(toy: Any) -> None:
    file = toy.steps('[[step]]\ndo = "resistance"\nof = ["+3V3"]\n')
    without(toy, "TP3")
    with pytest.raises(FileProblems, match="no point"):
        load_sequence(file)


def test_a_supply_is_reached_at_its_connector(toy: Any) -> None:
    without(toy, "TP1", "TP5")
    assert load_sequence(toy.steps(f'{ON}[[step]]\ndo = "volts"\nof = ["USB", "AUX"]\n'))


def test_what_a_group_leaves_out_is_noted(toy: Any) -> None:
    without(toy, "TP2", "TP4")
    file = toy.steps(f'{ON}[[step]]\ndo = "line"\n[[step]]\ndo = "rails"\n')
    checked = check_files([file])[0]
    assert not checked.problems
    told = [str(note) for note in checked.notes]
    assert any('"every line"' in each and "EN" in each for each in told), told
    assert any('"every rail"' in each and "VIN" in each for each in told), told


@pytest.mark.parametrize("named", NAMING.values(), ids=NAMING)
def test_a_bench_that_does_not_reach_what_is_named_is_an_error(
    toy: Any, named: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The board has the point, and this bench no channel for it."""
    sequence = load_sequence(toy.steps(f"{ON}[[step]]\n{named}\n"))
    bench = open_virtual(sequence.board, unit="T-1")
    reached = bench.probing.reaches
    monkeypatch.setattr(bench.probing, "reaches", lambda net: net not in ("EN", "VIN") and reached(net))
    try:
        result = Runner(sequence, bench, run_start(sequence, bench, "T-1")).run()
    finally:
        bench.close()
    assert result.outcome == "error"
    assert exit_code(result) == 3
    last = next(each for each in result.record.steps if each.number == 3)
    assert last.outcome == "error"
    assert [each.of for each in last.readings if each.outcome == "error"] == ["VIN" if "VIN" in named else "EN"]


def test_a_line_that_the_state_gives_no_level_is_skipped_by_name(toy: Any, capsys: pytest.CaptureFixture[str]) -> None:
    text = toy.board.read_text(encoding="utf-8").replace("when = { boot", 'needs = ["AUX"]\nwhen = { boot')
    toy.board.write_text(text, encoding="utf-8")
    file = toy.steps(f'{ON}[[step]]\ndo = "line"\nof = "EN"\n')
    result = take_unit(load_sequence(file), unit="T-1")
    step = result.record.steps[2]
    assert step.outcome == "skipped"
    assert [(each.of, each.outcome) for each in step.readings] == [("EN", "skipped")]
    assert execute(["run", str(file), "--unit", "T-1", "--db", str(toy.board.parent / "w.db")]) == 0
    assert "skipped, and no part of that word: step 3, line: EN" in capsys.readouterr().out
