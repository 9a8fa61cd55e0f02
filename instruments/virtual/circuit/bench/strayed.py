"""Currents beside what is drawn, in the equations: points that were solved without them, moved to where all balance.

    x: F(x) + sum of a_s i_s(x) = 0      a: how many standard deviations of each stray flow

Newton's rule from the point without them, with the strays' own slopes in the Jacobian. A conductance from each node to
where it is holds it, the stronger the more is out of balance: a step moves no node further than REACH, and leads on
past a fold, where what a rail draws falls as it rises and full steps go to and fro for ever. It vanishes as the
balance is found, so that the last steps are Newton's own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cached_property
from typing import Any, Final

import numpy as np

from wakeboard.instruments.virtual.circuit.solver.devices import Array, Mask
from wakeboard.instruments.virtual.circuit.solver.newton import System, linearised
from wakeboard.instruments.virtual.circuit.solver.structure import Layout

from .shapes import LAWS
from .unknowns import Stray

REACH: Final = 0.25
"""V that a node may move in one step; where it goes too far up a diode's exponential it comes back by some 30 mV a
step."""
STEPS: Final = 40
TIGHTER: Final = 4.0
"""Times as strongly are the nodes of a board held whose steps go to and fro, …"""
LOOSER: Final = 0.5
"""… and of that, how strongly after each step that does not."""
SETTLED: Final = 1e-7
"""V of the last step, at most."""


class Strays:
    """Strays of one layout, as currents out of its places. place: node -> row of the equations; ground has none."""

    def __init__(self, layout: Layout, place: Mapping[int, int], strays: Sequence[Stray]) -> None:
        self.start = np.array([layout.node[s.start] for s in strays], dtype=np.intp)
        self.end = np.array([layout.node[s.end] for s in strays], dtype=np.intp)
        self.size = np.array([s.size for s in strays])
        self.shape = np.array([s.shape for s in strays], dtype=object)
        self._ends = np.zeros((len(strays), len(place)))  # by which sign each counts in each row
        for ends, sign in ((self.start, 1.0), (self.end, -1.0)):
            for k, node in enumerate(ends.tolist()):
                if node in place:
                    self._ends[k, place[node]] += sign

    def amps(self, x: Array, amounts: Array) -> tuple[Array, Array]:
        """(M, S) A from start to end, and S of its slope, of so many standard deviations (M, S)."""
        volts = x[:, self.start] - x[:, self.end]
        flows, slopes = np.zeros_like(volts), np.zeros_like(volts)
        for shape, law in LAWS.items():
            some = self.shape == shape
            flows[:, some], slopes[:, some] = law(volts[:, some])
        scale = amounts * self.size
        return flows * scale, slopes * scale

    @cached_property
    def _pairs(self) -> Any:
        """(n n, S) sparse: by which sign each counts in each slope of the equations, as it has two ends at most."""
        from scipy.sparse import coo_array

        count, n = self._ends.shape
        stray, at = np.nonzero(self._ends)
        one, two = np.nonzero(stray[:, None] == stray)  # in full it would be n n S
        sign = self._ends[stray[one], at[one]] * self._ends[stray[two], at[two]]
        return coo_array((sign, (at[one] * n + at[two], stray[one])), shape=(n * n, count)).tocsr()

    def onto(self, x: Array, amounts: Array, residual: Array, jacobian: Array) -> None:
        """Adds them to the equations (M, n) and their slopes (M, n, n)."""
        flows, slopes = self.amps(x, amounts)
        residual += flows @ self._ends
        jacobian += (self._pairs @ slopes.T).T.reshape(jacobian.shape)


def balanced(system: System, x: Array, place: Mapping[int, int], strays: Strays, amounts: Array) -> Mask:
    """Moves x (M, size) in place to where the strays are in balance too; True (M,) where that was found."""
    rows = np.array(list(place)) - 1
    found = np.zeros(len(x), dtype=bool)
    left = np.flatnonzero(np.isfinite(x).all(axis=1) & np.isfinite(amounts).all(axis=1))
    held = np.ones(len(x))
    last = np.zeros((len(x), len(rows)))
    diagonal = np.arange(len(rows))
    for _ in range(STEPS):
        if not len(left):
            break
        at, whole = linearised(system.take(left), x[left])
        residual = at.residual[:, rows + 1].copy()
        jacobian = whole[:, rows[:, None], rows]
        strays.onto(x[left], amounts[left], residual, jacobian)
        jacobian[:, diagonal, diagonal] += (held[left] * np.abs(residual).max(axis=1) / REACH)[:, None]
        step = _solved(jacobian, residual)
        furthest = np.abs(step).max(axis=1)
        turned = (step * last[left]).sum(axis=1) < 0
        held[left] = np.where(turned, TIGHTER * held[left], np.maximum(1.0, LOOSER * held[left]))
        step *= np.minimum(1.0, REACH / np.maximum(furthest, 1e-30))[:, None]
        last[left] = step
        moved = x[left]
        moved[:, rows + 1] -= step
        x[left] = moved
        good = np.isfinite(furthest)
        found[left[good & (furthest < SETTLED)]] = True
        left = left[good & (furthest >= SETTLED)]
    return found


def _solved(jacobian: Array, residual: Array) -> Array:
    try:
        return np.asarray(np.linalg.solve(jacobian, residual[:, :, None])[:, :, 0])
    except np.linalg.LinAlgError:
        out = np.full_like(residual, np.nan)
        for k in range(len(residual)):
            try:
                out[k] = np.linalg.solve(jacobian[k], residual[k])
            except np.linalg.LinAlgError:
                continue
        return out
