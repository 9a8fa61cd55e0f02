"""Driving the processor's pins through its console: one command a pin, as the board file's [target] declares it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from wakeboard.harness.run.errors import Refused
from wakeboard.harness.run.steps import _console

if TYPE_CHECKING:
    from wakeboard.harness.run.context import Context

ANSWER_WITHIN = 2.0  # s
SETTLE = 0.02  # s: a switched rail, a divider's capacitor


def drive(context: Context, pin: str, level: str) -> bool:
    """Ask the firmware to drive a pin ("high", "low") or release it ("off"); False where it does not confirm."""
    target = context.board.target
    if target is None or target.pin_command is None:
        raise Refused("the board file declares no [target.pin_command]: no pin can be driven")
    context.guard.change()
    text = target.pin_command.send.format(pin=pin.partition(".")[2] or pin, level=level)
    answer = _console.ask(context, text, target.pin_command.reply, ANSWER_WITHIN)
    if answer.match is None:
        said = answer.text.strip()
        context.log.text(
            f"{pin}={level}", said, "fail", says=f"{text!r} was not confirmed" + (f": {said!r}" if said else "")
        )
        return False
    context.power.set_pin(pin, level)
    context.time.sleep(SETTLE)
    return True


@contextmanager
def driven(context: Context, pin: str, level: str) -> Iterator[bool]:
    """A pin driven for as long as the block lasts, then released."""
    done = drive(context, pin, level)
    try:
        yield done
    finally:
        if done and context.alive:
            drive(context, pin, "off")
