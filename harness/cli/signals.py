"""SIGTERM and SIGHUP end a command as Ctrl-C does: the steps stop, the power goes off, the story is kept."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

from wakeboard.harness.run.presses import LIKE, guarded


@contextlib.contextmanager
def as_interrupt() -> Iterator[None]:
    """While the block runs, each of them counts as a press of Ctrl-C: see harness/run/presses.py."""
    with guarded(*LIKE):
        yield
