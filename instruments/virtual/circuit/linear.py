"""Linear algebra of a batch: Jacobians from the elements' partials, and their solution."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .devices import Array
from .elimination import Elimination

if TYPE_CHECKING:
    from .newton import System

SPARSE_FROM = 6  # members from which on sparse elimination of the whole batch beats LAPACK on each
MOST_ADDED = 12  # entries an unknown that members may add to the pattern before elimination fills in too much


def dense_jacobian(system: System, partials: Array, held: Array) -> Array:
    """(B, n, n), ground left out; held (nodes, B): siemens from each node to ground besides the elements."""
    structure = system.structure
    n = structure.size - 1
    batch = partials.shape[1]
    if batch == 1:
        weights = structure.entry_sign * partials[structure.partial_of, 0]
        flat: Array = np.bincount(structure.entry_of, weights, n * n).reshape(1, n * n).astype(np.float64, copy=False)
    else:
        flat = np.zeros((batch, n * n))
        flat[:, structure.entries] = np.asarray(structure.to_entries @ partials).T
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
    batch = partials.shape[1]
    if system.plan is not None and batch >= SPARSE_FROM:
        found = _solve_sparse(system, system.plan, partials, residual, held, second)
        bad = np.flatnonzero(~np.isfinite(found).all(axis=(0, 1)))
        if len(bad):
            some = system.like(bad, system.theta[:, :0])
            again = None if second is None else second[:, bad]
            found[:, :, bad] = _solve_dense(some, partials[:, bad], residual[:, bad], held[:, bad], again)
        return _unpacked(found, nodes)
    return _unpacked(_solve_dense(system, partials, residual, held, second), nodes)


def _solve_dense(system: System, partials: Array, residual: Array, held: Array, second: Array | None) -> Array:
    """(n, R, B) by LAPACK, member by member."""
    nodes = system.structure.layout.nodes
    jacobian = dense_jacobian(system, partials, held)
    count = 1 if second is None else 2
    right = np.zeros((*jacobian.shape[:2], count))
    right[:, :, 0] = residual[1:].T
    if second is not None:
        right[:, : nodes - 1, 1] = second[1:].T
    try:
        found = np.asarray(np.linalg.solve(jacobian, right), dtype=np.float64)
    except np.linalg.LinAlgError:
        found = _one_at_a_time(jacobian, right)
    return np.moveaxis(found, 0, 2)


def _unpacked(found: Array, nodes: int) -> tuple[Array, Array | None]:
    """(n, R, B) without ground -> the step (size, B) and the second answer (nodes, B)."""
    n, count, batch = found.shape
    out = np.zeros((n + 1, batch))
    out[1:] = found[:, 0]
    if count == 1:
        return out, None
    lean = np.zeros((nodes, batch))
    lean[1:] = found[: nodes - 1, 1]
    return out, lean


def _solve_sparse(
    system: System, plan: Elimination, partials: Array, residual: Array, held: Array, second: Array | None
) -> Array:
    """(n, R, B) by the batch's elimination plan; not finite where a pivot vanished."""
    values: Array = plan.to_values @ partials
    values[plan.diagonal] += held[1:]
    if system.extras is not None:
        members = np.arange(values.shape[1])
        for a, b, g in zip(system.extras.a, system.extras.b, system.extras.g, strict=True):
            for r, c, s in ((a, a, 1.0), (b, b, 1.0), (a, b, -1.0), (b, a, -1.0)):
                use = np.flatnonzero((r > 0) & (c > 0) & (g != 0))
                values[plan.where[r[use] - 1, c[use] - 1], members[use]] += s * g[use]
    if system.moved is not None:
        row, col, partial, sign, member = system.moved.stamp
        np.add.at(values, (plan.where[row, col], member), sign * partials[partial, member])
    right = residual[1:, None, :].copy() if second is None else np.stack([residual[1:], second[1:]], axis=1)
    return plan.solve(values, right)


def plan_for(system: System) -> Elimination | None:
    """The elimination plan of a batch, its members' own entries included (kept with the structure); None if unfit."""
    structure = system.structure
    if structure.layout.branches or system.members < SPARSE_FROM:
        return None
    n = structure.size - 1
    wanted: set[int] = set()
    if system.extras is not None:
        a, b = system.extras.a.ravel(), system.extras.b.ravel()
        use = (a > 0) & (b > 0) & (system.extras.g.ravel() != 0)
        for r, c in ((a, b), (b, a)):
            wanted.update(((r[use] - 1) * n + c[use] - 1).tolist())
    if system.moved is not None:
        row, col = system.moved.stamp[:2]
        wanted.update((row * n + col).tolist())
    more = frozenset(wanted.difference(structure.entries.tolist()))
    if len(more) > MOST_ADDED * n:
        return None
    found = structure.plans.get(more)
    if found is None:
        if len(structure.plans) > 50:
            structure.plans.clear()
        found = structure.plans[more] = Elimination(structure, sorted(more))
    return found


def _one_at_a_time(jacobian: Array, right: Array) -> Array:
    """One singular member makes a batched call raise for all: solve each, the singular by least squares."""
    out = np.zeros(right.shape)
    for k, (a, b) in enumerate(zip(jacobian, right, strict=True)):
        try:
            out[k] = np.linalg.solve(a, b)
        except np.linalg.LinAlgError:
            out[k] = np.linalg.lstsq(a, b, rcond=None)[0] if np.isfinite(a).all() else np.nan
    return out
