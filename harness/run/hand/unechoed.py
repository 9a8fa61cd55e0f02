"""A terminal that does not echo what is typed while a picture stands on it: the letters would push its lines about.

    quiet = Unechoed()
    quiet.take(); …; quiet.give_back()        each as often as one likes; nothing where there is no terminal of ours

Ctrl-C goes on being a signal, and what was typed is still read by whoever reads next. A process in the background
leaves the terminal alone: to change it would stop the process.
"""

from __future__ import annotations

import os
import sys
from typing import Any


class Unechoed:
    """descriptor: of the terminal; the standard input where none is given."""

    def __init__(self, descriptor: int | None = None) -> None:
        self._descriptor = descriptor
        self._before: list[Any] | None = None

    def take(self) -> None:
        """Raises nothing."""
        if self._before is not None or sys.platform == "win32":
            return
        import termios

        try:
            descriptor = self._terminal()
            found = termios.tcgetattr(descriptor)
            if found[3] & termios.ECHO and _is_ours(descriptor):
                self._before = found
                termios.tcsetattr(descriptor, termios.TCSADRAIN, [*found[:3], found[3] & ~termios.ECHO, *found[4:]])
        except (OSError, ValueError, termios.error):
            return

    def give_back(self) -> None:
        """Raises nothing."""
        before, self._before = self._before, None
        if before is None or sys.platform == "win32":
            return
        import termios

        try:
            descriptor = self._terminal()
            if _is_ours(descriptor):
                now = termios.tcgetattr(descriptor)
                now[3] |= before[3] & termios.ECHO  # the rest may be somebody else's by now
                termios.tcsetattr(descriptor, termios.TCSADRAIN, now)
        except (OSError, ValueError, termios.error):
            return

    def _terminal(self) -> int:
        return sys.stdin.fileno() if self._descriptor is None else self._descriptor


def _is_ours(descriptor: int) -> bool:
    """Whether this process is the terminal's foreground."""
    return os.tcgetpgrp(descriptor) == os.getpgrp()
