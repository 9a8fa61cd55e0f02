"""Ctrl-C and its like: the first ends the steps; while outputs are switched off, further ones are held and counted.

    with guarded():                 SIGINT (also: SIGTERM, SIGHUP …) come here while the block runs
        rearm()                     the next press raises KeyboardInterrupt
        hold("switching off")       from here on none does, until `rearm`, or inside `allowed`
        with allowed(): …           a wait that a person may cut short

A second KeyboardInterrupt in the middle of switching off would leave outputs on, and nobody would be told. Python runs
signal handlers in the main thread only; elsewhere `guarded` changes nothing.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass

ONE_PRESS = 1.0  # s: what comes so soon after the first one belongs to it; later, the first one has got lost
LIKE = ("SIGTERM", "SIGHUP", "SIGBREAK")


@dataclass
class _State:
    guarded: bool = False
    held: bool = False
    says: str = ""
    raised: float | None = None  # when a press raised last
    arrived: bool = True  # it was seen by who ends the work for it
    pressed: int = 0  # while held
    told: float = 0.0


_STATE = _State()


@contextlib.contextmanager
def guarded(*also: str) -> Iterator[None]:
    """Take the signals over while the block runs; inside another such block: nothing more. also: names of signals
    beside SIGINT that count as presses.

    SIGINT counts also where it was ignored before: a shell without job control starts what it sends to the background
    so (POSIX, XCU 2.11), and a board would stay powered however often a person presses. SIGHUP after nohup stays
    ignored: that is what nohup is asked for."""
    if _STATE.guarded or threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {number: signal.getsignal(number) for number in _numbers(also)}
    _STATE.guarded = True
    rearm()
    try:
        for number, handler in before.items():
            if handler is not signal.SIG_IGN or number == signal.SIGINT:
                signal.signal(number, _press)
        yield
    finally:
        _STATE.guarded = False
        rearm()  # what was pressed in here is nobody's any more
        for number, handler in before.items():
            if handler is not None:
                signal.signal(number, handler)


def _numbers(also: tuple[str, ...]) -> list[signal.Signals]:
    return [getattr(signal, name) for name in ("SIGINT", *also) if hasattr(signal, name)]


def _press(_number: int, _frame: object) -> None:
    now = time.monotonic()
    if _STATE.held:
        _STATE.pressed += 1
        _tell(now)
    elif _STATE.raised is None or now - _STATE.raised > ONE_PRESS:
        _STATE.raised, _STATE.arrived = now, False
        raise KeyboardInterrupt


def _tell(now: float) -> None:
    """Straight to the descriptor: a stream may be in the middle of a write."""
    if _STATE.says and now - _STATE.told > ONE_PRESS:
        _STATE.told = now
        with contextlib.suppress(OSError, ValueError, AttributeError):
            os.write(sys.stderr.fileno(), f"\n{_STATE.says}\n".encode())


def look() -> None:
    """Raises KeyboardInterrupt once more where the one that a press raised got lost; not while it is on its way."""
    if _STATE.arrived or threading.current_thread() is not threading.main_thread() or behind(sys.exception()):
        return
    raise KeyboardInterrupt


def behind(error: BaseException | None) -> BaseException | None:
    """The interrupt that is being handled, or that the error at hand came up in; None where there is none."""
    while error is not None and not isinstance(error, KeyboardInterrupt):
        error = error.__context__
    return error


def arrived() -> None:
    """The work ends for the press that was raised: it did not get lost."""
    _STATE.arrived = True


def hold(says: str = "") -> None:
    """No press raises from here on. says: told to who presses."""
    _STATE.held, _STATE.says = True, says


def rearm() -> None:
    """The next press raises."""
    _STATE.held, _STATE.says, _STATE.raised, _STATE.arrived = False, "", None, True
    _STATE.pressed, _STATE.told = 0, 0.0


@contextlib.contextmanager
def allowed() -> Iterator[None]:
    """One press may break off the block; none was forgotten before it, and none raises after it."""
    was, _STATE.held, _STATE.raised = _STATE.held, False, None
    try:
        yield
    finally:
        _STATE.held = was


def pressed() -> bool:
    """Whether a press was held back."""
    return _STATE.pressed > 0
