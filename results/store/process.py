"""Which process began a run, and whether it still lives: how a killed run is told from one that is going on."""

from __future__ import annotations

import os
import platform
import sqlite3
import sys
from pathlib import Path

WAL_FAULT = ((3, 7, 0), (3, 51, 2))
"""First and last version of SQLite whose WAL may be reset wrongly when two connections write at the same instant."""


def shared_wal_is_risky(version: tuple[int, ...] | None = None) -> bool:
    """Whether this SQLite (or `version`) has the fault."""
    first, last = WAL_FAULT
    return first <= (sqlite3.sqlite_version_info if version is None else version) <= last


def token() -> str:
    """This process as text: its id, where the system tells the moment it started (ids are used again), its computer."""
    return f"{os.getpid()}:{_started(os.getpid())}:{platform.node()}"


def is_here(text: str) -> bool:
    """Whether a token's process ran on this computer."""
    return text.split(":", 2)[2:] in ([], [platform.node()])


def alive(text: str) -> bool:
    """Whether the process of a token still runs on this computer. In doubt: yes."""
    pid_text, started = [*text.split(":", 2), ""][:2]
    if not pid_text.isdigit() or not is_here(text):
        return False
    pid = int(pid_text)
    if not pid or not _exists(pid):
        return False
    now = _started(pid)
    return not started or not now or now == started


def _started(pid: int) -> str:
    try:
        stat = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8", errors="replace")
        boot = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="utf-8").strip()[:8]
    except OSError:
        return ""
    fields = stat.rpartition(")")[2].split()  # the name may hold spaces and brackets
    if fields[0] == "Z":  # ended, not yet collected by its parent
        return "ended"
    return f"{boot}-{fields[19]}"


def _exists(pid: int) -> bool:
    if sys.platform == "win32":
        return _exists_on_windows(pid)
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def _exists_on_windows(pid: int) -> bool:
    # os.kill would end the process there.
    import ctypes

    windll = getattr(ctypes, "windll")  # noqa: B009  absent elsewhere, and the type checker knows
    handle = windll.kernel32.OpenProcess(0x1000, False, pid)  # query limited information
    if not handle:
        return False
    code = ctypes.c_ulong()
    windll.kernel32.GetExitCodeProcess(handle, ctypes.byref(code))
    windll.kernel32.CloseHandle(handle)
    return code.value == 259  # still active
