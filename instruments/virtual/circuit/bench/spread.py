"""What tolerances do to net voltages: worst case by sensitivities, and a seeded Monte Carlo.

Worst case: the sign of each value's slope on a net (slopes.py) says to which end of its tolerance it goes in the corner
that lifts that net the most, and in the one that lowers it; both corners are then solved in full. Exact where each net
is monotone in each value, as resistor networks and regulators are. A value that acts only beyond a knee inside its own
tolerance has no slope here, and is not found; moving each value to its ends alone, as was done before, gave the same to
1e-12 V in all nets and states of the demo board.
Monte Carlo: specimens drawn as `tolerance.draw` does (uniform within limits), for mean, deviation and covariance.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from ..devices import Array
from .slopes import Slopes
from .unknowns import Unknown, bounded

if TYPE_CHECKING:
    from ..model import Model, Variant
    from ..points import Points


@dataclass(frozen=True)
class Spread:
    """Of N nets, volts: nominal, low, high (worst case), mean, deviation (N,), covariance (N, N) of the specimens.

    sensitivity: "PART.value" -> change of each net (N,) for the value at its upper end.
    """

    nets: tuple[str, ...]
    nominal: Array
    low: Array
    high: Array
    mean: Array
    deviation: Array
    covariance: Array
    sensitivity: Mapping[str, Array]
    specimens: Array

    def of(self, net: str) -> tuple[float, float, float]:
        """(nominal, low, high) of one net."""
        k = self.nets.index(net)
        return float(self.nominal[k]), float(self.low[k]), float(self.high[k])


SLICE = 128  # variants between two calls of `between`


def spread(
    model: Model,
    variant: Variant,
    nets: Sequence[str],
    n: int = 200,
    seed: int = 1,
    between: Callable[[], None] | None = None,
) -> Spread:
    """See the module. SolveError when a corner or a specimen has no answer; `variant.seed` is not looked at.

    between: called before each piece of work, at most SLICE variants, for who has to give a sign of life.
    """
    base = replace(variant, seed=None)
    unknown = bounded(model.circuit.parts, base.values)
    alive = between or _nobody_waits
    alive()
    start = model.solve([base]).require()
    alive()

    def solved(variants: Sequence[Variant]) -> Array:
        return _solved(model, variants, start, nets, alive)

    rise = _rises(model, start, unknown, nets)
    ends = [_ends(each) for each in unknown]
    corners = solved([_corner(base, ends, rise[:, k], way) for k in range(len(nets)) for way in (1, -1)])
    own = corners[:, np.repeat(np.arange(len(nets)), 2)].diagonal()
    nominal = _nets(start, nets)[0]
    seen = np.vstack([nominal, own[::2], own[1::2]])
    drawn = [replace(base, seed=seed * 1_000_003 + k) for k in range(n)]
    specimens = solved(drawn) if n else nominal[None]
    covariance = np.cov(specimens, rowvar=False).reshape(len(nets), len(nets)) if n > 1 else np.zeros((len(nets),) * 2)
    return Spread(
        tuple(nets),
        nominal,
        seen.min(axis=0),
        seen.max(axis=0),
        specimens.mean(axis=0),
        np.sqrt(np.diag(covariance)),
        covariance,
        {each.path: rise[k] for k, each in enumerate(unknown)},
        specimens,
    )


def _rises(model: Model, at: Points, unknown: Sequence[Unknown], nets: Sequence[str]) -> Array:
    """(T, N) how far each value at its upper end moves each net."""
    if not unknown:
        return np.zeros((0, len(nets)))
    moved = Slopes(model, at).moved(unknown)
    ends = np.full(len(unknown), math.sqrt(3))  # standard deviations of a rectangular spread
    return np.array([moved.net(net, [0])[0] * ends for net in nets]).T


def _solved(
    model: Model, variants: Sequence[Variant], start: Points, nets: Sequence[str], alive: Callable[[], None]
) -> Array:
    """Volts of the nets, (B, N)."""
    parts = []
    for first in range(0, len(variants), SLICE):
        alive()
        parts.append(_nets(model.solve(variants[first : first + SLICE], start=start).require(), nets))
    return np.vstack(parts)


def _nobody_waits() -> None:
    """No sign of life is wanted."""


def _corner(base: Variant, ends: Sequence[tuple[str, float, float]], rise: Array, way: int) -> Variant:
    """Every value at the end that lifts the net (way 1), or lowers it (-1). ends: path, lower end, upper end."""
    values = {path: high if (r >= 0) == (way > 0) else low for (path, low, high), r in zip(ends, rise, strict=True)}
    return replace(base, values={**values, **base.values})


def _ends(each: Unknown) -> tuple[str, float, float]:
    assert each.ends is not None
    return each.path, *each.ends


def _nets(points: Points, nets: Sequence[str]) -> Array:
    return np.array([points.net(net) for net in nets]).T
