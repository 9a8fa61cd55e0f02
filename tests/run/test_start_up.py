"""The step "start-up": Skep's rails and reset as they come up, seen by a virtual oscilloscope.

The reset's time is the handbook's of an RC, ln 2 of its time constant to half; the limits are the test's own.
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path
from typing import Any

import pytest

from wakeboard.harness.cli.virtual import bench_toml
from wakeboard.harness.describe.load import load_bench, load_sequence
from wakeboard.harness.describe.problems import FileProblems
from wakeboard.harness.rehearse.direct import Facts, open_direct
from wakeboard.harness.run.bench.opening import open_virtual
from wakeboard.harness.run.bench.virtual import prepare_board, virtual_bench
from wakeboard.harness.run.runner import Runner
from wakeboard.harness.run.session import take_unit
from wakeboard.instruments.virtual.wire.server import running
from wakeboard.results.records import RunStart
from wakeboard.results.report.render import render_run
from wakeboard.results.store.store import Store

SKEP = Path(__file__).parents[2] / "sequences" / "demo" / "skep"
SEES = {1: "VUSB", 2: "VSYS", 3: "+3V3", 4: "MCU_RST"}
STEPS = """
title = "Start-up"
board = "board.toml"

[[step]]
do = "resistance"
of = "USB"
expect = "> 20 kΩ"

[[step]]
do = "start-up"
supply = "USB"
limit = "120 mA"
order = ["V33", "MCU_RST"]
within = { MCU_RST = "2.4 ms .. 3.3 ms" }
overshoot = "10 %"
ripple = "< 0.4 V"

[[step]]
do = "power off"
supply = "USB"
"""


@pytest.fixture(scope="module")
def skep(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("skep")
    shutil.copy(SKEP / "board.toml", folder / "board.toml")
    (folder / "steps.toml").write_text(STEPS, encoding="utf-8")
    sequence = load_sequence(folder / "steps.toml")
    return folder, sequence, prepare_board(sequence.board)


def in_process(skep: Any, *plants: str, scope: str = "dsox3034a", miswired: str = "") -> Any:
    _, sequence, prepared = skep
    board = sequence.board
    start = RunStart("SK-A-001", board.name, board.revision, board.text, "t", "t", virtual=True)
    sees = SEES if scope else None
    with open_virtual(board, unit="SK-A-001", plants=plants, prepared=prepared, scope=scope, sees=sees) as bench:
        if miswired:
            bench.virtual.instruments["scope"].scope.channels[1].net = miswired
        return Runner(sequence, bench, start).run()


def start_up(result: Any) -> Any:
    return next(step for step in result.record.steps if step.kind == "start-up")


def reading(result: Any, of: str, quantity: str = "start-up time") -> Any:
    return next(each for each in start_up(result).readings if (each.of, each.quantity) == (of, quantity))


@pytest.mark.parametrize("face", ["ds1054z", "sds1204x-e"])
def test_a_good_unit_comes_up_in_order(skep: Any, face: str) -> None:
    result = in_process(skep, scope=face)
    assert result.record.outcome == "pass", result.record.says
    assert result.record.outputs_off
    assert reading(result, "MCU_RST", "after V33").outcome == "pass"
    assert reading(result, "+3V3").u < 1e-3
    assert {"+3V3", "MCU_RST", "VUSB"} <= set(start_up(result).detail["waves"])
    assert start_up(result).trace is not None  # the guard watched, as at any power-on


def test_a_wrong_capacitor_shows_at_the_oscilloscope_and_at_no_meter(skep: Any) -> None:
    result = in_process(skep, "C10:value=4.7u")
    assert result.record.outcome == "fail"
    odd = [(each.of, each.quantity) for step in result.record.steps for each in step.readings if each.outcome == "fail"]
    assert odd == [("MCU_RST", "start-up time")]
    assert reading(result, "MCU_RST").value > 10e-3


def test_the_time_is_the_rehearsals(skep: Any) -> None:
    """In process the guard polls the supply meanwhile, through its language; a rehearsal has neither. The rise is the
    same: what the one says within limits is so in the other."""
    _, sequence, _ = skep
    board = sequence.board
    virtual = virtual_bench(board, unit="SK-A-001", prepared=skep[2], transients=False)
    start = RunStart("SK-A-001", board.name, board.revision, board.text, "t", "t", virtual=True)
    with open_direct(board, virtual, Facts.of(virtual)) as bench:
        told = reading(Runner(sequence, bench, start).run(), "MCU_RST")
    seen = reading(in_process(skep), "MCU_RST")
    assert seen.value == pytest.approx(told.value, abs=2 * (seen.u + told.u))


def test_a_dead_rail_fails_and_says_so(skep: Any) -> None:
    result = in_process(skep, "U2:dead")
    assert reading(result, "+3V3").outcome == "fail"
    assert "does not rise" in reading(result, "+3V3").says
    assert result.record.outputs_off


def test_the_guard_cuts_a_short_while_the_oscilloscope_watches(skep: Any) -> None:
    unchecked = (
        STEPS.split("[[step]]")[0] + "[[step]]" + STEPS.split("[[step]]")[2] + 'why = "the test is of the guard"'
    )
    (skep[0] / "unchecked.toml").write_text(unchecked, encoding="utf-8")
    result = in_process((skep[0], load_sequence(skep[0] / "unchecked.toml"), skep[2]), "VSYS+GND:bridge=2")
    assert result.record.outcome == "tripped"
    assert result.record.trip is not None
    assert result.record.trip.supply == "USB"
    assert result.record.outputs_off


def test_a_probe_on_another_net_is_the_benchs_fault(skep: Any) -> None:
    """Its file says that channel 1 sees VUSB, and it sees the cell's net."""
    result = in_process(skep, miswired="VBAT")
    assert result.record.outcome == "error"
    assert "saw no rise" in str(result.error)
    assert result.record.outputs_off


def test_without_an_oscilloscope_the_supply_is_on_and_the_times_are_skipped(skep: Any) -> None:
    result = in_process(skep, scope="")
    step = start_up(result)
    assert "no oscilloscope" in step.says
    assert {each.outcome for each in step.readings if each.quantity == "start-up time"} == {"skipped"}
    assert [each.outcome for each in step.readings if each.quantity == "current"] == ["pass"]
    assert result.record.outcome == "pass"


@pytest.mark.parametrize(
    ("was", "written", "says"),
    [
        ('order = ["V33", ', 'order = ["V3", ', 'the name "V3"'),
        ('limit = "120 mA"\n', "", "nothing is energised without one"),
        ('"10 %"', '"fast"', "a share"),
        ('"2.4 ms .. 3.3 ms"', '"4 V .. 8 V"', "within"),
        ('do = "resistance"\nof = "USB"', 'do = "resistance"\nof = "CELL"', "energised before its check"),
    ],
)
def test_mistakes_are_told_on_paper(skep: Any, tmp_path: Path, was: str, written: str, says: str) -> None:
    shutil.copy(skep[0] / "board.toml", tmp_path / "board.toml")
    assert was in STEPS
    (tmp_path / "steps.toml").write_text(STEPS.replace(was, written), encoding="utf-8")
    with pytest.raises(FileProblems, match=says):
        load_sequence(tmp_path / "steps.toml")


@pytest.mark.skipif(sys.platform == "win32", reason="a pty of POSIX systems")
def test_on_the_wire_with_the_guard_in_a_process_of_its_own(
    skep: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Real sockets, PyVISA-py, a wrong capacitor; the waveform lasts in the store and is drawn in the report."""
    monkeypatch.setenv("WAKEBOARD_LOCKS", str(tmp_path / "locks"))
    _, sequence, prepared = skep
    bench = virtual_bench(
        sequence.board, unit="SK-A-001", plants=["C10:value=4.7u"], prepared=prepared, scope="tbs1102c",
        sees={1: "VUSB", 2: "MCU_RST"},
    )  # fmt: skip
    with running(bench) as addresses:
        text = bench_toml("Skep", "SK-A-001", bench.bench_description(addresses.instruments))
        (tmp_path / "bench.toml").write_text(text, encoding="utf-8")
        described = load_bench(tmp_path / "bench.toml", sequence.board)
        with Store.open(tmp_path / "wakeboard.db") as store:
            result = take_unit(sequence, unit="SK-A-001", described=described, store=store, energise=True)
            kept = store.run()
    assert result.record.outputs_off
    assert reading(result, "MCU_RST").outcome == "fail", result.record.says
    wave = next(step for step in kept.steps if step.kind == "start-up").detail["waves"]["MCU_RST"]
    assert wave["at"] == pytest.approx(reading(result, "MCU_RST").value)
    assert len(wave["times"]) == len(wave["low"]) > 300
    assert "scope" in [each.name for each in kept.start.instruments]
    page = render_run(kept)
    assert "seen by the oscilloscope" in page
    assert "MCU_RST: voltage over time" in page
