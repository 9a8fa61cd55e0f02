"""SIGTERM and SIGHUP end a command as Ctrl-C does: the steps stop, the power goes off, the story is kept."""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Iterator
from typing import Any


@contextlib.contextmanager
def as_interrupt() -> Iterator[None]:
    """While the block runs, each of them raises KeyboardInterrupt."""

    def stop(_number: int, _frame: Any) -> None:
        raise KeyboardInterrupt

    names = [name for name in ("SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name)]
    before = {name: signal.signal(getattr(signal, name), stop) for name in names}
    try:
        yield
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)
