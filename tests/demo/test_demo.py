"""The demo spread over processes: what it keeps, and that nothing of it stays when it is broken off."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
from pathlib import Path

import pytest

from wakeboard.harness.cli import execute
from wakeboard.harness.demo import demo
from wakeboard.results.store.store import Store

SHORTED = '\n[units.{}]\nsays = "{}"\nplant = ["{}"]\n'
"""A unit that its first steps find: a short run."""


def _two_units(folder: Path) -> demo.Demo:
    demo.lay_out(folder)
    units = folder / "units.toml"
    head = units.read_text(encoding="utf-8").partition("[units.")[0]
    short = [("B", "3.3 V shorted", "+3V3+GND:bridge=2"), ("A", "USB shorted", "VUSB+GND:bridge=1")]
    units.write_text(head + "".join(SHORTED.format(*each) for each in short), encoding="utf-8")
    return demo.Demo(folder)


def test_processes_keep_what_one_process_keeps_in_the_order_of_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = []
    for count in (1, 2):
        monkeypatch.setattr(os, "cpu_count", lambda count=count: count)
        made = _two_units(tmp_path / str(count))
        assert [unit for unit, _, _ in demo.run_units(made)] == ["B", "A"]
        with Store.open(made.folder / demo.DATABASE, read_only=True) as store:
            runs = [store.run(each["run"]) for each in made.runs]
            assert [each.id for each in store.runs()] == [each["run"] for each in reversed(made.runs)]
            assert all(each.ended is not None and each.outputs_off for each in runs)
            kept.append([(each.unit, each.outcome, each.steps, each.trip, each.says) for each in runs])
    assert kept[0] == kept[1]
    assert [outcome for _, outcome, *_ in kept[0]] == ["fail", "fail"]


def test_broken_off_it_leaves_no_process_and_keeps_what_was_done(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    before = multiprocessing.active_children()
    made = _two_units(tmp_path / "skep")
    ended = pytest.raises(KeyboardInterrupt)
    with ended, contextlib.closing(demo.run_units(made)) as runs:
        assert next(runs)[0] == "B"
        os.kill(os.getpid(), signal.SIGTERM)  # as Ctrl-C: it would end this process alone else
        next(runs)
    assert [each for each in multiprocessing.active_children() if each not in before] == []
    with Store.open(made.folder / demo.DATABASE, read_only=True) as store:
        assert [(each.unit, each.outcome) for each in store.runs()] == [("B", "fail")]


def test_explanations_come_one_by_one_in_the_order_of_the_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    made = _two_units(tmp_path / "skep")
    assert len(list(demo.run_units(made))) == 2
    known = []
    monkeypatch.setattr(demo, "_explain", lambda unit: known.append(unit) or {"unit": unit})
    with contextlib.closing(demo.explain_units(made)) as explained:
        assert next(explained) == ("B", {"unit": "B"})
        assert known == ["B"]  # said before the next is looked into
        assert [unit for unit, _ in explained] == ["A"]
    assert made.explain == {"B": {"unit": "B"}, "A": {"unit": "A"}}


def test_a_folder_that_cannot_be_written_is_told_as_that(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "file").write_text("mine")
    assert execute(["demo", str(tmp_path / "file" / "skep")]) == 2
    told = " ".join(capsys.readouterr().err.split())
    assert "cannot be written" in told
    assert "name another folder" in told
    assert (tmp_path / "file").read_text() == "mine"
