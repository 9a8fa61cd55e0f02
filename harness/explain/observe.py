"""From a run's readings to the numbers that a hypothesis must predict.

Volts and amperes are taken as they are; ohms as log10, since a short and an open lie decades apart and what is beyond a
meter's range is "at least so much"; a text reading as whether it came. Readings that a DC circuit says nothing about
(AC, frequency, rates) are left to the line analysis.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from harness.describe.state import BenchState, StateError
from results.records import Reading, RunRecord, Step

OPEN_OHMS = 100e6
"""What a meter shows at most: an overload counts as this much, and a prediction beyond counts as this much too."""
LEAST_OHMS = 0.05
"""Test leads: nothing less is told from a short."""

VOLTS, OHMS, CURRENT, TEXT = "dc volts", "ohms", "current", "text"

# What the model itself may be wrong by, beyond tolerances: one standard deviation (estimates, no source).
_MODEL_SHARE = {VOLTS: 0.002, CURRENT: 0.02, OHMS: 0.0}
_MODEL_FLOOR = {VOLTS: 3e-3, CURRENT: 100e-6, OHMS: 0.02}


@dataclass(frozen=True, slots=True)
class Observation:
    """One number to predict: y with standard deviation sigma (V, A, or decades of ohms)."""

    net: str
    quantity: str
    state: BenchState
    y: float
    sigma: float
    step: int
    reading: Reading
    turned: bool = False  # an ohms reading with the leads exchanged

    @property
    def label(self) -> str:
        """The reading in a few words, and its key in JSON lists."""
        of = self.reading.of
        return f"{of} {self.quantity}" + (" turned" if self.turned else "") + f" [{self.state.key}]"

    @property
    def group(self) -> tuple[str, str]:
        """Readings that one cause moves together."""
        return (self.net, "current" if self.quantity == CURRENT else "net")


def as_seen(quantity: str, value: float) -> float:
    """A predicted value as the observation counts it."""
    if quantity == OHMS:
        if math.isnan(value):
            return math.nan
        return math.log10(min(max(value, LEAST_OHMS), OPEN_OHMS))
    return value


def _sigma(quantity: str, reading: Reading, value: float) -> float:
    u = reading.u or 0.0
    if quantity == OHMS:
        u = u / max(abs(value), 1.0) / math.log(10) if value < OPEN_OHMS else 0.05
        u += 0.1 / max(value, 0.1) / math.log(10)  # leads and contacts
        u = min(u, 0.5)
    model = _MODEL_FLOOR[quantity] + _MODEL_SHARE[quantity] * abs(value if quantity != OHMS else 0.0)
    return math.hypot(u, model)


def _value(reading: Reading) -> float | None:
    if reading.value is not None:
        return reading.value
    overloaded = reading.quantity == OHMS and reading.outcome not in ("skipped", "error")
    return OPEN_OHMS if overloaded else None


def observation(reading: Reading, step: Step, net_of: Callable[[str], str | None]) -> Observation | None:
    """The observation that a reading is; None where no circuit predicts it."""
    if reading.quantity not in (VOLTS, OHMS, CURRENT) or reading.outcome in ("skipped", "error"):
        return None
    value, net = _value(reading), net_of(reading.of)
    if value is None or net is None:
        return None
    try:
        state = BenchState.parse(reading.state)
    except StateError:
        return None
    if reading.quantity == CURRENT and reading.of not in state.supplies:
        return None
    return Observation(
        net if reading.quantity != CURRENT else reading.of,
        reading.quantity,
        state,
        as_seen(reading.quantity, value),
        _sigma(reading.quantity, reading, value),
        step.number,
        reading,
        turned="turned" in reading.says or "reversed" in reading.says,
    )


def observations(run: RunRecord, net_of: Callable[[str], str | None]) -> list[Observation]:
    """All readings of a run that a circuit can be held against, in order."""
    found = (observation(reading, step, net_of) for step, reading in run.readings())
    return [each for each in found if each is not None]


def odd(observations: Sequence[Observation], sigmas: Iterable[float], limit: float = 3.0) -> list[Observation]:
    """Those that lie more than `limit` standard deviations from what the nominal board predicts."""
    return [o for o, s in zip(observations, sigmas, strict=True) if abs(s) > limit]
