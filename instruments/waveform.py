"""A waveform as an oscilloscope took it, and what is read off it, each with a standard uncertainty.

    wave.crossing(1.65)          first time at which it rises through 1.65 V, s after the trigger
    wave.rise()                  10 % to 90 % of its step (IEEE 181: state levels are the modes of the histogram)

Times: half-width of half a sample and of the time base's share, and the spread between the crossings of the level less
and plus the vertical half-width: a level within what the instrument may be off by of where the wave stands has no time.
Formulae and figures: JCGM 100 for the combination; the rest is common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

BINS: Final = 100
"""Of the histogram in which a level of a wave is looked for: one is a hundredth of the span, near a scope's code."""
TAIL: Final = 0.2
"""Share of the end of a wave that tells its noise and its ripple."""
LEAST_STEP: Final = 4.0
"""Times the noise, peak to peak: a smaller step is no step."""


class NoSuchEvent(ValueError):
    """What was asked for does not happen in this wave; the text says so for a person."""


@dataclass(frozen=True, slots=True)
class Timed:
    """A figure of a wave in `unit` (s, V or 1), with its standard uncertainty."""

    value: float
    u: float
    unit: str


@dataclass(frozen=True)
class Waveform:
    """volts: one a sample, the first `start` s after the trigger, `dt` s apart.

    share, fixed: half-width of the volts, as a share of them and in V; lsb: V of one code; ppm: of time; clipped:
    samples beyond the screen, whose volts are not known.
    """

    channel: str
    start: float
    dt: float
    volts: NDArray[np.float64]
    lsb: float
    share: float = 0.0
    fixed: float = 0.0
    ppm: float = 0.0
    clipped: int = 0

    def __post_init__(self) -> None:
        if len(self.volts) < 2 or not self.dt > 0 or not np.isfinite(self.volts).all():
            raise ValueError(f"a waveform of {len(self.volts)} samples, {self.dt:g} s apart")

    @property
    def end(self) -> float:
        """s after the trigger."""
        return self.start + self.dt * (len(self.volts) - 1)

    def half_width(self, volts: float) -> float:
        """V by which a sample at `volts` may be off."""
        return self.share * abs(volts) + self.fixed + self.lsb / 2

    @cached_property
    def noise(self) -> float:
        """Standard deviation of a sample about its neighbours, V: of second differences, so that a slope adds none; not
        less than what a code rounds (JCGM 100, F.2.2.1: one code by the root of twelve)."""
        second = np.diff(self.volts, 2)
        seen = float(np.median(np.abs(second)) / 0.6745 / math.sqrt(6)) if len(second) else 0.0
        return max(seen, self.lsb / math.sqrt(12))

    # --- levels -----------------------------------------------------------------------------------------------------
    @cached_property
    def levels(self) -> tuple[float, float]:
        """(low, high), V: the modes of the histogram's lower and upper half. Raises NoSuchEvent for no step."""
        low, high = float(self.volts.min()), float(self.volts.max())
        if high - low < max(LEAST_STEP * 2 * self.noise, 3 * self.lsb):
            raise NoSuchEvent("it does not move")
        return self._mode(low, (low + high) / 2), self._mode((low + high) / 2, high)

    def _mode(self, low: float, high: float) -> float:
        within = self.volts[(self.volts >= low) & (self.volts <= high)]
        counts, edges = np.histogram(within, BINS, (low, high))
        place = int(np.argmax(counts))
        near = within[(within >= edges[max(place - 1, 0)]) & (within <= edges[min(place + 2, BINS)])]
        return float(near.mean())

    @cached_property
    def settled(self) -> Timed:
        """V at the end of the wave."""
        tail = self._tail
        mean = float(tail.mean())
        return Timed(mean, self._u_volts(mean, float(tail.std()) / math.sqrt(len(tail))), "V")

    @property
    def _tail(self) -> NDArray[np.float64]:
        return self.volts[-max(8, int(TAIL * len(self.volts))) :]

    def _u_volts(self, volts: float, scatter: float) -> float:
        return math.hypot(self.half_width(volts) / math.sqrt(3), scatter)

    # --- times ------------------------------------------------------------------------------------------------------
    def crossing(self, level: float, *, rising: bool = True) -> Timed:
        """s after the trigger at which it crosses `level` for the first time and stays beyond for longer than its
        noise. Raises NoSuchEvent where it does not, or where the uncertainty of the volts leaves it open."""
        self._seen(level)
        return self._crossing(level, self.half_width(level), rising)

    def passes(self, share: float) -> Timed:
        """s after the trigger at which it rises through this share of its own step, from its low to where it settles:
        the gain and the offset of the volts cancel, as in `rise`. Raises NoSuchEvent."""
        self._whole()
        low, high = self.levels[0], self.settled.value
        return self._crossing(low + share * (high - low), self.lsb / 2 + 2 * self.noise, True)

    def _crossing(self, level: float, half: float, rising: bool) -> Timed:
        sign = 1.0 if rising else -1.0
        when = self._time(level, sign)
        if when is None:
            raise NoSuchEvent(f"it does not {'rise' if rising else 'fall'} through {level:.3g} V")
        early, late = self._time(level - sign * half, sign), self._time(level + sign * half, sign)
        if early is None or late is None:
            raise NoSuchEvent(f"{level:.3g} V lies within ±{half:.2g} V of where it stands: nobody can say when")
        spread = (late - early) / 2 / math.sqrt(3)
        base = (self.dt / 2 + self.ppm * 1e-6 * abs(when)) / math.sqrt(3)
        return Timed(when, math.hypot(spread, base), "s")

    def _time(self, level: float, sign: float) -> float | None:
        """The first crossing by a line between samples; one that the noise takes back at once does not count."""
        beyond = sign * (self.volts - level) >= 0
        if beyond[0]:
            return None
        hysteresis = max(3 * self.noise, self.lsb)
        clear = np.flatnonzero(sign * (self.volts - level) >= hysteresis)
        reach = int(clear[0]) if len(clear) else -1
        below = np.flatnonzero(~beyond[: reach + 1]) if reach >= 0 else np.flatnonzero(~beyond)
        k = int(below[-1])
        if k + 1 >= len(self.volts):
            return None
        a, b = float(self.volts[k]), float(self.volts[k + 1])
        return self.start + self.dt * (k + ((level - a) / (b - a) if b != a else 1.0))

    def crossings(self, level: float) -> int:
        """How often it rises through a level: more than once is no clean rise."""
        margin = max(3 * self.noise, self.lsb)
        state, count = bool(self.volts[0] > level), 0
        above, below = self.volts > level + margin, self.volts < level - margin
        for up, down in zip(above, below, strict=True):
            if up and not state:
                state, count = True, count + 1
            elif down:
                state = False
        return count

    def rise(self) -> Timed:
        """s from 10 % to 90 % of the step; the uncertainty of the volts cancels but for the noise and the codes."""
        self._whole()
        low, high = self.levels
        half = self.lsb / 2 + 2 * self.noise
        first = self._crossing(low + 0.1 * (high - low), half, True)
        last = self._crossing(low + 0.9 * (high - low), half, True)
        if last.value < first.value:
            raise NoSuchEvent("it does not rise once from low to high")
        return Timed(last.value - first.value, math.hypot(first.u, last.u), "s")

    def overshoot(self) -> Timed:
        """(highest - high) / (high - low), as a share. Raises NoSuchEvent."""
        self._whole()
        low, _ = self.levels
        high = self.settled.value
        if high - low < max(LEAST_STEP * 2 * self.noise, 3 * self.lsb):
            raise NoSuchEvent("it does not stay up")
        # The highest of n samples stands above their mean by the noise alone: by about sqrt(2 ln n) of its deviation.
        expected = self.noise * math.sqrt(2 * math.log(len(self.volts)))
        over = (float(self.volts.max()) - expected - high) / (high - low)
        return Timed(max(0.0, over), math.hypot(self.lsb / math.sqrt(3), self.noise) / (high - low), "1")

    def ripple(self) -> Timed:
        """V, peak to peak, of the wave's end, its noise and codes included: an upper bound."""
        self._whole()
        tail = self._tail
        swing = float(tail.max() - tail.min())
        return Timed(swing, math.hypot(self.lsb, self.share * swing) / math.sqrt(3), "V")

    def _whole(self) -> None:
        if self.clipped:
            raise NoSuchEvent(f"{self.clipped} samples lie beyond the screen")

    def _seen(self, level: float) -> None:
        """A level beyond the screen is crossed by nothing that was seen."""
        if self.clipped and not self.volts.min() < level < self.volts.max():
            raise NoSuchEvent(f"{level:.3g} V lies beyond the screen")

    def thinned(self, most: int = 800) -> tuple[list[float], list[float], list[float]]:
        """(s, lowest V, highest V) of groups of samples, at most `most`: what a drawing and a store need."""
        every = max(1, math.ceil(len(self.volts) / most))
        whole = len(self.volts) // every * every
        groups = self.volts[:whole].reshape(-1, every)
        times = self.start + self.dt * every * np.arange(len(groups))
        return (
            _rounded(times, self.dt / 10),
            _rounded(groups.min(1), self.lsb / 10),
            _rounded(groups.max(1), self.lsb / 10),
        )


def _rounded(values: Any, step: float) -> list[float]:
    digits = max(0, math.ceil(-math.log10(step))) if step > 0 else 12
    return [float(each) for each in np.round(values, digits)]


def from_codes(codes: Sequence[int] | NDArray[Any], step: float, zero: float, base: float) -> NDArray[np.float64]:
    """Volts = (code - zero)·step + base."""
    return (np.asarray(codes, dtype=np.float64) - zero) * step + base
