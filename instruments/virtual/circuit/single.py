"""Newton for one member that is near its answer: what a simulation takes thousands of times.

The same equations, limiters and acceptance as `newton`, without masks and damping: anything that does not go well is
handed back to it.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.linalg.lapack import dgesv

from .devices import Array
from .newton import GMIN, RELTOL, VNTOL, Evaluation, Memory, System, balanced, evaluate

ITERATIONS: Final = 12
REACH: Final = 2.0  # V; a longer step is not near


def nearby(system: System, x: Array, leak: Array, memory: Memory) -> tuple[Array, Evaluation] | None:
    """The answer (size, 1) close to x (size, 1) and the equations there, or None.

    leak: S (nodes, 1) to ground, as the last full solution had it.
    """
    structure = system.structure
    nodes, unknowns = structure.layout.nodes, structure.size - 1
    if system.moved is not None:
        return None
    base = np.zeros(unknowns * unknowns)
    base[np.arange(nodes - 1) * (unknowns + 1)] = leak[1:, 0] + 0.01 * GMIN
    _stamp_extras(system, base.reshape(unknowns, unknowns))
    x = x.copy()
    small = False
    for _ in range(ITERATIONS):
        e = evaluate(system, x, memory, leak)
        if small and e.limited is None and balanced(system, x, e)[0]:
            return x, e
        weights = structure.entry_sign * e.partials[structure.partial_of, 0]
        jacobian = base + np.bincount(structure.entry_of, weights, len(base))
        _, _, delta, info = dgesv(jacobian.reshape(unknowns, unknowns), e.residual[1:], False, True)
        if info != 0:
            return None
        size = np.abs(delta[: nodes - 1])
        if not size.max(initial=0.0) <= REACH:
            return None
        x[1:] -= delta
        small = bool((size <= RELTOL * np.abs(x[1:nodes]) + VNTOL).all())
    return None


def _stamp_extras(system: System, matrix: Array) -> None:
    extras = system.extras
    if extras is None:
        return
    for a, b, g in zip(extras.a[:, 0], extras.b[:, 0], extras.g[:, 0], strict=True):
        for r, c, s in ((a, a, g), (b, b, g), (a, b, -g), (b, a, -g)):
            if r > 0 and c > 0:
                matrix[r - 1, c - 1] += s
