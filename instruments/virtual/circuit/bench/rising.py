"""When nets come up behind a supply whose own rise is known, and how far that may be off with the parts.

    behind = Rising(model, Variant(values=state_values(state)), "bench_USB", {"+3V3": Level(1.65, share=0.5)})
    times = behind.times(wave)                    net -> s, on the wave's own clock; None: it does not come up
    moved = behind.moved(wave, unknowns)          (T, N) s by which each unknown moves each net

The supply is made to follow a wave, [(s, V)] by straight lines, without a limit of its own: what it did is known, be it
a slew rate, a current limit or a guard's ramp. It has stood at the wave's first volts for long: capacitors keep what an
earlier test has left there. Only values of parts are moved; leakages beside what is drawn are not.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np

from wakeboard.instruments.virtual.circuit.model import Model, Variant
from wakeboard.instruments.virtual.circuit.solver.devices import Array
from wakeboard.instruments.virtual.circuit.solver.transient import Simulation

from .unknowns import Unknown

Wave = Sequence[tuple[float, float]]
Times = dict[str, float | None]

RESOLUTION: Final = 5e-5
"""s: as the virtual bench in time."""
TOLERANCE: Final = 2e-4
"""Of the largest capacitor's voltage, how far off a step may be: as the virtual bench in time."""
FREE_AMPS: Final = 100.0
"""A: a limit that does not act."""


@dataclass(frozen=True, order=True)
class Level:
    """V that a net passes; share: where it passes them at all, this share of its own end is what counts."""

    volts: float
    share: float | None = None


@dataclass(frozen=True)
class Rising:
    """before: the bench as it stands before the supply goes on; supply: its part; levels: net -> what it passes."""

    model: Model
    before: Variant
    supply: str
    levels: Mapping[str, Level]

    def times(self, wave: Wave, more: Mapping[str, float] | None = None) -> Times:
        """more: values of parts that are not as drawn. Raises SolveError where the circuit has no answer in time."""
        path = f"{self.supply}.volts"
        at_first = {f"{self.supply}.on": True, path: wave[0][1], f"{self.supply}.limit": FREE_AMPS}
        variant = replace(self.before, values={**self.before.values, **at_first, **(more or {})})
        simulation = Simulation(self.model, variant, settled=True, resolution=RESOLUTION, tolerance=TOLERANCE)
        at: list[float] = []
        rows: list[list[float]] = []

        def follow() -> None:
            at.append(simulation.time)
            rows.append([simulation.volts(net) for net in self.levels])

        follow()
        simulation.followers.append(follow)
        for (began, _), (ends, volts) in pairwise(wave):
            simulation.glide({path: volts}, ends - began)
            simulation.advance(ends - began)
        follow()
        seen = np.array(rows)
        start = np.array(at) + wave[0][0]
        return {net: _first(start, seen[:, k], level) for k, (net, level) in enumerate(self.levels.items())}

    def moved(self, wave: Wave, unknowns: Sequence[Unknown], between: Callable[[], None] | None = None) -> Array:
        """s, by each unknown at its upper end, or one standard deviation up where nobody bounds it. NaN where a net
        that comes up as drawn does not come up then. between: called before each of them. Raises SolveError."""
        drawn = self.times(wave)
        out = np.zeros((len(unknowns), len(self.levels)))
        for k, unknown in enumerate(unknowns):
            if between is not None:
                between()
            value = unknown.drawn * unknown.factor(1.0) if unknown.ends is None else unknown.ends[1]
            times = self.times(wave, {unknown.path: value})
            out[k] = [_apart(drawn[net], times[net]) for net in self.levels]
        return out


def _first(times: Array, volts: Array, wanted: Level) -> float | None:
    level = wanted.volts
    if wanted.share is not None and volts[-1] >= level:
        level = volts[0] + wanted.share * (volts[-1] - volts[0])
    up = np.flatnonzero((volts[:-1] < level) & (volts[1:] >= level))
    if not len(up):
        return None
    k = int(up[0])
    share = (level - volts[k]) / (volts[k + 1] - volts[k])
    return float(times[k] + share * (times[k + 1] - times[k]))


def _apart(drawn: float | None, moved: float | None) -> float:
    if drawn is None:
        return 0.0
    return float("nan") if moved is None else moved - drawn


def straight(times: Array, volts: Array, within: float) -> list[tuple[float, float]]:
    """A wave by few straight lines that leave it by no more than `within` V: halved at the farthest point."""
    kept = {0, len(times) - 1}
    open_ends = [(0, len(times) - 1)]
    while open_ends:
        first, last = open_ends.pop()
        if last - first < 2:
            continue
        line = np.interp(times[first : last + 1], times[[first, last]], volts[[first, last]])
        off = np.abs(volts[first : last + 1] - line)
        far = first + int(np.argmax(off))
        if off[far - first] > within:
            kept.add(far)
            open_ends += [(first, far), (far, last)]
    return [(float(times[k]), float(volts[k])) for k in sorted(kept)]
