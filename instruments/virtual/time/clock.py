"""A clock that runs as fast as the circuit can be computed: sleeping moves the virtual bench on, and nothing waits."""

from __future__ import annotations

from collections.abc import Callable

from wakeboard.instruments.virtual.time.stage import Event, Stage


class Ticker:
    """A callback that runs each period of virtual time until it is stopped."""

    def __init__(self, stage: Stage, period: float, callback: Callable[[], None], resting: Callable[[], float]) -> None:
        self._stage = stage
        self._period = period
        self._resting = resting
        self._callback = callback
        self._event: Event | None = stage.call(stage.now + period, self._tick)

    def _tick(self) -> None:
        self._callback()
        if self._event is not None:
            period = self._period if self._stage.moving else max(self._period, self._resting())
            self._event = self._stage.call(self._stage.now + period, self._tick)

    def stop(self) -> None:
        """No further call."""
        if self._event is not None:
            self._event.cancel()
            self._event = None


class VirtualClock:
    """Implements the Clock protocol (now, sleep) on a stage, and runs tickers such as the guard's poll."""

    def __init__(self, stage: Stage) -> None:
        self._stage = stage

    def now(self) -> float:
        """Seconds of virtual time since the bench was built."""
        return self._stage.now

    def sleep(self, seconds: float) -> None:
        """Let virtual time pass; tickers that fall due are called."""
        if seconds > 0:
            self._stage.advance(seconds)

    def every(
        self, period: float, callback: Callable[[], None], *, resting: float | Callable[[], float] | None = None
    ) -> Ticker:
        """Call `callback` each `period` seconds. While the circuit is at rest, where each call would see the same, the
        period may be stretched to `resting` seconds, asked for after each call where that is not always the same."""
        rest = period if resting is None else resting
        return Ticker(self._stage, period, callback, rest if callable(rest) else lambda: rest)
