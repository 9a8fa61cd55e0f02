"""Time as the drivers see it: the computer's, or that of a virtual bench (wakeboard.instruments.virtual.clock)."""

from __future__ import annotations

import time
from typing import Protocol


class Clock(Protocol):
    """Monotonic seconds from an arbitrary start."""

    def now(self) -> float: ...

    def sleep(self, seconds: float) -> None: ...


class RealClock:
    """The computer's monotonic clock: unaffected by the operator setting the date."""

    def now(self) -> float:
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        if seconds > 0:
            time.sleep(seconds)
