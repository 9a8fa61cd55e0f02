"""Is the file that a run is written into still the one that was opened, and does it still hold what was committed?

SQLite goes on writing into a file that somebody deleted or cut, or whose log was cut, and reports nothing: the steps
are gone when the program ends. So before each write the file's identity, its length and that of its log are looked at;
where they do not fit, the steps of the run are looked up over a fresh connection, and what is gone is kept in a file
beside it. A file that has become shorter is read from end to end for that: its other pages may be gone, too. Before the
run's end all that it wrote is read back, for damage that leaves the length as it was (readback.py).
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from wakeboard.results.counted import count
from wakeboard.results.records import RunRecord, Step
from wakeboard.results.store.errors import StoreError
from wakeboard.results.store.plain import Place
from wakeboard.results.store.readback import damage


class StoreWatch:
    """Of one SQLite file. Not for a server: that has no file here."""

    def __init__(self, place: Place, path: Path) -> None:
        """path: that of the place, whatever the working folder is later."""
        self.path = path
        self._place = replace(place, path=path)
        self._log_path = path.with_name(path.name + "-wal")
        self._file = _identity(path)
        self._length = _length(path)
        self._log: tuple[int, int, int] | None = None  # device, inode, length
        self._steps: dict[str, list[tuple[Step, str]]] = {}
        self._begun: dict[str, RunRecord] = {}

    def begun(self, run: RunRecord) -> None:
        """How it stands in the file as it begins."""
        self._begun[run.id] = run

    def committed(self, run: str, step: Step, digest: str) -> None:
        """A step is on the disk, as far as SQLite knows."""
        self._steps.setdefault(run, []).append((step, digest))
        self.note()

    def note(self) -> None:
        """How long file and log are now: after each write, and after a checkpoint of our own."""
        self._log = _extent(self._log_path)
        self._length = _length(self.path)

    def ended(self, run: str) -> None:
        """Its steps need not be kept here any longer."""
        self._steps.pop(run, None)
        self._begun.pop(run, None)
        self.note()

    def check(self, run: str) -> None:
        """Raises StoreError, with the run's steps kept beside the store, where what was committed is gone."""
        steps = self._steps.get(run, [])
        same = self._file == _identity(self.path)
        if same and not self._shrank() and (not steps or not self._log_shrank() or self._all_there(run, steps)):
            return
        raise self._gone(run, "was deleted or replaced" if not same else "was cut short by another program")

    def check_kept(self, run: str) -> None:
        """Before a run's end is written: raises StoreError, likewise, where the file does not give back what was
        written into it. Nothing where the run did not begin here."""
        if run not in self._begun:
            return
        digests = [digest for _, digest in self._steps.get(run, [])]
        if wrong := damage(self._place, self._begun[run], digests):
            raise self._gone(run, f"was damaged ({wrong})", "; copy it, with its -wal file, somewhere safe first")

    def _gone(self, run: str, what: str, do: str = "") -> StoreError:
        steps = [step for step, _ in self._steps.get(run, [])]
        kept = self._keep(run, steps)
        return StoreError(
            f"{self.path} {what} while run {run[:8]} was written into it; "
            + (f"{count(len(steps), 'step')} of it: kept in {kept}" if kept else "its steps could not be kept")
            + do,
            kind="io",
            store=str(self.path),
        )

    def _shrank(self) -> bool:
        """Whether the file has become shorter and is no longer whole: another's VACUUM makes it shorter, too."""
        return _length(self.path) < self._length and not self._is_whole()

    def _is_whole(self) -> bool:
        try:
            with self._afresh() as fresh:
                return [row[0] for row in fresh.execute("PRAGMA quick_check")] == ["ok"]
        except sqlite3.Error:
            return False

    @contextlib.contextmanager
    def _afresh(self) -> Iterator[sqlite3.Connection]:
        uri = f"{self.path.resolve().as_uri()}?mode=ro"
        with contextlib.closing(sqlite3.connect(uri, uri=True, timeout=2.0)) as fresh:
            yield fresh

    def _log_shrank(self) -> bool:
        if self._log is None:
            return False
        now = _extent(self._log_path)
        return now is None or now[:2] != self._log[:2] or now[2] < self._log[2]

    def _all_there(self, run: str, steps: list[tuple[Step, str]]) -> bool:
        """A log also shrinks by a checkpoint: then everything is in the file itself."""
        query = "SELECT step.digest FROM step JOIN run ON run.id = step.run_id WHERE run.uuid = ?"
        try:
            with self._afresh() as fresh:
                found = {row[0] for row in fresh.execute(query, (run,))}
        except sqlite3.Error:
            return False
        self.note()
        return all(digest in found for _, digest in steps)

    def _keep(self, run: str, steps: list[Step]) -> str:
        """The file with the steps, a line of JSON each; "" where no disk takes it."""
        for folder in (self.path.parent, Path(tempfile.gettempdir())):
            with contextlib.suppress(OSError):
                place = folder / f"{self.path.name}.kept-{run[:8]}.jsonl"
                with place.open("w", encoding="utf-8") as file:
                    file.writelines(json.dumps(step.as_json()) + "\n" for step in steps)
                    file.flush()
                    os.fsync(file.fileno())
                return str(place)
        return ""


def _identity(path: Path) -> object:
    found = _extent(path)
    return found[:2] if found else None


def _length(path: Path) -> int:
    found = _extent(path)
    return found[2] if found else 0


def _extent(path: Path) -> tuple[int, int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino, found.st_size
