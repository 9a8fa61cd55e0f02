"""What `wakeboard explain` says where it cannot explain, or not as it was asked: one clear sentence, exit 2."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from wakeboard.harness.cli import execute
from wakeboard.results.records import Rework, RunRecord, RunStart
from wakeboard.results.store.store import Store

RunMaker = Callable[..., RunRecord]


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[RunRecord], str]:
    """kept(run) -> the id under which it is in wakeboard.db of the working directory."""
    monkeypatch.chdir(tmp_path)

    def keep(run: RunRecord) -> str:
        with Store.open(tmp_path / "wakeboard.db") as store:
            key = store.begin_run(run.start)
            for step in run.steps:
                store.commit_step(key, step)
            store.end_run(key, "fail", outputs_off=True, energised_s=1.0)
            return key

    return keep


def refused(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    """What is said on standard error; nothing else is, and the exit code is 2."""
    assert execute(["explain", *arguments]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert "Traceback" not in told.err
    assert "unexpected" not in told.err
    return " ".join(told.err.split())


def without_parts(board_text: str) -> str:
    bare = board_text[: board_text.index("[parts]")]
    for pin in ("GPIO1", "GPIO2"):
        bare = bare.replace(f'driven_by = "U1.{pin}"\n', "")
    return bare.replace('levels = "lvcmos-3v3"', 'levels = "lvcmos-3v3"\nrail = "V33"')


def test_no_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(tmp_path)
    assert "wakeboard.db" in refused(capsys)
    assert list(tmp_path.iterdir()) == []


def test_a_store_without_a_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any) -> None:
    monkeypatch.chdir(tmp_path)
    Store.open(tmp_path / "wakeboard.db").close()
    assert "holds no run yet" in refused(capsys)


@pytest.mark.parametrize(("ref", "says"), [("ffff", "no run 'ffff'"), ("no id!", "no run"), ("", "has no readings")])
def test_an_unknown_run(kept: Any, make_run: RunMaker, capsys: Any, ref: str, says: str) -> None:
    kept(dataclasses.replace(make_run(), steps=()))
    assert says in refused(capsys, *([ref] if ref else []))


def test_a_run_whose_readings_say_nothing_to_a_circuit(kept: Any, make_run: RunMaker, capsys: Any) -> None:
    run = make_run()
    only = [step for step in run.steps if step.readings[0].quantity == "dc volts"][:1]
    silent = dataclasses.replace(only[0], readings=[dataclasses.replace(only[0].readings[0], quantity="frequency")])
    kept(dataclasses.replace(run, steps=[silent]))
    assert "no reading that a circuit can be held against" in refused(capsys)


def test_a_run_without_a_circuit_has_its_lines_and_nothing_more(
    kept: Any, make_run: RunMaker, board_text: str, capsys: Any
) -> None:
    run = make_run(["U3.NRST:pull_up=13k"])
    kept(dataclasses.replace(run, start=RunStart("W1", "Wren", "A", without_parts(board_text), "t", "")))
    assert execute(["explain"]) == 0
    shown = capsys.readouterr().out
    assert "has no [parts], so no fault can be ranked" in shown
    assert "RST" in shown
    assert "without a circuit nothing says what to measure next" in refused(capsys, "--ask", "--virtual")
    assert "has no [parts]" in refused(capsys, "--reference", "W0")


def test_a_board_edited_since_is_said_and_the_runs_own_copy_is_used(
    kept: Any, make_run: RunMaker, board_file: Path, board_text: str, capsys: Any
) -> None:
    kept(make_run(["R2:missing"]))
    board_file.write_text(board_text.replace('value = "10k"', 'value = "22k"'), encoding="utf-8")
    assert execute(["explain", "--board", str(board_file)]) == 0
    shown = capsys.readouterr().out
    assert "was edited after this run: the run's own copy (revision A) is used" in shown
    assert "R2" in shown.split("\n\n")[1]


def test_a_board_edited_into_nonsense_is_told_with_its_line(
    kept: Any, make_run: RunMaker, board_file: Path, board_text: str, capsys: Any
) -> None:
    kept(make_run())
    board_file.write_text(board_text.replace('volts = "5 V"', 'volts = "5 ducks"'), encoding="utf-8")
    line = board_text.split("\n").index('volts = "5 V"') + 1
    told = refused(capsys, "--board", str(board_file))
    assert "5 ducks" in told
    assert f"{board_file.name}:{line}" in told


def test_a_runs_copy_that_can_no_longer_be_read(kept: Any, make_run: RunMaker, board_text: str, capsys: Any) -> None:
    run = make_run()
    spoilt = dataclasses.replace(run.start, board_text=board_text.replace('"10k"', '"ten"', 1))
    kept(dataclasses.replace(run, start=spoilt))
    assert "its copy of the board file cannot be read" in refused(capsys)


def test_rework_that_its_board_cannot_have(kept: Any, make_run: RunMaker, capsys: Any, tmp_path: Path) -> None:
    from wakeboard.results.ledger.ledger import Ledger

    kept(make_run())
    with Store.open(tmp_path / "wakeboard.db") as store:
        Ledger(store).add_rework("W1", "off", ["R99:missing"], board="Wren")
    run = make_run(seed=4)
    kept(dataclasses.replace(run, rework=(Rework("off", ("R99:missing",)),)))
    assert "does not fit its board" in refused(capsys)


def test_a_reference_that_was_never_run_or_is_the_unit_itself(kept: Any, make_run: RunMaker, capsys: Any) -> None:
    other = make_run(seed=4)
    kept(
        dataclasses.replace(
            other, start=dataclasses.replace(other.start, unit="W7", board_text=other.start.board_text + "\n")
        )
    )
    kept(make_run(["R2:missing"]))
    assert "the reference unit W7 has no run with this board file" in refused(capsys, "--reference", "W7")
    assert "no run 'W77', nor a unit of that name; near to it: W7" in refused(capsys, "--reference", "W77")
    assert "of the reference unit W1 itself" in refused(capsys, "--reference", "W1")
