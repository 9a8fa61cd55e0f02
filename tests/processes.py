"""`wakeboard` in processes of its own, for tests of what happens when they are broken off."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests import warm

ROOT = Path(__file__).parents[1]
LATE = 100.0  # s: when a wait gives up


def start(*arguments: str, folder: Path, cold: bool = False) -> Any:
    """wakeboard with these arguments, in a folder. cold: nothing is imported beforehand, as when a person starts it."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "WAKEBOARD_LOCKS": str(folder / "locks"), "NO_COLOR": "1"}
    return (warm.cold if cold else warm.start)(arguments, folder, environment)


def wait_until(seen: Callable[[], Any], what: str) -> Any:
    """What is seen, as soon as there is something."""
    ends = time.monotonic() + LATE
    while time.monotonic() < ends:
        found = seen()
        if found:
            return found
        time.sleep(0.02)
    raise AssertionError(f"never seen: {what}")
