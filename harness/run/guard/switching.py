"""Switching off: every output of a list, each tried whatever the others do, and seen to be off.

What an output says of itself is looked into where it was on: current that flows out of one that says off makes it on.
What could not be confirmed is unknown, and unknown is not off.
"""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence

from wakeboard.harness.run.guard.terms import Feed, OffReport, Time
from wakeboard.instruments.errors import OutputOnError

OFF_TRIES = 3
LOOKS = 3  # how often current must flow out of an output that says that it is off, before it counts as a lie, and …
LOOK_GAP = 0.05  # s … between these looks: a readback may lag
STRAY_AMPS = 0.005  # A beyond the readback's error: offsets of a supply that is off (common practice, no source)
STILL_VOLTS = 1.0  # above this an output that is off is fed from elsewhere, or has not discharged


def amps_error(feed: Feed, amps: float) -> float:
    """Half-width of a supply's current readback at `amps`; 0.0 where its dialect does not say."""
    accuracy = getattr(feed.psu, "amps_accuracy", None)
    return float(accuracy.half_width(amps, 0.0)) if accuracy is not None else 0.0


class Off:
    """The off-list and how it is switched off."""

    def __init__(self, feeds: Mapping[str, Feed], clock: Time) -> None:
        self.feeds = feeds
        self.clock = clock

    def switch(self, supplies: Sequence[str], live: Container[str]) -> OffReport:
        """Each off, whatever the others do. live: those that were on, of which current may still flow."""
        states: dict[str, str] = {}
        errors: dict[str, str] = {}
        for supply in supplies:
            states[supply] = self._command_off(supply, errors)
        for supply, state in states.items():  # when all were told: is it true?
            if state == "off" and supply in live and self._lies(supply, errors):
                states[supply] = "on"
        for supply, state in states.items():  # tried again only when every other output has had its turn
            if state != "off":
                states[supply] = self._insist(supply, errors, live)
        kept = {supply: why for supply, why in errors.items() if states[supply] != "off"}
        return OffReport(states, kept)

    def _command_off(self, supply: str, errors: dict[str, str]) -> str:
        feed = self.feeds[supply]
        try:
            if feed.psu.off(feed.channel):
                return "off"
            volts, _ = feed.psu.measure(feed.channel)  # a supply that cannot tell whether its output is on
            if abs(volts) < STILL_VOLTS:
                return "off"
            errors[supply] = f"it cannot tell whether its output is on, and measures {volts:.2f} V"
            return "unknown"
        except Exception as error:  # noqa: BLE001  whatever it is, the rest of the list must still be tried
            errors[supply] = str(error) or type(error).__name__
            return "on" if isinstance(error, OutputOnError) else "unknown"

    def _insist(self, supply: str, errors: dict[str, str], live: Container[str]) -> str:
        """Again, each time over a fresh link where there is a way to make one."""
        state = "unknown"
        for _ in range(OFF_TRIES - 1):
            reopen = self.feeds[supply].reopen
            try:
                if reopen is not None:
                    reopen()
            except Exception as error:  # noqa: BLE001  the old link may still carry one command
                errors[supply] = str(error) or type(error).__name__
            state = self._command_off(supply, errors)
            if state == "off" and supply in live and self._lies(supply, errors):
                state = "on"
            if state == "off":
                break
        return state

    def _lies(self, supply: str, errors: dict[str, str]) -> bool:
        """Whether current flows out of an output that was on and says that it is off. Where it cannot be asked: no."""
        feed = self.feeds[supply]
        for look in range(LOOKS):
            if look:
                self.clock.sleep(LOOK_GAP)
            try:
                volts, amps = feed.psu.measure(feed.channel)
            except Exception:  # noqa: BLE001  its word for being off was heard; that it says no more is no lie
                return False
            if amps <= 2 * amps_error(feed, amps) + STRAY_AMPS or volts < STILL_VOLTS:
                return False
        errors[supply] = (
            f"it says that its output is off, yet {volts:.2f} V and {amps * 1e3:.0f} mA come out of it: "
            "do not believe its display, pull its leads"
        )
        return True
