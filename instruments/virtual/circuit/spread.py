"""What tolerances do to net voltages: worst case by sensitivities, and a seeded Monte Carlo.

Worst case: each toleranced value is moved to both its ends alone; its sign on a net says to which end it goes in the
corner that lifts that net the most, and in the one that lowers it; both corners are then solved. Exact where each net
is monotone in each value, as resistor networks and regulators are.
Monte Carlo: specimens drawn as `tolerance.draw` does (uniform within limits), for mean, deviation and covariance.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from .devices import Array
from .tolerance import nominal

if TYPE_CHECKING:
    from .model import Model, Variant
    from .points import Points


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

    between: called before each SLICE of variants, for who has to give a sign of life.
    """
    base = replace(variant, seed=None)
    paths = _paths(model, base)
    ends = [
        replace(base, values={**{path: value * (1 + s * relative)}, **base.values})
        for path, value, relative in paths
        for s in (1, -1)
    ]
    nominal_points = model.solve([base]).require()

    def solved(variants: Sequence[Variant]) -> Array:
        return _solved(model, variants, nominal_points, nets, between)

    single = solved([base, *ends])
    up, down = single[1::2] - single[0], single[2::2] - single[0]
    rise = np.where(np.abs(up) >= np.abs(down), up, -down) if len(paths) else np.zeros((0, len(nets)))
    corners = [_corner(base, paths, rise[:, k], way) for k in range(len(nets)) for way in (1, -1)]
    at_corners = solved(corners)
    own = at_corners[:, np.repeat(np.arange(len(nets)), 2)].diagonal()
    seen = np.vstack([single, own[None, ::2], own[None, 1::2]])
    drawn = [replace(base, seed=seed * 1_000_003 + k) for k in range(n)]
    specimens = solved(drawn) if n else single[:1]
    covariance = np.cov(specimens, rowvar=False).reshape(len(nets), len(nets)) if n > 1 else np.zeros((len(nets),) * 2)
    return Spread(
        tuple(nets),
        single[0],
        seen.min(axis=0),
        seen.max(axis=0),
        specimens.mean(axis=0),
        np.sqrt(np.diag(covariance)),
        covariance,
        {path: up[k] for k, (path, _, _) in enumerate(paths)},
        specimens,
    )


def _solved(
    model: Model, variants: Sequence[Variant], start: Points, nets: Sequence[str], between: Callable[[], None] | None
) -> Array:
    """Volts of the nets, (B, N)."""
    if between is None:
        return _nets(model.solve(variants, start=start).require(), nets)
    parts = []
    for first in range(0, len(variants), SLICE):
        between()
        parts.append(_nets(model.solve(variants[first : first + SLICE], start=start).require(), nets))
    return np.vstack(parts)


def _paths(model: Model, base: Variant) -> list[tuple[str, float, float]]:
    """Every toleranced value that the variant does not set: path, nominal, relative tolerance."""
    return [
        (f"{part.name}.{path}", nominal(part, path), relative)
        for part in model.circuit.parts
        for path, relative in part.tolerance.items()
        if relative and f"{part.name}.{path}" not in base.values
    ]


def _corner(base: Variant, paths: Sequence[tuple[str, float, float]], rise: Array, way: int) -> Variant:
    values = {
        path: value * (1 + way * (1 if r >= 0 else -1) * relative)
        for (path, value, relative), r in zip(paths, rise, strict=True)
    }
    return replace(base, values={**values, **base.values})


def _nets(points: Points, nets: Sequence[str]) -> Array:
    return np.array([points.net(net) for net in nets]).T
