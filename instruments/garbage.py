"""Fewer searches for garbage where much is made and kept: thousands of solved circuits, a rehearsal's runs.

Python looks through all that it has, again and again, as more is made. What is left in rings here goes all at once, and
seldom: looking costs a sixth of a rehearsal and of an explanation.
"""

from __future__ import annotations

import gc
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

GARBAGE: Final = 100_000
"""Objects, about what five runs leave, between searches for garbage."""

_lock = threading.Lock()
_asked = 0
_before = gc.get_threshold()


@contextmanager
def seldom_collected() -> Iterator[None]:
    """Few searches for garbage until the block is done, and none in what stands before; blocks may lie in each other,
    and in several threads."""
    global _asked
    seldom_from_now()
    try:
        yield
    finally:
        with _lock:
            _asked -= 1
            if not _asked:
                gc.set_threshold(*_before)
                gc.unfreeze()


def seldom_from_now() -> None:
    """The same until this process ends."""
    global _asked, _before
    with _lock:
        if not _asked:
            _before = gc.get_threshold()
            gc.freeze()
            if _before[0]:  # a person who has switched it off has it off
                gc.set_threshold(GARBAGE, *_before[1:])
        _asked += 1
