"""Operating points that no circuit stays at: a latch held half-way, a constant-power load below its knee.

Newton's method finds any point where the currents sum to zero, and a latch has one more than it has states: in between,
balanced on an edge. Give every node the same small capacitor and let go: from such a point the circuit runs away. The
rates at which it would are the eigenvalues of the Jacobian; one below zero means an edge. From there the circuit is let
fall both ways, step by step in time, and where it comes to rest are its states.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from wakeboard.instruments.virtual.circuit.solver.devices import Array
from wakeboard.instruments.virtual.circuit.solver.newton import (
    Evaluation,
    Solution,
    System,
    evaluate,
    linearised,
    newton,
)
from wakeboard.instruments.virtual.circuit.solver.structure import Ints

RUNS_AWAY: Final = -1e-9  # S: faster than this is no rounding
PUSH: Final = 0.01  # V by which it is let go off the edge
STEPS: Final = 300  # at twice the way each, which spans any range; what has not come to rest by then has no rest
DEEPEST: Final = 3  # edges on edges that are followed: latches in a row
AT_REST: Final = 1e-6  # V a step
NUDGED: Final = "nudge"


def settle(system: System, solution: Solution, members: Ints, partials: bool = False) -> None:
    """Move members (of those solved) that stand on an edge to a state that they fall to: the one of least volts."""
    for member in members:
        one = system.take(np.array([member]))
        states = fall(one, solution.x[[member]])
        if not states:
            continue
        solution.states[int(member)] = [state[0] for state in states]
        solution.how[member] = NUDGED
        solution.x[member] = states[0][0]
        solution.e.put(np.array([member]), evaluate(one, states[0], partials=partials))


def fall(system: System, x: Array, depth: int = DEEPEST) -> list[Array]:
    """Of one member: the states (1, size) around x (1, size), lowest first; none where x is no edge.

    Two latches on their edges fall one after the other; depth: so many of them at most.
    """
    way = _way_out(system, x)
    if way is None:
        return []
    rate, direction = way
    states: list[Array] = []
    for push in (-PUSH, PUSH):
        for state in _let_go(system, x, push * direction, rate, depth):
            if not any(np.allclose(state, other, rtol=1e-6, atol=1e-6) for other in states):
                states.append(state)
    nodes = system.layout.nodes
    return sorted(states, key=lambda state: float(np.abs(state[0, :nodes]).sum()))


def _way_out(system: System, x: Array) -> tuple[float, Array] | None:
    """The fastest rate, S, and the direction (size,), largest 1, in which a member runs away from x; None: it stays."""
    nodes = system.layout.nodes
    jacobian = linearised(system, x)[1][0]
    try:
        if system.layout.branches:  # no capacitor on a branch: by the inverse, whose eigenvalues are one over these
            by, vectors = np.linalg.eig(np.linalg.inv(jacobian)[: nodes - 1, : nodes - 1])
            by = np.where(np.abs(by) > 1e-30, by, 1e-30)
            rates = 1 / by
        else:
            rates, vectors = np.linalg.eig(jacobian)
    except np.linalg.LinAlgError:
        return None
    least = int(np.argmin(rates.real))
    if not rates[least].real < RUNS_AWAY:
        return None
    direction = np.zeros(system.layout.size)
    direction[1:nodes] = vectors[:, least].real
    return float(-rates[least].real), direction / max(float(np.abs(direction).max()), 1e-300)


def _let_go(system: System, x: Array, push: Array, rate: float, depth: int) -> Iterator[Array]:
    """Where one member comes to rest, if it does; from an edge it goes on falling."""
    nodes = system.layout.nodes
    here = x + push
    siemens = np.array([2 * rate])  # twice the way at each step: implicit Euler would not leave with a longer one
    for _ in range(STEPS):
        there, ok = newton(system, here, iterations=60, anchor=(siemens, np.ascontiguousarray(here[:, :nodes])))
        if not ok[0]:
            siemens = siemens * 4
            continue
        moved = float(np.abs(there[:, :nodes] - here[:, :nodes]).max())
        here = there
        if moved < AT_REST:
            break
    found = Evaluation.empty(system)
    state, ok = newton(system, here, found=found)
    if not ok[0]:
        return
    if _way_out(system, state) is None:
        yield state
    elif depth > 1:
        yield from fall(system, state, depth - 1)
