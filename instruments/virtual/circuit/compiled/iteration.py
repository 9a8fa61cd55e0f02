"""Newton's method for one member, and for a group of members that share a wiring.

Limiters in the elements keep a step from leaping over a knee, damping keeps it short. Every answer's current residual
is checked (SPICE checks updates only): at each node the sum of currents must be below RELTOL times the sum of their
magnitudes plus ABSTOL.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from . import Array, Marks, Places, compiled, inner, shared
from .elements import GMIN, LINEAR, SOURCE, Blocks, Extras, evaluate, largest_source, unbalance
from .elimination import Plan, dense, doubtful, factor, fill, pivoted, pivoted_substitute, substitute, substitute_across
from .parameters import Parameters, clear, lay_out

RELTOL: Final = 1e-9  # of a current: far below what any meter tells, far above rounding
ABSTOL: Final = 5e-12  # A; above what GMIN leaks from a floating net
VNTOL: Final = 1e-9  # V: the same of a voltage
WEAK: Final = 0.01  # a node that GMIN's leak moves by more than this share of its voltage is held by nothing much
FREE: Final = 0.95  # nothing at all holds it, not even GMIN across a junction (of up to 19 nodes behind it)
ROUNDING: Final = 4 * 2.0**-52  # of the voltages at both ends: what a difference of doubles is off by, four times
ALIKE: Final = 0.98  # cosine of two steps that go the same way
FASTEST: Final = 16.0  # Newton steps at a time
# GMIN, S, is also what a node leaks to ground where not even a junction holds it


class Wiring(NamedTuple):
    """Where a group of members has its ports, and the plan to eliminate that pattern; extra conductances' nodes."""

    plus: Places
    minus: Places
    plan: Plan
    first: Places
    second: Places


class Room(NamedTuple):
    """Arrays that one member's iteration works in."""

    u: Array
    current: Array
    partial: Array
    residual: Array
    held: Array
    step: Array
    before: Array
    lean: Array
    value: Array
    matrix: Array
    row: Places
    limit: Array


class Rules(NamedTuple):
    """How to iterate: gmin S to ground, most iterations, volts that a node should not move beyond in one iteration,
    how fast the damping that this takes fades, whether GMIN is taken off the nodes that can do without, and the volts
    of a step that is too long to go on with."""

    gmin: float
    iterations: int
    reach: float
    ease: float
    trims: bool
    too_far: float


@shared
def make_room(blocks: Blocks, wiring: Wiring) -> Room:
    """Arrays for a wiring's members."""
    size = blocks.nodes + blocks.branches
    unknowns = size - 1
    return Room(
        np.empty(len(wiring.plus)),
        np.empty(len(blocks.current_port)),
        np.empty(len(blocks.slope_of) + 3 * blocks.counts[SOURCE]),
        np.empty(size),
        np.empty(blocks.nodes),
        np.empty(size),
        np.empty(size),
        np.empty(size),
        np.empty(wiring.plan.slots),
        np.empty((unknowns, unknowns)),
        np.empty(unknowns, dtype=np.int64),
        np.empty(blocks.nodes),
    )


@inner
def _finite(values: Array) -> bool:
    for v in values:  # noqa: SIM110  (a generator is not compiled)
        if not np.isfinite(v):
            return False
    return True


@shared
def step(blocks: Blocks, wiring: Wiring, extras: Extras, room: Room, more: float) -> bool:
    """Newton's step into room.step, with held + `more` S on every node; whether it took pivoting."""
    for k in range(blocks.nodes):
        room.lean[k] = room.held[k] + more
    fill(wiring.plan, blocks, room.partial, room.lean, extras.siemens, room.value)
    factor(wiring.plan, room.value)
    for k in range(len(room.step)):
        room.step[k] = room.residual[k]
    room.step[0] = 0.0
    substitute(wiring.plan, room.value, room.step)
    room.step[0] = 0.0
    if _finite(room.step):
        return False
    # a pivot vanished along the plan: once more, with pivoting
    dense(blocks, wiring.plus, wiring.minus, room.partial, room.lean, extras, room.matrix)
    for k in range(len(room.step)):
        room.step[k] = room.residual[k]
    if pivoted(room.matrix, room.row):
        room.step[0] = 0.0
        pivoted_substitute(room.matrix, room.row, room.step)
        room.step[0] = 0.0
    return True


@inner
def _largest(step: Array, nodes: int) -> float:
    most = 0.0
    for k in range(1, nodes):
        size = abs(step[k])
        if not size <= most:
            most = size
    return most


@inner
def balanced(blocks: Blocks, wiring: Wiring, theta: Array, x: Array, extras: Extras, room: Room) -> bool:
    """Whether every node and branch balances, rounding allowed for.

    Rounding: a linear element of g siemens between nodes at V volts cannot know its current better than g·V·2^-52,
    which counts for solder shorts and for capacitors over a short step.
    """
    nodes, limit = blocks.nodes, room.limit
    most = 0.0
    for k in range(nodes):
        limit[k] = ABSTOL
        most = max(most, abs(x[k]))
    linear, first, g_at = blocks.counts[LINEAR], blocks.current[LINEAR], blocks.parameter[LINEAR]
    for k in range(len(room.current)):
        share = RELTOL * abs(room.current[k])
        if first <= k < first + linear:
            share += ROUNDING * abs(theta[g_at + k - first]) * 2.0 * most
        a, b = wiring.plus[blocks.current_port[k]], wiring.minus[blocks.current_port[k]]
        if a != b:
            limit[a] += share
            limit[b] += share
    for k in range(len(extras.first)):
        va, vb = x[extras.first[k]], x[extras.second[k]]
        share = extras.siemens[k] * (RELTOL * abs(va - vb) + ROUNDING * (abs(va) + abs(vb)))
        limit[extras.first[k]] += share
        limit[extras.second[k]] += share
    for k in range(1, nodes):
        if not abs(room.residual[k]) <= limit[k]:
            return False
    for k in range(nodes, nodes + blocks.branches):  # noqa: SIM110  (a generator is not compiled)
        if not abs(room.residual[k]) <= RELTOL * (1.0 + most):
            return False
    return True


@inner
def _is_small(step: Array, x: Array, nodes: int) -> bool:
    for k in range(nodes):  # noqa: SIM110  (a generator is not compiled)
        if not abs(step[k]) <= RELTOL * abs(x[k]) + VNTOL:
            return False
    return True


@inner
def _trim(blocks: Blocks, wiring: Wiring, room: Room, by_pivoting: bool, leak: Array, trimmed: bool) -> bool:
    """Take GMIN off the nodes that can do without; whether any leak changed.

    What GMIN's leak does to a node, V/V, is next to nothing where something else holds it, all where nothing does. Once
    taken off it may come back, but not go again: a node at the edge must not keep the iteration going.
    """
    lean = room.lean
    for k in range(len(lean)):
        lean[k] = GMIN if 0 < k < blocks.nodes else 0.0
    if by_pivoting:
        pivoted_substitute(room.matrix, room.row, lean)
    else:
        substitute(wiring.plan, room.value, lean)
    lean[0] = 0.0
    changed = False
    for k in range(blocks.nodes):
        # without its own leak a node that a junction's GMIN holds moves by 1, one that nothing holds by 100
        free = abs(lean[k]) > (FREE if leak[k] > 0.0 else 50.0)
        kept = GMIN if free else leak[k] if trimmed else 0.0
        if kept != leak[k]:
            changed = True
            leak[k] = kept
    return changed


@inner
def _compared(step: Array, before: Array, nodes: int) -> tuple[float, float]:
    """The cosine between two steps, and how many times the length of the one before a step is; 0, 0 at first."""
    along, new, old = 0.0, 0.0, 0.0
    for k in range(1, nodes):
        along += step[k] * before[k]
        new += step[k] * step[k]
        old += before[k] * before[k]
    if not (new > 0.0 and old > 0.0):
        return 0.0, 0.0
    return along / (new * old) ** 0.5, (new / old) ** 0.5


@inner
def _newton(
    blocks: Blocks,
    wiring: Wiring,
    theta: Array,
    extras: Extras,
    x: Array,
    memory: Array,
    leak: Array,
    room: Room,
    rules: Rules,
    anchor: float,
    anchor_volts: Array,
) -> bool:
    """Iterate from x in place; whether it converged.

    A step that goes too far does so along a direction of little conductance g = Δᵀf/ΔᵀΔ; g·|Δ|/reach more from every
    node to where it is shortens it to reach, and leaves what is held stiffly free to move. (Clipping the step alone
    would turn it.)
    """
    nodes = blocks.nodes
    full_reach = max(rules.reach, largest_source(blocks, theta) / 5.0)
    damping, pace = 0.0, 1.0
    small, trimmed = False, False
    room.before.fill(0.0)
    for k in range(rules.iterations):
        # what has not settled by now goes round in a ring: shorter steps, and damping that fades more slowly, end that
        patience = 1.0 if k < 20 else 2.0 if k < 45 else 4.0
        if k == 20 or 45 <= k < 60:  # where a loop holds itself up, limiters keep it at its unstable point: let it fall
            memory.fill(np.nan)
        limited = evaluate(
            blocks, wiring.plus, wiring.minus, theta, x, room.u, room.current, room.partial, memory
        )  # fmt: skip
        unbalance(blocks, wiring.plus, wiring.minus, theta, x, room.u, room.current, leak, extras, room.residual)
        if anchor > 0.0:
            for j in range(nodes):
                room.residual[j] += anchor * (x[j] - anchor_volts[j])
        if not _finite(room.residual):
            return False
        if small and not limited and balanced(blocks, wiring, theta, x, extras, room):
            return True
        reach, ease = full_reach / patience, rules.ease ** (1.0 / patience)
        for j in range(nodes):
            room.held[j] = leak[j] + 0.01 * GMIN + anchor  # never singular for want of a path
        for attempt in range(3):
            by_pivoting = step(blocks, wiring, extras, room, damping)
            largest = _largest(room.step, nodes)
            if attempt == 0 and not largest <= rules.too_far:
                return False
            if attempt == 2 or not largest > 1.5 * reach:
                break
            along, square = 0.0, 0.0
            for j in range(1, nodes):
                along += room.step[j] * room.residual[j]
                square += room.step[j] * room.step[j]
            softness = along / max(square, 1e-300)
            damping += max(max(softness, 0.1 * damping), GMIN) * largest / reach
        turn, stretch = _compared(room.step, room.before, nodes)
        # a step much like the one before, and short: down an exponential Newton creeps by n·Vt at a time
        creeps = turn > ALIKE and 0.8 < stretch < 1.25 and 1e-3 < largest < 0.1 and damping == 0.0 and not limited
        pace = min(4.0 * pace, FASTEST) if creeps else 1.0
        if k >= 12 and turn < 0.9 and stretch > 0.7 and not limited:  # to and fro
            pace = 0.4
        for j in range(1, nodes):
            x[j] -= pace * min(max(room.step[j], -1.5 * reach), 1.5 * reach)
        for j in range(nodes, len(x)):
            x[j] -= pace * room.step[j]
        for j in range(len(x)):
            room.before[j] = room.step[j]
        small = damping == 0.0 and _is_small(room.step, x, nodes)
        if rules.trims:
            near = largest < 0.05 and damping == 0.0
            if near:
                changed = _trim(blocks, wiring, room, by_pivoting, leak, trimmed)
                trimmed = True
                small = small and not changed
            else:
                small = False
        damping *= ease * ease if largest < 0.15 * reach else ease
        if largest < 0.005 * reach or damping < GMIN / 10.0:
            damping = 0.0
    return False


@compiled
def newton_group(
    blocks: Blocks,
    wiring: Wiring,
    members: Places,
    parameters: Parameters,
    siemens: Array,
    x: Array,
    memory: Array,
    leak: Array,
    rules: Rules,
    anchor: Array,
    anchor_volts: Array,
    ok: Marks,
    doubt: Marks,
    current: Array,
    partial: Array,
    residual: Array,
) -> None:
    """Newton for some members of a batch; x, memory and leak (batch, …) are brought to where each ends; ok (batch,);
    doubt (batch,): whether where it ended may be a balance on an edge.

    Unless they are empty, currents (batch, C), partials (batch, Q) and residuals (batch, size), without what leaks, are
    filled for the members that converged.
    """
    room = make_room(blocks, wiring)
    theta, there = np.empty(parameters.rows.shape[1]), -1
    for m in members:
        there = lay_out(parameters, m, theta, there)
        extras = Extras(wiring.first, wiring.second, siemens[m])
        ok[m] = _newton(
            blocks, wiring, theta, extras, x[m], memory[m], leak[m], room, rules, anchor[m], anchor_volts[m]
        )
        clear(parameters, m, theta)
        if not ok[m]:
            continue
        doubt[m] = doubtful(wiring.plan, room.value)
        if len(current) > 0:
            for k in range(len(room.current)):
                current[m, k] = room.current[k]
        if len(partial) > 0:
            for k in range(len(room.partial)):
                partial[m, k] = room.partial[k]
        if len(residual) > 0:
            for k in range(len(room.residual)):
                residual[m, k] = room.residual[k]
            for k in range(blocks.nodes):
                residual[m, k] -= leak[m, k] * x[m, k]


@compiled
def state_group(
    blocks: Blocks,
    wiring: Wiring,
    members: Places,
    parameters: Parameters,
    siemens: Array,
    x: Array,
    memory: Array,
    current: Array,
    partial: Array,
    residual: Array,
    weak: Marks,
    free: Marks,
    jacobian: Array,
) -> None:
    """Where members stand at x: currents (batch, C), residuals (batch, size); and, unless they are empty, partials
    (batch, Q), weak (batch, nodes): nodes that nothing much holds, a unit current of GMIN moves them by WEAK; free
    (batch, nodes): not even a junction's GMIN holds them; Jacobians (batch, size - 1, size - 1), GMIN from every
    node to ground.

    memory: brought up to date, unless its rows are empty.
    """
    room = make_room(blocks, wiring)
    theta, there = np.empty(parameters.rows.shape[1]), -1
    for m in members:
        there = lay_out(parameters, m, theta, there)
        extras = Extras(wiring.first, wiring.second, siemens[m])
        evaluate(blocks, wiring.plus, wiring.minus, theta, x[m], room.u, room.current, room.partial, memory[m])
        room.held.fill(0.0)
        unbalance(
            blocks, wiring.plus, wiring.minus, theta, x[m], room.u, room.current, room.held, extras, room.residual
        )
        clear(parameters, m, theta)
        for k in range(len(room.current)):
            current[m, k] = room.current[k]
        for k in range(len(room.residual)):
            residual[m, k] = room.residual[k]
        if len(partial) > 0:
            for k in range(len(room.partial)):
                partial[m, k] = room.partial[k]
        room.held.fill(GMIN)
        if len(jacobian) > 0:
            dense(blocks, wiring.plus, wiring.minus, room.partial, room.held, extras, jacobian[m])
        if len(weak) > 0:
            room.residual.fill(0.0)
            for k in range(blocks.nodes):
                room.residual[k] = GMIN
            step(blocks, wiring, extras, room, 0.0)
            for k in range(blocks.nodes):
                weak[m, k] = abs(room.step[k]) > WEAK
                free[m, k] = abs(room.step[k]) > FREE


@compiled
def linear_group(
    blocks: Blocks, wiring: Wiring, members: Places, partial: Array, siemens: Array, more: Array, first: Places,
    right: Array, across: bool,
) -> None:  # fmt: skip
    """Solve the linear equations of members whose partials (batch, Q) are known, GMIN and `more` (batch,) S from every
    node to ground, or these transposed (`across`), for right (A, size) in place; those of member m stand from first[m]
    up to first[m + 1]. Not finite where a pivot vanished."""
    value, held = np.empty(wiring.plan.slots), np.empty(blocks.nodes)
    for m in members:
        if first[m] == first[m + 1]:
            continue
        held.fill(GMIN + more[m])
        fill(wiring.plan, blocks, partial[m], held, siemens[m], value)
        factor(wiring.plan, value)
        for k in range(first[m], first[m + 1]):
            right[k, 0] = 0.0
            if across:
                substitute_across(wiring.plan, value, right[k])
            else:
                substitute(wiring.plan, value, right[k])
            right[k, 0] = 0.0
