"""What a guard leaves in the temporary folder: named to the person, gone after an orderly end, swept when old."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from wakeboard.harness.run.errors import GuardLost
from wakeboard.harness.run.guard import reports
from wakeboard.harness.run.guard.client import ProcessGuard


@pytest.fixture(autouse=True)
def temporary(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(reports.tempfile, "tempdir", str(tmp_path))
    return tmp_path


def test_an_orderly_end_leaves_nothing(temporary: Path) -> None:
    guard = ProcessGuard([])
    assert list(temporary.iterdir())
    guard.close()
    assert list(temporary.iterdir()) == []


def test_what_stays_is_named(temporary: Path) -> None:
    guard = ProcessGuard([])
    Path(guard.report_path).write_text("{}\n")
    guard._process.kill()
    with pytest.raises(GuardLost, match="what the guard did last is in") as told:
        guard.sleep(5.0)
    assert guard.report_path in str(told.value)
    assert Path(guard.report_path).exists()


def test_old_ones_are_swept_and_nothing_else(temporary: Path) -> None:
    old, young, other = (temporary / f"{name}.jsonl" for name in ("wakeboard-guard-a", "wakeboard-guard-b", "guard-c"))
    for each in (old, young, other):
        each.write_text("{}")
    long_ago = time.time() - reports.KEPT_S - 10
    os.utime(old, (long_ago, long_ago))
    os.utime(other, (long_ago, long_ago))
    made = reports.new_report()
    assert {each.name for each in temporary.iterdir()} == {young.name, other.name, Path(made).name}


def test_one_with_nothing_in_it_is_swept_after_a_day(temporary: Path) -> None:
    """Each guard that is killed with nothing on leaves one."""
    empty, young, told = (temporary / f"wakeboard-guard-{name}.jsonl" for name in "abc")
    for each in (empty, young):
        each.touch()
    told.write_text("{}")
    yesterday = time.time() - reports.EMPTY_S - 10
    for each in (empty, told):
        os.utime(each, (yesterday, yesterday))
    reports.sweep()
    assert {each.name for each in temporary.iterdir()} == {young.name, told.name}


def test_a_disk_that_takes_no_file(monkeypatch: pytest.MonkeyPatch, temporary: Path) -> None:
    monkeypatch.setattr(reports.tempfile, "tempdir", str(temporary / "none"))
    assert reports.new_report() == ""
    assert reports.told("") == ""
