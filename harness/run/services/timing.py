"""Time as a run knows it: the bench's clock, and the guard's heart, which whatever takes time beats first."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from wakeboard.harness.run import presses

if TYPE_CHECKING:
    from wakeboard.harness.run.bench.bench import OpenBench
    from wakeboard.harness.run.ports import Observer
    from wakeboard.instruments.ports import Measurement

LEASE = 3.0  # s: how long the runner may be silent before the guard cuts, where a step does not ask for more
SLICE_LEASE = 6.0  # s: for a piece of a computation; each piece asks anew
COMPUTE_LEASE = 20.0  # s: for a piece of an explanation while the board has power; each piece asks anew
READ_LEASE = 15.0  # s: for a waveform, which has 10 s
KEEP_LEASE = 15.0  # s: for a commit to a disk that is busy
SLOW_LEASE = 12.0  # s: for readings that an instrument takes long over (AC, frequency, range changes)
FIRST_WAIT, GROWTH, LAST_WAIT = 0.02, 1.5, 2.0  # s between readings while something settles


class Timing:
    """begun: when the run began, on the bench's clock."""

    def __init__(self, bench: OpenBench, observer: Observer | None, on: Mapping[str, tuple[float, float]]) -> None:
        """on: the supplies that are on -> (volts, limit); looked at whenever somebody watches."""
        self._guard = bench.guard
        self._clock = bench.clock
        self._observer = observer
        self._on = on
        self.begun = bench.clock.now()

    @property
    def now(self) -> float:
        """Seconds since the run began, on the bench's clock."""
        return self._clock.now() - self.begun

    def pulse(self, lease: float = LEASE) -> None:
        """The runner lives and means to go on within `lease` seconds. Raises Tripped."""
        presses.look()
        self._guard.beat(lease)
        if self._observer is not None:
            self._observer.pulse(self._guard.latest(), {name: limit for name, (_, limit) in self._on.items()})

    def sleep(self, seconds: float) -> None:
        """Let time pass under the guard's eyes."""
        self._guard.sleep(seconds)
        self.pulse()

    def until(self, take: Callable[[], Measurement], good: Callable[[object], bool], within: float) -> Measurement:
        """Readings at growing intervals until one is good or the time is over; the last one."""
        ends = self.now + within
        wait = FIRST_WAIT
        seen = take()
        while not good(seen) and self.now < ends:
            self.sleep(min(wait, max(ends - self.now, FIRST_WAIT)))
            wait = min(wait * GROWTH, LAST_WAIT)
            seen = take()
        return seen

    def computing(self) -> None:
        """A piece of a computation begins. Raises Tripped."""
        self.pulse(SLICE_LEASE)
