"""Uncertainty: inputs with a distribution, drawn together, carried through any function (JCGM 100 and JCGM 101).

An input is named; whatever uses the same name uses the same error. So two readings of one meter share its gain error,
and a pull and a check of it share the tolerance of one fitted resistor: correlation comes from naming, not from a
coefficient. Intervals come from draws (JCGM 101), since one dominant rectangular error makes 2u far too wide.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Input:
    """One input quantity. `spread` is the half-width of a rectangular, or the standard uncertainty of a normal one."""

    name: str
    value: float
    spread: float
    shape: Literal["rectangular", "normal"] = "rectangular"

    @property
    def u(self) -> float:
        """Standard uncertainty, in the unit of the value."""
        return self.spread / math.sqrt(3.0) if self.shape == "rectangular" else self.spread


@dataclass(frozen=True, slots=True)
class Estimate:
    """A result: value, standard uncertainty u, and the interval low..high that holds the truth with `level`."""

    value: float
    u: float
    low: float
    high: float
    level: float = 0.95

    def holds(self, truth: float) -> bool:
        return self.low <= truth <= self.high


def draw(inputs: Iterable[Input], count: int, seed: int) -> dict[str, Array]:
    """Latin-hypercube draws of every input, name -> (1 + count,). Element 0 is the value itself, without error.

    Stratified, so that 2000 draws give the interval's ends to about a hundredth of its width.
    """
    from scipy.special import ndtri

    rng = np.random.default_rng(seed)
    drawn: dict[str, Array] = {}
    for item in inputs:
        if item.name in drawn:
            continue
        p = (rng.permutation(count) + rng.random(count)) / count
        z = 2 * p - 1 if item.shape == "rectangular" else ndtri(np.clip(p, 1e-12, 1 - 1e-12))
        drawn[item.name] = np.concatenate(([item.value], item.value + item.spread * z))
    return drawn


def estimate(drawn: Array, level: float = 0.95) -> Estimate:
    """The estimate from draws (1 + count,), element 0 being the best value. Non-finite draws count as the far end."""
    rest = np.where(np.isnan(drawn[1:]), np.inf, drawn[1:])
    tail = (1 - level) / 2
    low, high = np.quantile(rest, [tail, 1 - tail], method="nearest")
    finite = rest[np.isfinite(rest)]
    u = float(np.std(finite)) if finite.size else math.inf
    return Estimate(float(drawn[0]), u, float(low), float(high), level)


def propagate(
    function: Callable[..., object], values: Mapping[str, float], covariance: Array, outputs: Sequence[str]
) -> tuple[dict[str, float], Array]:
    """First-order propagation (JCGM 100, 5.2.2) of correlated inputs: y = f(**values) and U_y = J U_x J^T.

    function returns as many numbers as `outputs` names; covariance is (n, n) in the order of `values`.
    """
    names = list(values)
    centre = np.asarray(function(**values), dtype=float)
    jacobian = np.empty((len(outputs), len(names)))
    for column, name in enumerate(names):
        step = max(float(np.sqrt(covariance[column, column])) * 1e-3, abs(values[name]) * 1e-7, 1e-12)
        up = np.asarray(function(**{**values, name: values[name] + step}), dtype=float)
        down = np.asarray(function(**{**values, name: values[name] - step}), dtype=float)
        jacobian[:, column] = (up - down) / (2 * step)
    return dict(zip(outputs, centre.tolist(), strict=True)), jacobian @ covariance @ jacobian.T
