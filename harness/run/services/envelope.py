"""What the guard holds a supply to."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from wakeboard.harness.run.guard.core import Envelope
from wakeboard.instruments.quantity import Interval

if TYPE_CHECKING:
    from wakeboard.harness.run.context import Context

INRUSH_MARGIN = 3.0  # times C·V/I: capacitors have tolerances, and the board draws current while it charges
INRUSH_MOST = 600.0  # s: what still limits after ten minutes is no capacitor that charges
INRUSH_FLOOR = 0.03  # s: what a supply needs to settle by itself, where its dialect states no longer time
MARGIN_SHARE, MARGIN_VOLTS = 0.03, 0.15  # of the set voltage: programming, readback and lead drop together


def envelope_of(
    context: Context, supply: str, volts: float, limit: float, inrush: float | None, expect: Interval | None
) -> Envelope:
    """What the guard holds a supply to, apart from the step's own bound."""
    if inrush is None:
        inrush = INRUSH_FLOOR + INRUSH_MARGIN * context.drawn.farads * volts / limit
    inrush = min(inrush, INRUSH_MOST)
    error = context.guard.amps_error(supply, limit)
    least = expect.low if expect is not None else None
    if least is not None and least <= 2 * error:
        least = None  # the readback cannot tell such a current from none, so a lead that fell off is not told by it
    margin = MARGIN_VOLTS + MARGIN_SHARE * volts
    lag = max(0.0, context.guard.settle_s(supply) - INRUSH_FLOOR)
    return Envelope(volts, limit, inrush, least_amps=least, margin_volts=margin, amps_error=error, lag_s=lag)


def with_most(held: Envelope, most: float | None) -> Envelope:
    return held if most is None or most >= held.limit else replace(held, most_amps=most)
