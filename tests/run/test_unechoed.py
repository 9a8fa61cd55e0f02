"""What is typed into the live view does not stand in it, and the terminal echoes again whichever way the run ends."""

from __future__ import annotations

import os
import select
import signal
import sys
import time

import pytest

if sys.platform == "win32":
    pytest.skip("terminals of POSIX systems", allow_module_level=True)

import pty
import termios

SHOWN = """
import sys, time
from rich.console import Console
from wakeboard.harness.cli.signals import as_interrupt
from wakeboard.harness.run.live import LiveObserver

with as_interrupt(), LiveObserver(Console(force_terminal=True), "unit T-1") as live:
    live.pause(), live.resume()
    sys.stderr.write("UP")
    sys.stderr.flush()
    {end}
"""
WAITS = "time.sleep(30)"


class Terminal:
    """A command on a terminal of its own."""

    def __init__(self, code: str) -> None:
        self.pid, self.master = pty.fork()
        if self.pid == 0:
            os.execv(sys.executable, [sys.executable, "-c", code])
        self.said = ""

    def until(self, word: str) -> None:
        ends = time.monotonic() + 60
        while word not in self.said:
            assert time.monotonic() < ends, self.said
            if select.select([self.master], [], [], 0.2)[0]:
                self.said += os.read(self.master, 4096).decode(errors="replace")

    @property
    def echoes(self) -> bool:
        return bool(termios.tcgetattr(self.master)[3] & termios.ECHO)

    def settled(self, echoes: bool) -> bool:
        """Whether it comes to that: the command may be about to end."""
        ends = time.monotonic() + 20
        while self.echoes is not echoes and time.monotonic() < ends:
            if select.select([self.master], [], [], 0.05)[0]:
                try:
                    self.said += os.read(self.master, 4096).decode(errors="replace")
                except OSError:
                    break
        return self.echoes is echoes


@pytest.mark.parametrize(
    ("end", "sent"),
    [
        ("pass", None),
        ("raise ValueError", None),
        ("sys.exit(3)", None),
        (WAITS, signal.SIGTERM),
        (WAITS, signal.SIGINT),
    ],
)
def test_the_terminal_echoes_again_at_every_end(end: str, sent: int | None) -> None:
    terminal = Terminal(SHOWN.format(end=f"time.sleep(1); {end}"))
    try:
        assert terminal.echoes
        terminal.until("UP")
        assert not terminal.echoes
        os.write(terminal.master, b"zzz")
        if sent is not None:
            time.sleep(0.5)  # the terminal takes what is typed in its own time: before the end, not after it
            os.kill(terminal.pid, sent)
        assert terminal.settled(echoes=True)
        assert "zzz" not in terminal.said
    finally:
        os.kill(terminal.pid, signal.SIGKILL)
        os.waitpid(terminal.pid, 0)
        os.close(terminal.master)


def test_without_a_terminal_there_is_nothing_to_do() -> None:
    from wakeboard.harness.run.hand.unechoed import Unechoed

    reads, writes = os.pipe()
    quiet = Unechoed(reads)
    quiet.take()
    quiet.give_back()
    os.close(reads)
    os.close(writes)
    quiet.take()
