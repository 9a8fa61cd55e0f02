"""Outputs that are believed off, looked at in turn until the run has ended: one that comes on is seen, whoever did it.

    dark = Dark(feeds, clock)
    supply = dark.due(["AUX", "CELL"])        the next to look at, None while none is due
    why = dark.look(supply)                   how it is known to be on; "" where it is off

A relay that falls back, another program, a person at the panel: the board is fed, and the step at hand does not know.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from wakeboard.harness.run.guard.core import is_reading
from wakeboard.harness.run.guard.switching import LOOKS, flows
from wakeboard.harness.run.guard.terms import Feed, Time
from wakeboard.instruments.errors import BenchError
from wakeboard.instruments.ports import OutputSample

AGAIN = 1.0  # s until an output is asked again that did not answer
PERIOD = 0.15  # s between looks at the same output; with the other outputs' messages a quarter of a second


@dataclass
class _Look:
    due: float
    flowing: int = 0  # looks in a row that saw current
    failed: bool = False  # the last look brought no answer


class Dark:
    """feeds: every output of the guard's supplies that may be looked at, by name."""

    def __init__(self, feeds: Mapping[str, Feed], clock: Time) -> None:
        self.feeds = feeds
        self.clock = clock
        self.quickest: dict[str, float] = {}  # s that a sample of each output has taken at least
        self._looks: dict[str, _Look] = {}

    def due(self, off: Iterable[str]) -> str | None:
        """The output whose look is most overdue."""
        now = self.clock.now()
        waiting = [(self._of(supply).due, supply) for supply in off if self._of(supply).due <= now]
        return min(waiting)[1] if waiting else None

    def begin(self, supplies: Iterable[str]) -> None:
        """Just switched off: a current that flows from now on counts from now."""
        for supply in supplies:
            self._looks[supply] = _Look(self.clock.now() + PERIOD)

    def look(self, supply: str) -> str:
        """One look. The first answer that does not come is let pass: the link is opened afresh for the next one."""
        look, feed = self._of(supply), self.feeds[supply]
        began = self.clock.now()
        look.due = began + PERIOD
        try:
            seen = feed.psu.sample(feed.channel)
        except (OSError, BenchError, ValueError):
            if look.failed:
                raise
            look.failed, look.due = True, self.clock.now() + AGAIN
            return ""
        look.failed = False
        self.took(supply, self.clock.now() - began)
        return self._judged(look, feed, seen)

    def took(self, supply: str, seconds: float) -> float:
        """A sample of an output, on or off, took so long: the least so far."""
        self.quickest[supply] = min(seconds, self.quickest.get(supply, seconds))
        return self.quickest[supply]

    def _judged(self, look: _Look, feed: Feed, seen: OutputSample) -> str:
        if seen.on and seen.mode != "off":
            return f"it is on, at {seen.volts:.2f} V, although it was switched off: it came back, or was switched on"
        flowing = is_reading(seen.volts, seen.amps) and flows(feed, seen.amps)
        look.flowing = look.flowing + 1 if flowing else 0
        if look.flowing < LOOKS:
            return ""
        return f"it says that it is off, yet {seen.volts:.2f} V and {seen.amps * 1e3:.0f} mA come out of it"

    def _of(self, supply: str) -> _Look:
        return self._looks.setdefault(supply, _Look(self.clock.now()))
