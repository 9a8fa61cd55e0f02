"""What steps that deal with a supply's current share: the reading and its limits."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from wakeboard.harness.run.decide import Limits, rectangular
from wakeboard.instruments.coverage import half_expanded, of_mean
from wakeboard.instruments.ports import Measurement
from wakeboard.instruments.quantity import Interval

if TYPE_CHECKING:
    from wakeboard.harness.run.context import Context
    from wakeboard.results.records import Reading

SAMPLES = 4  # of the current: their mean is the reading, their scatter part of its uncertainty
SAMPLE_GAP = 0.02  # s


def current_limits(context: Context, expect: Interval | None, limit: float) -> Limits:
    """From the step, else from the circuit, else what the supply may give."""
    if expect is not None:
        return Limits(expect.low, expect.high, "step")
    return Limits(None, limit, "step")


def read_current(context: Context, supply: str, limits: Limits) -> Reading:
    """The mean of some samples of the guard, with the supply's readback accuracy and the scatter as uncertainty, and
    what so few samples leave open of that (see instruments/coverage.py)."""
    amps = []
    for number in range(SAMPLES):
        if number:
            context.time.sleep(SAMPLE_GAP)
        amps.append(context.guard.sample(supply).amps)
    mean, scatter = of_mean(amps)
    u = half_expanded([(rectangular(context.guard.amps_error(supply, mean)), math.inf), scatter])
    seen = Measurement(mean, "A", u, time=context.time.now)
    return context.log.record(supply, "current", seen, limits, instrument=context.guard.instrument(supply), load=False)
