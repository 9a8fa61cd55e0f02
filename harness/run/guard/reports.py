"""The files that guards leave: what each did last, line by line, for the day that nobody was left to hear it.

They are in the computer's temporary folder, under a name that says what they are. One goes with an orderly end; one
that stays is named to the person, and is swept when it is old; one with nothing in it after a day.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
import time
from pathlib import Path

PREFIX, SUFFIX = "wakeboard-guard-", ".jsonl"
KEPT_S = 30 * 86400  # long enough to be asked about after a holiday
EMPTY_S = 86400  # of a guard that was killed with nothing on; one that still runs makes its file anew


def new_report() -> str:
    """An empty file; "" where the disk takes none: the guard guards without a report, too."""
    sweep()
    try:
        handle, path = tempfile.mkstemp(prefix=PREFIX, suffix=SUFFIX)
    except OSError:
        return ""
    os.close(handle)
    return path


def sweep(now: float | None = None) -> None:
    """Remove those that nobody wrote to for so long."""
    now = time.time() if now is None else now
    with contextlib.suppress(OSError):
        for path in Path(tempfile.gettempdir()).glob(f"{PREFIX}*{SUFFIX}"):
            with contextlib.suppress(OSError):  # another user's, or another program was faster
                found = path.lstat()
                if now - found.st_mtime > (KEPT_S if found.st_size else EMPTY_S):
                    path.unlink()


def told(path: str) -> str:
    """How a person is told of it; "" where there is nothing in it."""
    try:
        return f"; what the guard did last is in {path}" if path and os.path.getsize(path) else ""
    except OSError:
        return ""
