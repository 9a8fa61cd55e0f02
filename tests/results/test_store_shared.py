"""A file that two programs write at once, on a version of SQLite that has the rare fault of its write-ahead log."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from wakeboard.results.store import process as store_process
from wakeboard.results.store.store import Store


@pytest.mark.parametrize(
    ("version", "risky"),
    [((3, 6, 23), False), ((3, 7, 0), True), ((3, 40, 1), True), ((3, 51, 2), True), ((3, 51, 3), False)],
)
def test_the_versions_that_have_the_fault(version: tuple[int, ...], risky: bool) -> None:
    """From SQLite's notes on the fault of WAL resets: 3.7.0 up to 3.51.2, mended in 3.51.3."""
    assert store_process.shared_wal_is_risky(version) is risky


def test_another_living_process_in_the_file_is_told(
    tmp_path: Path, make_start: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(store_process, "shared_wal_is_risky", lambda: True)
    path = tmp_path / "wakeboard.db"
    with Store.open(path) as store:
        store.begin_run(make_start())
        assert store.sharing_caution() == ""  # a run of our own
        script = (
            "import sys\nfrom wakeboard.results.store.store import Store\n"
            "from wakeboard.results.records import RunStart\n"
            "s = Store.open(sys.argv[1]); print(s.begin_run(RunStart('T-2', 'Toy', 'A', 'b', 't', 's')), flush=True)\n"
            "sys.stdin.read()"
        )
        other = subprocess.Popen(
            [sys.executable, "-c", script, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
        )  # fmt: skip
        assert other.stdout is not None
        run = other.stdout.readline().decode().strip()
        assert f"run {run[:8]}" in store.sharing_caution()
        assert "wakeboard push" in store.sharing_caution()
        monkeypatch.setattr(store_process, "shared_wal_is_risky", lambda: False)
        assert store.sharing_caution() == ""
        monkeypatch.undo()
        other.communicate()
        assert store.sharing_caution() == ""  # it has ended: its run was broken off, nobody shares the file
