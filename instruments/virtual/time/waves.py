"""Lines that toggle: what a meter of any kind reads on a net while a pin of the board drives it high and low.

A toggling pin is a state of the circuit twice a period. Rather than following it through every period of an
integration time, one period is followed closely until it repeats, and mean, AC RMS and frequency are taken from it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from wakeboard.instruments.virtual.time.stage import Stage

LOOKS = (0.02, 0.1, 0.25, 0.5, 0.75, 1.0)  # of a half of the period: where the voltage is looked at
REPEATS = 12  # periods that are followed at most
SAME = 0.5e-3  # V: two periods that differ less are the same


@dataclass(frozen=True, slots=True)
class Wave:
    """What stands between two nets: mean and AC RMS in V, frequency in Hz (0 for a steady voltage), swing in V."""

    mean: float
    rms: float = 0.0
    frequency: float = 0.0
    swing: float = 0.0


class Steady:
    """What stands between two nets while nothing toggles, as long as the stage stays as it is."""

    __slots__ = ("_high", "_low", "_stage")
    rms = frequency = swing = 0.0

    def __init__(self, stage: Stage, high: str, low: str) -> None:
        self._stage = stage
        self._high = high
        self._low = low

    @property
    def mean(self) -> float:
        return self._stage.volts(self._high) - self._stage.volts(self._low)


@dataclass(frozen=True, slots=True)
class Toggle:
    """A value of the circuit ("U1.GPIO2.drive") that alternates; duty is the share of `high` in the period."""

    key: str
    frequency: float
    duty: float = 0.5
    high: str = "high"
    low: str = "low"


class Waves:
    """The toggles in force on a stage, and what they make of a voltage."""

    def __init__(self, stage: Stage) -> None:
        self.stage = stage
        self.toggles: dict[str, Toggle] = {}
        self._known: dict[tuple[str, str], tuple[int, Wave]] = {}

    def start(self, toggle: Toggle) -> None:
        """Let a pin toggle from now on."""
        self.toggles[toggle.key] = toggle
        self.stage.change({toggle.key: toggle.high})

    def stop(self, key: str) -> None:
        """No longer; the pin stays as it is until somebody drives it."""
        self.toggles.pop(key, None)

    def stop_all(self) -> None:
        self.toggles.clear()

    def between(self, high: str, low: str) -> Wave | Steady:
        """The voltage from net `high` to net `low`. A steady one is looked at where its mean is asked for: of its
        alternation everything is known."""
        if not self.toggles:
            return Steady(self.stage, high, low)
        known = self._known.get((high, low))
        if known is not None and known[0] == self.stage.version:
            return known[1]
        wave = self._follow_all(lambda: self.stage.volts(high) - self.stage.volts(low))
        self._known[high, low] = self.stage.version, wave
        return wave

    def _follow_all(self, look: Callable[[], float]) -> Wave:
        waves = [self._follow(toggle, look) for toggle in self.toggles.values()]
        strongest = max(waves, key=lambda wave: wave.swing)
        rms = math.sqrt(sum(wave.rms**2 for wave in waves))
        return Wave(strongest.mean, rms, strongest.frequency, strongest.swing)

    def _follow(self, toggle: Toggle, look: Callable[[], float]) -> Wave:
        period = 1.0 / toggle.frequency
        last: list[float] = []
        times: list[float] = []
        volts: list[float] = []
        for _ in range(REPEATS):
            times, volts = [], []
            for level, start, length in (
                (toggle.high, 0.0, toggle.duty * period),
                (toggle.low, toggle.duty * period, (1 - toggle.duty) * period),
            ):
                self._half(toggle.key, level, start, length, times, volts, look)
            if last and max(abs(a - b) for a, b in zip(last, volts, strict=True)) < SAME:
                break
            last = volts
        return _summary(toggle, times, volts)

    def _half(
        self,
        key: str,
        level: str,
        start: float,
        length: float,
        times: list[float],
        volts: list[float],
        look: Callable[[], float],
    ) -> None:
        self.stage.change({key: level})
        done = 0.0
        for share in LOOKS:
            self.stage.advance(share * length - done)
            done = share * length
            times.append(start + done)
            volts.append(look())


def _summary(toggle: Toggle, times: list[float], volts: list[float]) -> Wave:
    """Mean and RMS by the trapezoid rule in each half; the jump between the halves takes no time."""
    count = len(LOOKS)
    high, low = volts[:count], volts[count:]
    share = toggle.duty
    mean = share * _mean(high) + (1 - share) * _mean(low)
    squares = share * _mean([(v - mean) ** 2 for v in high]) + (1 - share) * _mean([(v - mean) ** 2 for v in low])
    swing = max(volts) - min(volts)
    return Wave(mean, math.sqrt(squares), toggle.frequency if swing > SAME else 0.0, swing)


def _mean(values: list[float]) -> float:
    places = (0.0, *LOOKS)
    padded = [values[0], *values]
    return sum((b - a) * (x + y) / 2 for a, b, x, y in zip(places, places[1:], padded, padded[1:], strict=False))
