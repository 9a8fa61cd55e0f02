"""Linear algebra of a batch: Jacobians from the elements' partials, and their solution."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .devices import Array

if TYPE_CHECKING:
    from .newton import System


def dense_jacobian(system: System, partials: Array, held: Array) -> Array:
    """(B, n, n), ground left out; held (nodes, B): siemens from each node to ground besides the elements."""
    structure = system.structure
    n = structure.size - 1
    batch = partials.shape[1]
    if batch == 1:
        weights = structure.entry_sign * partials[structure.partial_of, 0]
        flat = np.bincount(structure.entry_of, weights, n * n).reshape(1, n * n)
    else:
        flat = np.zeros((batch, n * n))
        flat[:, structure.entries] = (structure.to_entries @ partials).T
    nodes = structure.layout.nodes - 1
    jacobian: Array = flat.reshape(batch, n, n)
    diagonal = np.arange(nodes)
    jacobian[:, diagonal, diagonal] += held[1:].T
    if system.extras is not None:
        _stamp_extras(system, jacobian)
    if system.moved is not None:
        row, col, partial, sign, member = system.moved.stamp
        np.add.at(jacobian, (member, row, col), sign * partials[partial, member])
    return jacobian


def _stamp_extras(system: System, jacobian: Array) -> None:
    extras = system.extras
    assert extras is not None
    members = np.arange(jacobian.shape[0])
    for a, b, g in zip(extras.a, extras.b, extras.g, strict=True):
        for r, c, s in ((a, a, 1.0), (b, b, 1.0), (a, b, -1.0), (b, a, -1.0)):
            use = (r > 0) & (c > 0)
            jacobian[members[use], r[use] - 1, c[use] - 1] += s * g[use]


def solve_batch(
    system: System, partials: Array, residual: Array, held: Array, second: Array | None = None
) -> tuple[Array, Array | None]:
    """The Newton step (size, B), row 0 (ground) zero, and the answer (nodes, B) to a second right-hand side.

    A singular member gets a least-squares step, no more.
    """
    nodes = system.structure.layout.nodes
    jacobian = dense_jacobian(system, partials, held)
    count = 1 if second is None else 2
    right = np.zeros((*jacobian.shape[:2], count))
    right[:, :, 0] = residual[1:].T
    if second is not None:
        right[:, : nodes - 1, 1] = second[1:].T
    try:
        found = np.linalg.solve(jacobian, right)
    except np.linalg.LinAlgError:
        found = _one_at_a_time(jacobian, right)
    out = np.zeros(residual.shape)
    out[1:] = found[:, :, 0].T
    if second is None:
        return out, None
    lean = np.zeros((nodes, residual.shape[1]))
    lean[1:] = found[:, : nodes - 1, 1].T
    return out, lean


def _one_at_a_time(jacobian: Array, right: Array) -> Array:
    """One singular member makes a batched call raise for all: solve each, the singular by least squares."""
    out = np.zeros(right.shape)
    for k, (a, b) in enumerate(zip(jacobian, right, strict=True)):
        try:
            out[k] = np.linalg.solve(a, b)
        except np.linalg.LinAlgError:
            out[k] = np.linalg.lstsq(a, b, rcond=None)[0] if np.isfinite(a).all() else np.nan
    return out
