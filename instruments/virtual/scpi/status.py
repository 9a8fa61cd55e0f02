"""Status reporting of IEEE 488.2 and SCPI-1999: registers with condition, event and enable, and the error queue."""

from __future__ import annotations

from collections import deque

from wakeboard.instruments.virtual.scpi.data import ERROR_TEXTS

# bits of the event status register and of the status byte (IEEE 488.2, 11.5.1 and 11.2)
OPERATION_COMPLETE, QUERY_ERROR, DEVICE_ERROR, EXECUTION_ERROR, COMMAND_ERROR, POWER_ON = 1, 4, 8, 16, 32, 128
ERROR_AVAILABLE, QUESTIONABLE, MESSAGE_AVAILABLE, EVENT_SUMMARY, MASTER_SUMMARY, OPERATION = 4, 8, 16, 32, 64, 128
QUEUE_LENGTH = 20  # errors: as the 34401A's; SCPI-1999 asks for two at least (both from memory)


class Register:
    """A SCPI status register: an event bit latches on a rising condition (or a falling one, by its filters)."""

    __slots__ = ("condition", "enable", "event", "falling", "rising")

    def __init__(self) -> None:
        self.condition = self.event = self.enable = self.falling = 0
        self.rising = 0x7FFF

    def update(self, condition: int) -> None:
        """Take over the live condition bits."""
        if condition != self.condition:
            self.event |= condition & ~self.condition & self.rising
            self.event |= self.condition & ~condition & self.falling
            self.condition = condition

    def take_event(self) -> int:
        """Read and clear the event bits."""
        event, self.event = self.event, 0
        return event

    @property
    def summary(self) -> bool:
        return self.event & self.enable != 0

    def preset(self) -> None:
        """STATus:PRESet."""
        self.enable = self.falling = 0
        self.rising = 0x7FFF


class ErrorQueue:
    """First in, first out; when it is full the last entry turns into -350 (SCPI-1999 volume 2, 21.8)."""

    def __init__(self, length: int = QUEUE_LENGTH) -> None:
        self.length = length
        self.entries: deque[tuple[int, str]] = deque()

    def push(self, number: int, text: str = "") -> None:
        if len(self.entries) >= self.length:
            self.entries[-1] = (-350, ERROR_TEXTS[-350])
        else:
            self.entries.append((number, text))

    def pop(self) -> tuple[int, str]:
        return self.entries.popleft() if self.entries else (0, ERROR_TEXTS[0])


def event_bit(number: int) -> int:
    """The bit of the standard event register for an error number (SCPI-1999 volume 2, 21.8)."""
    if -200 < number <= -100:
        return COMMAND_ERROR
    if -300 < number <= -200:
        return EXECUTION_ERROR
    if -500 < number <= -400:
        return QUERY_ERROR
    return DEVICE_ERROR
