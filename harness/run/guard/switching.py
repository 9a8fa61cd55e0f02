"""Switching off: every output of a list, each tried whatever the others do, and seen to be off.

What an output says of itself is looked into: one that says off and lets current out is on, however low its voltage (it
may feed a short); one that had gone off, and says that it is on when it is asked again, has come back, which is told
although it is switched off again. A voltage alone is no lie: capacitors hold it, and the discharge step looks into
that. What could not be confirmed is unknown, and unknown is not off.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from wakeboard.harness.run.guard.core import STRAY_AMPS, is_reading
from wakeboard.harness.run.guard.terms import Feed, OffReport, Time
from wakeboard.instruments.errors import OutputOnError

OFF_TRIES = 3  # a reply may be lost once, and once more on the fresh link; what fails thrice is told
LOOKS = 3  # how often current must flow out of an output that says that it is off, before it counts as a lie, and …
LOOK_GAP = 0.05  # s … between these looks: a readback may lag
BACK = "it was switched off, and is on again"
SECOND = "after the off command it was on, or came back at once; it went off at a further command"
STILL_VOLTS = 1.0  # above this an output that cannot tell is fed from elsewhere, or has not discharged


def amps_error(feed: Feed, amps: float) -> float:
    """Half-width of a supply's current readback at `amps`; 0.0 where its dialect does not say."""
    accuracy = getattr(feed.psu, "amps_accuracy", None)
    return float(accuracy.half_width(amps, 0.0)) if accuracy is not None else 0.0


def settle_s(feed: Feed) -> float:
    """s from a command to a supply's output having moved; 0.0 where its dialect does not say."""
    return float(getattr(feed.psu, "settle_s", None) or 0.0)


def flows(feed: Feed, amps: float) -> bool:
    """Whether this is a current out of the output, and no error of its readback."""
    return amps > 2 * amps_error(feed, amps) + STRAY_AMPS


class Off:
    """The off-list and how it is switched off."""

    def __init__(self, feeds: Mapping[str, Feed], clock: Time) -> None:
        self.feeds = feeds
        self.clock = clock
        self.remarks: dict[str, str] = {}  # of every `switch`
        self.back: dict[str, str] = {}  # of the last `switch`: outputs that went off and came back by themselves

    def switch(self, supplies: Sequence[str], dark: Collection[str] = ()) -> OffReport:
        """Each off, whatever the others do. dark: those that were seen to be off before: they come last, and are asked
        before they are told, or one that had come back would go off unnoticed."""
        states: dict[str, str] = {}
        errors: dict[str, str] = {}
        self.back = {}
        for supply in sorted(supplies, key=lambda each: each in dark):
            if supply in dark and not errors and self._is_back(supply):
                self.back[supply] = BACK
            states[supply] = self._command_off(supply, errors)
        for supply, state in states.items():  # when all were told: is it true?
            if state == "off":
                states[supply] = self._truth(supply, errors)
        for supply, state in states.items():  # tried again only when every other output has had its turn
            if state != "off":
                states[supply] = self._insist(supply, errors)
            if states[supply] == "off" and (state == "on" or self._repeated(supply)):
                self.remarks[supply] = self.back.get(supply, SECOND)
        return self._report(states, errors)

    def look(self, supplies: Sequence[str]) -> OffReport:
        """What each output is by now, without a command."""
        states: dict[str, str] = {}
        errors: dict[str, str] = {}
        for supply in supplies:
            states[supply] = self._seen(supply, errors)
        return self._report(states, errors)

    def _seen(self, supply: str, errors: dict[str, str]) -> str:
        feed = self.feeds[supply]
        try:
            if feed.psu.is_on(feed.channel):
                errors[supply] = BACK
                return "on"
        except Exception as error:  # noqa: BLE001  the rest of the list must still be looked at
            errors[supply] = str(error) or type(error).__name__
            return "unknown"
        return self._truth(supply, errors)

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

    def _insist(self, supply: str, errors: dict[str, str]) -> str:
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
            if state == "off":
                state = self._truth(supply, errors)
            if state == "off":
                break
        return state

    def _truth(self, supply: str, errors: dict[str, str]) -> str:
        """What an output is that says that it is off: off where no current comes out of it, on where some does again
        and again, unknown where that cannot be read."""
        feed = self.feeds[supply]
        volts = amps = float("nan")
        for look in range(LOOKS):
            if look:
                self.clock.sleep(LOOK_GAP)
            try:
                volts, amps = feed.psu.measure(feed.channel)
            except Exception as error:  # noqa: BLE001  as above
                errors[supply] = f"it says that its output is off, and not what comes out of it: {error}"
                return "unknown"
            if is_reading(volts, amps) and not flows(feed, amps):
                return "off"
            if self._is_back(supply):
                errors[supply] = self.back[supply] = f"{BACK}, at {volts:.2f} V"
                return "on"
        if not is_reading(volts, amps):
            errors[supply] = f"it says that its output is off, and {volts:g} V and {amps:g} A, which is no reading"
            return "unknown"
        errors[supply] = (
            f"it says that its output is off, yet {volts:.2f} V and {amps * 1e3:.0f} mA come out of it: "
            "do not believe its display, pull its leads"
        )
        return "on"

    def _is_back(self, supply: str) -> bool:
        """Whether an output that had said off says by now that it is on."""
        feed = self.feeds[supply]
        try:
            return bool(feed.psu.is_on(feed.channel))
        except Exception:  # noqa: BLE001  then its current alone tells
            return False

    def _repeated(self, supply: str) -> bool:
        """Whether the driver had to say it twice."""
        feed = self.feeds[supply]
        return str(feed.channel) in getattr(feed.psu, "repeated", ())

    def _report(self, states: dict[str, str], errors: dict[str, str]) -> OffReport:
        wrong = {supply: why for supply, why in errors.items() if states[supply] != "off"}
        return OffReport(states, wrong, dict(self.remarks))
