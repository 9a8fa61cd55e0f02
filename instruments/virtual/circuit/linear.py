"""Linear algebra of a batch: Jacobians from the elements' partials, and their solution."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .devices import Array

if TYPE_CHECKING:
    from .newton import System


def dense_jacobian(system: System, partials: Array, gmin: float | Array) -> Array:
    """(B, n, n), ground left out."""
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
    jacobian[:, diagonal, diagonal] += np.reshape(gmin, (-1, 1))
    if system.extras is not None:
        _stamp_extras(system, jacobian)
    return jacobian


def _stamp_extras(system: System, jacobian: Array) -> None:
    extras = system.extras
    assert extras is not None
    members = np.arange(jacobian.shape[0])
    for a, b, g in zip(extras.a, extras.b, extras.g, strict=True):
        for r, c, s in ((a, a, 1.0), (b, b, 1.0), (a, b, -1.0), (b, a, -1.0)):
            use = (r > 0) & (c > 0)
            jacobian[members[use], r[use] - 1, c[use] - 1] += s * g[use]


def solve_batch(system: System, partials: Array, residual: Array, gmin: float | Array) -> Array:
    """The Newton step (size, B), row 0 (ground) zero. A singular member gets a least-squares step, no more."""
    jacobian = dense_jacobian(system, partials, gmin)
    right = np.ascontiguousarray(residual[1:].T)[..., None]
    assert right.shape == (jacobian.shape[0], jacobian.shape[1], 1)
    out = np.zeros(residual.shape)
    try:
        out[1:] = np.linalg.solve(jacobian, right)[..., 0].T
    except np.linalg.LinAlgError:
        out[1:] = _one_at_a_time(jacobian, right).T
    return out


def _one_at_a_time(jacobian: Array, right: Array) -> Array:
    """One singular member makes a batched call raise for all: solve each, the singular by least squares."""
    out = np.zeros(right.shape[:2])
    for k, (a, b) in enumerate(zip(jacobian, right, strict=True)):
        try:
            out[k] = np.linalg.solve(a, b)[:, 0]
        except np.linalg.LinAlgError:
            out[k] = np.linalg.lstsq(a, b, rcond=None)[0][:, 0]
    return out
