"""A dense Newton solver for a few dozen nodes, with a damped step and, where that fails, a transient that settles.

net = Network(); net.conductance("a", "GND", 1e-3); net.add("limited_source", ("a", "GND"), 5.0, 10.0, 0.1)
net.solve(); net.volts("a")
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy.linalg import get_lapack_funcs

from . import physics
from .physics import Array

STEP = 1e-25  # V of the complex step
LEAST = 1e-12  # S from each node to ground, so that none floats
MOST_STEP = 1.0  # V that a node moves in one iteration
CLOSE = 2e-9  # V: the last step of a solution
ITERATIONS = 60
(_SOLVE,) = get_lapack_funcs(("gesv",), (np.zeros((1, 1)), np.zeros(1)))


class NoAnswer(RuntimeError):
    """The equations were not solved."""


class Group:
    """All elements of one kind: nodes (k, n), parameters (p, n)."""

    def __init__(self, name: str, nodes: Array, parameters: Array) -> None:
        self.name = name
        self.ends = physics.Ends()
        self.nodes, self.parameters = nodes, parameters
        self.terminals = len(nodes)
        self.call = None if name == "junction" else getattr(physics, name)
        k = self.terminals
        if name == "junction":
            self.rows = np.concatenate([nodes[0], nodes[0], nodes[1], nodes[1]])
            self.columns = np.concatenate([nodes[0], nodes[1], nodes[0], nodes[1]])
        else:
            # partials in the order (terminal whose current, terminal whose volts, element)
            self.rows = np.concatenate([nodes[i] for i in range(k) for _ in range(k)])
            self.columns = np.concatenate([nodes[j] for _ in range(k) for j in range(k)])
        self._shift = 1j * STEP * np.eye(k)[:, :, None]

    def at(self, x: Array, before: Array | None = None) -> tuple[Array, Array]:
        """Currents (k, n) into the elements and partials, flat. before: each junction's volts an iteration ago, brought
        up to date; from there it does not leap over its knee (Nagel's rule, as SPICE has it)."""
        v = x[self.nodes]
        if self.call is None:
            u = v[0] - v[1]
            held = u if before is None else self._held_back(u, before)
            amps, slope = physics.junction(held, *self.parameters)
            if before is not None:
                amps = amps + slope * (u - held)
                before[:] = held
            return np.array([amps, -amps]), np.concatenate([slope, -slope, -slope, slope])
        # (terminal, perturbed, element)
        moved = v[:, None, :] + self._shift
        if before is not None:
            self.ends.begin()
            physics.ENDS[:] = [self.ends]
        out = np.array(self.call(moved, *self.parameters))
        physics.ENDS.clear()
        return out[:, 0, :].real, (out.imag / STEP).reshape(-1)

    def _held_back(self, u: Array, before: Array) -> Array:
        saturation, nvt, ohms, offset = self.parameters
        knee = nvt * np.log(nvt / (1.41421356 * saturation)) + offset
        # far up the series resistance rules, and the curve is a straight line
        bent = before < knee + 10 * nvt + ohms * nvt / (nvt + ohms * saturation)
        leaps = (u > knee) & (np.abs(u - before) > 2 * nvt) & bent
        if not leaps.any():
            return u
        growth = np.maximum(1 + (u - before) / nvt, 1e-12)
        stepped = np.where(before > offset, np.where(u > before, before + nvt * np.log(growth), u), knee)
        return np.where(leaps, stepped, u)


class Network:
    """Elements between named nodes; "GND" is zero."""

    def __init__(self, ground: str = "GND") -> None:
        self.index: dict[str, int] = {ground: 0}
        self._linear: list[tuple[int, int, float]] = []
        self._elements: dict[str, list[tuple[list[int], tuple[float, ...], str]]] = defaultdict(list)
        self.groups: list[Group] = []
        self.x = np.zeros(1)
        self._owners: dict[tuple[str, str], list[tuple[str, int, int, float]]] = defaultdict(list)

    def node(self, name: str) -> int:
        return self.index.setdefault(name, len(self.index))

    def copy(self) -> Network:
        """The same elements, to add some to."""
        other = Network()
        other.index = dict(self.index)
        other._linear = list(self._linear)
        other._elements = defaultdict(list, {name: list(each) for name, each in self._elements.items()})
        other._owners = defaultdict(list, {key: list(each) for key, each in self._owners.items()})
        return other

    # --- elements ---------------------------------------------------------------------------------------------------
    def conductance(self, a: str, b: str, siemens: float, owner: Sequence[tuple[str, str] | None] = ()) -> None:
        """owner: (part, pin) at a and at b, whose currents are asked for."""
        if siemens == 0.0 or a == b:
            return
        place = len(self._linear)
        self._linear.append((self.node(a), self.node(b), siemens))
        for key, sign in zip(owner, (1.0, -1.0), strict=False):
            if key is not None:
                self._owners[key].append(("linear", place, 0, sign))

    def add(
        self, name: str, at: Sequence[str], *parameters: float, owner: Sequence[tuple[str, str] | None] = ()
    ) -> None:
        """One element of physics.py between nodes."""
        place = len(self._elements[name])
        self._elements[name].append(([self.node(n) for n in at], parameters, ""))
        for terminal, key in enumerate(owner):
            if key is not None:
                self._owners[key].append((name, place, terminal, 1.0))

    def junction(self, anode: str, cathode: str, saturation: float, nvt: float, ohms: float, offset: float = 0.0,
                 owner: Sequence[tuple[str, str] | None] = ()) -> None:  # fmt: skip
        if anode != cathode:
            self.add("junction", (anode, cathode), saturation, nvt, max(ohms, 1e-6), offset, owner=owner)

    # --- solving ----------------------------------------------------------------------------------------------------
    def freeze(self) -> None:
        """Lay everything out."""
        n = len(self.index)
        self.size = n
        self.groups = [
            Group(name, np.array([e[0] for e in each]).T, np.array([e[1] for e in each], dtype=float).T)
            for name, each in self._elements.items()
            if each
        ]
        g = np.zeros((n, n))
        for a, b, siemens in self._linear:
            g[a, a] += siemens
            g[b, b] += siemens
            g[a, b] -= siemens
            g[b, a] -= siemens
        g[np.arange(n), np.arange(n)] += LEAST
        self._g = g
        self._flat = np.concatenate([grp.rows * n + grp.columns for grp in self.groups] or [np.zeros(0, dtype=int)])
        self._into = np.concatenate([grp.nodes.reshape(-1) for grp in self.groups] or [np.zeros(0, dtype=int)])

    def _evaluate(self, x: Array, before: Array | None) -> tuple[Array, Array]:
        found = [group.at(x, before) for group in self.groups]
        f = self._g @ x
        if found:
            amps = np.concatenate([amps.reshape(-1) for amps, _ in found])
            f = f + np.bincount(self._into, amps, self.size)
            slopes = np.bincount(self._flat, np.concatenate([s for _, s in found]), self.size**2)
            j = self._g + slopes.reshape(self.size, self.size)
        else:
            j = self._g.copy()
        return f, j

    def solve(self, start: Array | None = None) -> Array:
        """Volts of all nodes; raises NoAnswer."""
        x = np.zeros(self.size)
        if start is not None:
            x[: len(start)] = start[: self.size]
        with np.errstate(all="ignore"):
            found = self._newton(x)
            if found is None:
                found = self._settle(x)
            if found is None:
                found = self._settle(np.zeros(self.size))
        if found is None:
            raise NoAnswer("no operating point found")
        self.x = found
        return found

    def _newton(self, x: Array, extra: float = 0.0, held: Array | None = None, most: int = ITERATIONS) -> Array | None:
        """extra: S from each node to what it held a moment ago (a step of the transient)."""
        x = x.copy()
        before = self._across(x)
        for group in self.groups:
            group.ends = physics.Ends()
        for k in range(most):
            f, j = self._evaluate(x, before)
            if held is not None:
                f = f + extra * (x - held)
                j = j + extra * np.eye(self.size)
            _, _, step, info = _SOLVE(j[1:, 1:], -f[1:], overwrite_a=True, overwrite_b=True)
            if info != 0 or not np.isfinite(step).all():
                return None
            largest = float(np.abs(step).max(initial=0.0))
            # late iterations are damped: what hops between two slopes is caught between them
            share = 1.0 if k < 15 or largest < 1e-3 else 0.5 if k < 35 else 0.25
            x[1:] += share * np.clip(step, -MOST_STEP, MOST_STEP)
            settled = largest < CLOSE and not any(group.ends.hopped for group in self.groups)
            if settled and np.abs(before - self._across(x)).max(initial=0.0) < 1e-6:
                return x
        return None

    def _across(self, x: Array) -> Array:
        """Each junction's volts."""
        for group in self.groups:
            if group.call is None:
                return x[group.nodes[0]] - x[group.nodes[1]]
        return np.zeros(0)

    def _settle(self, x: Array) -> Array | None:
        """A transient by backward Euler with a capacitor at every node, in steps that grow while they succeed."""
        siemens = 1.0
        for _ in range(300):
            found = self._newton(x, siemens, x, 25)
            if found is None:
                siemens *= 8.0
                if siemens > 1e9:
                    return None
                continue
            x = found
            siemens /= 4.0
            if siemens < 1e-10:
                return self._newton(x)
        return None

    # --- reading ----------------------------------------------------------------------------------------------------
    def currents(self) -> dict[tuple[str, str], float]:
        """A into each (part, pin) at the last solution."""
        return {key: self.current(key) for key in self._owners}

    def current(self, key: tuple[str, str]) -> float:
        if not hasattr(self, "_amps"):
            self._amps: dict[str, Any] = {g.name: g.at(self.x)[0] for g in self.groups}
        total = 0.0
        for name, place, terminal, sign in self._owners.get(key, ()):
            if name == "linear":
                a, b, siemens = self._linear[place]
                total += sign * siemens * (self.x[a] - self.x[b])
            else:
                total += sign * float(self._amps[name][terminal, place])
        return total

    def volts(self, net: str) -> float:
        return float(self.x[self.index[net]])
