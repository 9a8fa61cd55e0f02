"""`wakeboard` in processes of its own, for tests of what happens when they are broken off."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
LATE = 100.0  # s: when a wait gives up


def start(*arguments: str, folder: Path) -> subprocess.Popen[bytes]:
    """wakeboard with these arguments, in a folder."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "WAKEBOARD_LOCKS": str(folder / "locks"), "NO_COLOR": "1"}
    return subprocess.Popen(
        [sys.executable, "-m", "wakeboard", *arguments],
        cwd=folder, env=environment, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        preexec_fn=hears_ctrl_c,
    )  # fmt: skip


def hears_ctrl_c() -> None:
    """As at a terminal: a job in the background of a shell, and what it starts, has SIGINT ignored (POSIX, 2.11)."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def wait_until(seen: Callable[[], Any], what: str) -> Any:
    """What is seen, as soon as there is something."""
    ends = time.monotonic() + LATE
    while time.monotonic() < ends:
        found = seen()
        if found:
            return found
        time.sleep(0.02)
    raise AssertionError(f"never seen: {what}")
