"""Between which ends a fitted value lies: how likely the readings are along it, each board solved.

One slope does not tell. Between two dividers a bridge of 1 Ω does what one of 1 kΩ does; a pull on a line that a diode
holds has a slope on one side of its knee and none on the other. So the board is solved at values on both sides, every
unknown where the readings put it beside the fitted value, with slopes of its own. The ends are the 2.5 and 97.5 %
points of the likelihood, over all scales of what nobody states, along the logarithm of the value: that is even before
the readings within what it may be at all. How broad it is there says what the fit costs: Laplace's charge goes by one
slope, and where a resistor may have any value from 50 kΩ on, that takes it for one that might as well be 1 Ω.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.harness.explain.rank import rank
from wakeboard.harness.explain.rank.ascent import Ascent, Solved, acting, board_at
from wakeboard.harness.explain.rank.candidate import Candidate
from wakeboard.harness.explain.rank.fitting import inwards
from wakeboard.harness.explain.rank.likelihood import Likelihood
from wakeboard.harness.explain.rank.modelfit import likeliest_unknowns

DEVIATIONS: Final = (-2.0, 2.0)
"""Standard deviations by the slope at the value, at which the board is solved."""
GONE: Final = 1.2
"""Natural logarithms that it must be less likely there (2 of a normal distribution); else the board is solved further
off as well, twice as far each time, to the end of what the value may be."""
NEIGHBOUR: Final = 3.0
"""Standard deviations that the boards beside the likeliest may be less likely at most; else one between is solved, …"""
HALVED: Final = 6
"""… so many times at most."""
BESIDE: Final = 1.2
"""By which factor a value may lie outside of the ends of one that was looked into, and be the same."""
SHORTEST: Final = 1e-3
"""Standard deviation of a logarithm, at least: no ohms of a board are known better."""
POINTS: Final = 800
"""Of the density between two boards."""
COVERED: Final = (0.025, 0.975)


def with_ends(likelihood: Likelihood, candidate: Candidate) -> Candidate:
    """A candidate with the ends of each of its fitted values, the others held, and how broad it is between them."""
    if not candidate.fitted:
        return candidate
    way = _way(likelihood, candidate)
    found = [_ends(way, candidate, k) for k in candidate.fitted]
    ends, breadths = [(low, high) for low, high, _ in found], tuple(breadth for _, _, breadth in found)
    spreads = tuple(math.expm1(math.log(high / low) / (2 * 1.96)) for low, high in ends)
    values = list(candidate.values)
    for k, (low, high) in zip(candidate.fitted, ends, strict=True):
        if not low <= (values[k] or 0.0) <= high:  # slopes led it there, and solved boards speak for others
            values[k] = math.sqrt(low * high)
    return replace(candidate, values=tuple(values), ends=tuple(ends), breadths=breadths, spreads=spreads)


@dataclass(frozen=True, slots=True)
class Looked:
    """Where a value was looked into: between which ends it lies there, and how broad it is."""

    low: float
    high: float
    breadth: float

    @classmethod
    def into(cls, candidate: Candidate) -> dict[str, Looked]:
        """Of a candidate with its ends: key of the suspect -> of its value."""
        keys = (candidate.suspects[k].key for k in candidate.fitted)
        told = zip(keys, candidate.ends, candidate.breadths, strict=True)
        return {key: cls(low, high, breadth) for key, (low, high), breadth in told}

    def covers(self, value: float) -> bool:
        return self.low / BESIDE <= value <= self.high * BESIDE


def charged(candidate: Candidate, looked: Mapping[str, Looked]) -> Candidate:
    """The candidate, each of its values that was looked into, with it or with another that has it too, charged by how
    broad it is, and no longer by its slope: else whoever was looked into would be at odds with all others."""
    occam, breadths = candidate.occam, list(candidate.breadths or [0.0] * len(candidate.fitted))
    for place, k in enumerate(candidate.fitted):
        suspect, value = candidate.suspects[k], candidate.values[k]
        known = looked.get(suspect.key)
        if known is None or breadths[place] or value is None or not known.covers(value):
            continue
        by_slope = rank.occam_factor(suspect.log_range, candidate.spreads[place] ** -2)
        occam += min(math.log(known.breadth / suspect.log_range), 0.0) - by_slope
        breadths[place] = known.breadth
    return replace(candidate, occam=occam, breadths=tuple(breadths))


def _ends(way: Ascent, candidate: Candidate, k: int) -> tuple[float, float, float]:
    """Between which values it lies, and how broad it is."""
    suspect, value = candidate.suspects[k], candidate.values[k]
    assert value is not None
    assert suspect.low is not None
    assert suspect.high is not None
    least, most = math.log(suspect.low / value), math.log(suspect.high / value)
    step = inwards(candidate, k)
    here, beside = _along(way, candidate, k, np.array([0.0, step]))
    n = len(way.likelihood.evidence.y)
    slope = (beside.mean[:n] - here.mean[:n]) / step
    if not np.isfinite(slope).all():  # no answer there: what the one slope has that it was found by
        wide = 1.96 * math.log1p(candidate.spreads[candidate.fitted.index(k)])
        low, high = max(-wide, least), min(wide, most)
        return value * math.exp(low), value * math.exp(high), (high - low) / (2 * 1.96) * math.sqrt(2 * math.pi)
    told = float(slope @ np.linalg.solve(here.covariance, slope))
    spread = max(1 / math.sqrt(max(told, 1e-6)), SHORTEST)
    at = np.unique(np.clip([by * spread for by in DEVIATIONS], least, most))
    boards = [here, beside, *_along(way, candidate, k, at)]
    best = max(c.log_likelihood for c in boards)
    further = [
        each
        for end, limit in ((0, least), (-1, most))
        if boards[2:][end].log_likelihood > best - GONE
        for each in further_off(float(at[end]), limit)
    ]
    boards += _along(way, candidate, k, np.array(further)) if further else []
    offsets, fits = np.array([0.0, step, *at, *further]), np.array([c.log_likelihood for c in boards])
    for _ in range(HALVED):
        halves = halved(offsets, fits)
        if not len(halves):
            break
        offsets = np.concatenate((offsets, halves))
        fits = np.concatenate((fits, [c.log_likelihood for c in _along(way, candidate, k, halves)]))
    low, high, breadth = between(offsets, fits, (least, most))
    if min(abs(least), abs(most)) < abs(step):  # at an end of its range, where the density may well be highest
        low, high = min(low, 0.0), max(high, 0.0)
    return value * math.exp(low), value * math.exp(high), breadth


def further_off(offset: float, limit: float) -> list[float]:
    """Offsets beyond one, each twice as far from the value, and the limit at last."""
    out, least = [], max(abs(offset), SHORTEST)
    while 2 * least < abs(limit):
        least *= 2
        out.append(math.copysign(least, limit))
    return [*out, limit] if abs(limit - offset) > SHORTEST else []


def halved(offsets: Array, fits: Array) -> Array:
    """Offsets half-way from the likeliest to those beside it that are so much less likely that it may be anywhere
    between them: a slope at the end of a range, or past a knee, leads far beyond."""
    good = np.isfinite(fits)
    if not good.any():
        return np.zeros(0)
    at, first = np.unique(offsets[good], return_index=True)
    known = fits[good][first]
    best = int(np.argmax(known))
    far = [
        beside for beside in (best - 1, best + 1)
        if 0 <= beside < len(at) and known[beside] < known[best] - 0.5 * NEIGHBOUR**2
        and abs(at[beside] - at[best]) > SHORTEST
    ]  # fmt: skip
    out: Array = 0.5 * (at[best] + at[far])
    return out


def between(offsets: Array, fits: Array, limits: tuple[float, float]) -> tuple[float, float, float]:
    """Between which offsets, within limits, COVERED of a density lies whose logarithm is known at some (not finite: not
    known); and how broad it is: its area over its height.

    Interpolated, and beyond the last ones continued, is the root of how far each is below the likeliest: of a normal
    distribution that is a straight line.
    """
    from scipy.interpolate import PchipInterpolator

    good = np.isfinite(fits)
    at, first = np.unique(offsets[good], return_index=True)
    if len(at) < 2:
        return (*limits, limits[1] - limits[0])
    known = fits[good][first]
    best = int(np.argmax(known))
    root = np.sign(at - at[best]) * np.sqrt(2 * (known[best] - known))
    inside = PchipInterpolator(at, root)
    x = np.concatenate([np.linspace(a, b, POINTS) for a, b in itertools.pairwise((limits[0], *at, limits[1]))])
    steep = np.maximum(np.diff(root)[[0, -1]] / np.diff(at)[[0, -1]], 0.0)
    beyond = np.where(x < at[0], root[0] + steep[0] * (x - at[0]), root[-1] + steep[1] * (x - at[-1]))
    density = np.exp(-0.5 * np.where((x < at[0]) | (x > at[-1]), beyond, inside(x)) ** 2)
    whole = np.concatenate(([0.0], np.cumsum(0.5 * (density[1:] + density[:-1]) * np.diff(x))))
    low, high = np.interp([share * whole[-1] for share in COVERED], whole, x)
    return float(low), float(high), float(whole[-1])


def _way(likelihood: Likelihood, candidate: Candidate) -> Ascent:
    """The candidate's place, every unknown where the readings put it, to look along its values from."""
    (spread,) = likelihood.spreads([candidate.change])
    alone, shared = (likelihood.predictor.predict([candidate.change], exact=exact)[0] for exact in (True, False))
    rows = spread.rows if candidate.rows is None else candidate.rows
    t = np.zeros(len(rows)) if candidate.rows is None else likeliest_unknowns(likelihood, candidate)[: len(rows)]
    return Ascent(likelihood, spread.noise, candidate.scale, t, alone - shared, acting(rows, spread.noise))


def _along(way: Ascent, candidate: Candidate, k: int, offsets: Array) -> list[Candidate]:
    """The candidate with a value moved by so much in its logarithm, weighed with slopes of that board."""
    likelihood, t = way.likelihood, way.next
    n, moved = len(likelihood.evidence.y), [candidate.moved({k: float(by)}) for by in offsets]
    means, slopes, _ = likelihood.predictor.beside(
        [board_at(likelihood, c, t) for c in moved], likelihood.unknowns, np.array([t] * len(moved)),
        [c.change for c in moved], way.acting,
    )  # fmt: skip
    places = [Solved(t, mean + way.offset, row[:, :n]) for mean, row in zip(means, slopes, strict=True)]
    return [likelihood.together([way.linear(place, scale) for scale in likelihood.live]) for place in places]
