"""Currents beside what is drawn, in the equations: points that were solved without them, moved to where all balance.

    x: F(x) + sum of a_s i_s(x) = 0      a: how many standard deviations of each stray flow

Newton's rule from the point without them, with the strays' own slopes in the Jacobian. A conductance from each node to
where it is holds it, the stronger the more is out of balance: a step moves no node further than REACH, and leads on
past a fold, where what a rail draws falls as it rises and full steps go to and fro for ever. It vanishes as the
balance is found, so that the last steps are Newton's own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Final

import numpy as np

from wakeboard.instruments.virtual.circuit.solver.devices import Array, Mask
from wakeboard.instruments.virtual.circuit.solver.newton import System, evaluate, linearised, step_of_each
from wakeboard.instruments.virtual.circuit.solver.structure import Ints, Layout

from ..model import Model, Plan
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
    """Strays of one layout, as currents out of its nodes."""

    def __init__(self, layout: Layout, strays: Sequence[Stray]) -> None:
        self.start = np.array([layout.node[s.start] for s in strays], dtype=np.intp)
        self.end = np.array([layout.node[s.end] for s in strays], dtype=np.intp)
        self.size = np.array([s.size for s in strays])
        self.shape = np.array([s.shape for s in strays], dtype=object)
        self._width = layout.size

    @property
    def pairs(self) -> tuple[tuple[int, int], ...]:
        """(S,) their nodes."""
        return tuple(zip(self.start.tolist(), self.end.tolist(), strict=True))

    def amps(self, x: Array, amounts: Array) -> tuple[Array, Array]:
        """(M, S) A from start to end, and S of its slope, of so many standard deviations (M, S)."""
        volts = x[:, self.start] - x[:, self.end]
        flows, slopes = np.zeros_like(volts), np.zeros_like(volts)
        for shape, law in LAWS.items():
            some = self.shape == shape
            flows[:, some], slopes[:, some] = law(volts[:, some])
        scale = amounts * self.size
        return flows * scale, slopes * scale

    def out_of(self, flows: Array) -> Array:
        """(M, size) A out of each node, of currents (M, S) from start to end."""
        out: Array = (self._ends @ flows.T).T
        return out

    @cached_property
    def _ends(self) -> Any:
        """(size, S) sparse: by which sign each counts at its two ends."""
        from scipy.sparse import coo_array

        k = np.arange(len(self.size))
        sign = np.repeat((1.0, -1.0), len(k))
        ends = np.concatenate((self.start, self.end)), np.tile(k, 2)
        return coo_array((sign, ends), shape=(self._width, len(k))).tocsr()


@dataclass(frozen=True)
class Strayed:
    """A batch's equations with strays in them. linear: with room for a conductance in place of each stray, in these
    columns (B, S) of its siemens."""

    system: System
    linear: System
    columns: Ints
    strays: Strays

    @classmethod
    def of(cls, model: Model, plans: Sequence[Plan], system: System, strays: Strays) -> Strayed:
        groups, siemens = model.groups(plans, (strays.pairs, np.zeros((len(plans), len(strays.size)))))
        own = np.array([len(plan.extras) for plan in plans], dtype=np.intp)
        columns = own[:, None] + np.arange(len(strays.size))
        return cls(system, replace(system, groups=groups, siemens=siemens), columns, strays)

    def take(self, members: Ints) -> Strayed:
        """Of some members, renumbered."""
        return Strayed(self.system.take(members), self.linear.take(members), self.columns[members], self.strays)

    def conducting(self, slopes: Array) -> System:
        """With conductances of so many siemens (B, S) in place of the strays."""
        siemens = self.linear.siemens.copy()
        np.put_along_axis(siemens, self.columns, slopes, axis=1)
        return replace(self.linear, siemens=siemens)

    def step(self, x: Array, amounts: Array, nodes: Ints, held: Array) -> Array:
        """(B, size) by how much Newton's rule would have these nodes, and all branches, less than at x (B, size). held
        (B,): REACH is how far each would go if what holds it had all that is out of balance to carry, times this."""
        at = evaluate(self.system, x, partials=True)
        flows, slopes = self.strays.amps(x, amounts)
        whole = at.residual + self.strays.out_of(flows)
        right = np.zeros_like(x)
        right[:, nodes] = whole[:, nodes]
        more = held * np.abs(right).max(axis=1) / REACH
        branches = slice(self.system.layout.nodes, None)
        right[:, branches] = whole[:, branches]
        conducting = self.conducting(slopes)
        found = step_of_each(conducting, at.partials, right.copy(), more)
        for k in np.flatnonzero(~np.isfinite(found).all(axis=1)).tolist():
            found[k] = _pivoted(conducting.take(np.array([k])), x[[k]], right[k], more[k])
        return found


def _pivoted(system: System, x: Array, right: Array, more: float) -> Array:
    """(size,) the same of one member in full, with pivoting; NaN where there is none."""
    jacobian = linearised(system, x)[1][0]
    nodes = np.arange(system.layout.nodes - 1)
    jacobian[nodes, nodes] += more
    try:
        return np.concatenate((np.zeros(1), np.linalg.solve(jacobian, right[1:])))
    except np.linalg.LinAlgError:
        return np.full(len(right), np.nan)


def balanced(strayed: Strayed, x: Array, nodes: Ints, amounts: Array) -> Mask:
    """Moves x (M, size) in place to where the strays are in balance too, in these nodes; True (M,) where that was
    found."""
    found = np.zeros(len(x), dtype=bool)
    left = np.flatnonzero(np.isfinite(x).all(axis=1) & np.isfinite(amounts).all(axis=1))
    held = np.ones(len(x))
    last = np.zeros((len(x), len(nodes)))
    for _ in range(STEPS):
        if not len(left):
            break
        with np.errstate(all="ignore"):
            step = strayed.take(left).step(x[left], amounts[left], nodes, held[left])
        volts = step[:, nodes]
        furthest = np.abs(volts).max(axis=1)
        turned = (volts * last[left]).sum(axis=1) < 0
        held[left] = np.where(turned, TIGHTER * held[left], np.maximum(1.0, LOOSER * held[left]))
        step *= np.minimum(1.0, REACH / np.maximum(furthest, 1e-30))[:, None]
        last[left] = step[:, nodes]
        x[left] -= step
        good = np.isfinite(furthest)
        found[left[good & (furthest < SETTLED)]] = True
        left = left[good & (furthest >= SETTLED)]
    return found
