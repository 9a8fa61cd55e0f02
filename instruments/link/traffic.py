"""What was said on every link of a run, in order.

    traffic = TrafficLog()
    traffic.add(clock.now(), "supply", ">", "VOLT 5")
    traffic.lines()                       "    0.000 supply > VOLT 5"

Directions: ">" sent, "<" received, "!" what went wrong or was done to the link.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

Direction = Literal[">", "<", "!"]


class Exchange(NamedTuple):
    """One message. time: seconds of the link's clock."""

    time: float
    instrument: str
    direction: Direction
    text: str


class TrafficLog(list[Exchange]):
    """A list of exchanges. `most` bounds it for hour-long polling: the oldest tenth is dropped, `dropped` counts them.

    Appending to a list is atomic in CPython, so that several threads may write.
    """

    def __init__(self, most: int | None = None) -> None:
        super().__init__()
        self.most = most
        self.dropped = 0

    def add(self, time: float, instrument: str, direction: Direction, text: str) -> None:
        self.append(Exchange(time, instrument, direction, text))
        if self.most is not None and len(self) > self.most:
            excess = max(1, self.most // 10)
            del self[:excess]
            self.dropped += excess

    def lines(self) -> list[str]:
        """For a person: seconds since the first exchange, instrument, direction, text."""
        start = self[0].time if self else 0.0
        return [f"{each.time - start:9.3f} {each.instrument} {each.direction} {each.text}" for each in self]
