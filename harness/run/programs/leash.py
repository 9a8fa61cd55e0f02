"""The process that keeps a user's program on a leash: nothing that the program has started outlives it.

It is started by `programs.py`, and takes one line of JSON on its standard input: {"argv": […], "folder": "…"}. It tells
on its standard output {"started": pid}, then {"code": …} once the program and all of its children are gone, or
{"failed": "…"}. What the program prints goes to the standard error that it was given. When its standard input ends
(the runner wants no more of it, or was killed), it kills the program with its children.

A program that leaves its process group (a daemon) is found, too, on Linux: orphans come to this process, which was made
their reaper. Elsewhere those that left the group live on.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from typing import Any

LINUX = sys.platform == "linux"
_ADOPT_ORPHANS = 36  # PR_SET_CHILD_SUBREAPER of linux/prctl.h
ROUNDS, PAUSE = 100, 0.01  # of looking for what is left; s between them


def main() -> None:
    wanted = json.loads(sys.stdin.buffer.readline())
    _adopt_orphans()
    try:
        os.chdir(wanted["folder"])
        child = subprocess.Popen(
            wanted["argv"], stdin=subprocess.DEVNULL, stdout=sys.stderr.fileno(), stderr=sys.stderr.fileno(), **_group()
        )
    except (OSError, ValueError) as error:
        _tell({"failed": getattr(error, "strerror", None) or str(error)})
        return
    _tell({"started": child.pid})
    threading.Thread(target=_until_let_go, args=(child,), daemon=True).start()
    _wait(child)
    _end_all(child)
    _tell({"code": child.wait()})


def _group() -> dict[str, Any]:
    if sys.platform == "win32":
        return {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
    return {"start_new_session": True}


def _tell(what: dict[str, object]) -> None:
    with contextlib.suppress(OSError):  # nobody listens any more
        os.write(sys.stdout.fileno(), json.dumps(what).encode() + b"\n")


def _adopt_orphans() -> None:
    if LINUX:
        import ctypes

        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).prctl(_ADOPT_ORPHANS, 1, 0, 0, 0)


def _until_let_go(child: subprocess.Popen[bytes]) -> None:
    with contextlib.suppress(OSError, ValueError):
        while os.read(sys.stdin.fileno(), 4096):
            pass
    _end_all(child)


def _wait(child: subprocess.Popen[bytes]) -> None:
    """Until it has ended; not reaped yet, so that the number of its group is nobody else's."""
    if sys.platform != "win32" and hasattr(os, "waitid"):
        with contextlib.suppress(ChildProcessError):
            os.waitid(os.P_PID, child.pid, os.WEXITED | os.WNOWAIT)
    else:
        child.wait()


def _end_all(child: subprocess.Popen[bytes]) -> None:
    """The program, its group, and whoever left the group."""
    if sys.platform == "win32":
        subprocess.run(["taskkill", "/F", "/T", "/PID", str(child.pid)], capture_output=True, check=False)
        return
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(child.pid, signal.SIGKILL)
    for _ in range(ROUNDS if LINUX else 0):
        left = list(_offspring())
        if not left:
            return
        for pid in left:
            with contextlib.suppress(ProcessLookupError, PermissionError):
                os.kill(pid, signal.SIGKILL)
        time.sleep(PAUSE)


def _offspring() -> Iterator[int]:
    """Everything that descends from this process and is no corpse, by /proc."""
    parents, alive = {}, set()
    for name in filter(str.isdigit, os.listdir("/proc")):
        with contextlib.suppress(OSError, ValueError, IndexError), open(f"/proc/{name}/stat", "rb") as file:
            state, parent = file.read().rpartition(b")")[2].split()[:2]
            parents[int(name)] = int(parent)
            alive |= {int(name)} if state not in (b"Z", b"X") else set()
    found, new = set[int](), {os.getpid()}
    while new:
        new = {pid for pid, parent in parents.items() if parent in new} - found
        found |= new
    yield from found & alive
