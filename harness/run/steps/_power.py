"""What steps that deal with a supply's current share: the envelope, the reading, its limits."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from wakeboard.harness.run.decide import Limits, rectangular
from wakeboard.harness.run.guard.core import Envelope
from wakeboard.instruments.coverage import half_expanded, of_mean
from wakeboard.instruments.ports import Measurement
from wakeboard.instruments.quantity import Interval

if TYPE_CHECKING:
    from wakeboard.harness.run.context import Context
    from wakeboard.results.records import Reading

INRUSH_MARGIN = 3.0  # times C·V/I: capacitors have tolerances, and the board draws current while it charges
INRUSH_FLOOR = 0.03  # s: what a supply needs to settle by itself
MARGIN_SHARE, MARGIN_VOLTS = 0.03, 0.15  # of the set voltage: programming, readback and lead drop together
SAMPLES = 4  # of the current: their mean is the reading, their scatter part of its uncertainty
SAMPLE_GAP = 0.02  # s


def envelope(
    context: Context, supply: str, volts: float, limit: float, inrush: float | None, expect: Interval | None
) -> Envelope:
    """What the guard holds a supply to, apart from the step's own bound."""
    if inrush is None:
        inrush = INRUSH_FLOOR + INRUSH_MARGIN * context.drawn.farads * volts / limit
    error = context.guard.amps_error(supply, limit)
    least = expect.low if expect is not None else None
    if least is not None and least <= 2 * error:
        least = None  # the readback cannot tell such a current from none, so a lead that fell off is not told by it
    return Envelope(
        volts, limit, inrush, least_amps=least, margin_volts=MARGIN_VOLTS + MARGIN_SHARE * volts, amps_error=error
    )


def with_most(held: Envelope, most: float | None) -> Envelope:
    return held if most is None or most >= held.limit else replace(held, most_amps=most)


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
