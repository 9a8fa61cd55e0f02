"""Time as the drivers see it: the computer's, or that of a virtual bench (wakeboard.instruments.virtual.time.clock)."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from functools import partial
from typing import Protocol


class Clock(Protocol):
    """Monotonic seconds from an arbitrary start."""

    def now(self) -> float: ...

    def sleep(self, seconds: float) -> None: ...


def steady() -> float:
    """Seconds that go on while the computer sleeps, and that nobody can set.

    Linux: CLOCK_BOOTTIME (clock_gettime(2); CLOCK_MONOTONIC stands still in suspend). macOS: CLOCK_MONOTONIC counts
    the sleep, Python's own monotonic clock does not; Windows: that one does (both from memory).
    """
    return _READ()


def _reader() -> Callable[[], float]:
    if hasattr(time, "CLOCK_BOOTTIME"):
        return partial(time.clock_gettime, time.CLOCK_BOOTTIME)
    if sys.platform == "darwin":
        return partial(time.clock_gettime, time.CLOCK_MONOTONIC)
    return time.monotonic


_READ = _reader()


class RealClock:
    """The computer's own time: unaffected by the operator setting the date, and by a sleep of the computer."""

    def now(self) -> float:
        return steady()

    def sleep(self, seconds: float) -> None:
        if seconds > 0:
            time.sleep(seconds)
