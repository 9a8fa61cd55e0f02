"""Newton's method for a batch of members of one structure.

Limiters in the elements keep a step from leaping over a knee, damping keeps it short; converged members drop out; what
fails is tried again with full steps, with more damping, by gmin stepping, by source stepping, by pseudo-transient
continuation, and finished at the true equations.
Every answer's current residual is checked (SPICE checks updates only): at each node the sum of currents must be below
RELTOL times the sum of their magnitudes plus ABSTOL. One bad member never spoils the others.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from .devices import LINEAR, ON_SLOPE, SOURCE, Array, Mask
from .elimination import Elimination
from .linear import solve_batch
from .structure import Corrections, Ints, Structure

RELTOL: Final = 1e-9
ABSTOL: Final = 5e-12  # A; above what GMIN leaks from a floating net
VNTOL: Final = 1e-9  # V
WEAK: Final = 0.01  # a node that GMIN's leak lowers by more than this share of its voltage keeps it
ROUNDING: Final = 4 * 2.0**-52
GMIN: Final = 1e-12  # S from a node to ground where nothing else holds it (less than about 1e-10 S)
REACH: Final = 2.0  # V that a node may move in one iteration
EASE: Final = 0.1  # what is left of the damping from one iteration to the next
ITERATIONS: Final = 120
KEPT: Final = 0.8  # share of members still at work below which the others are dropped from the arrays
CHUNK: Final = 1024  # members at a time: enough to hide numpy's own cost, few enough to stay near the processor

OK: Final = "ok"
FAILED: Final = "no convergence"
BAD: Final = "not finite"


@dataclass
class Extras:
    """Conductances between any two nodes, a list a member: nodes a, b (K, B) and siemens g (K, B)."""

    a: Ints
    b: Ints
    g: Array

    def take(self, members: Ints) -> Extras:
        return Extras(self.a.take(members, axis=1), self.b.take(members, axis=1), self.g.take(members, axis=1))


@dataclass
class System:
    """A structure with the parameters (K, B) of a batch of members, and what differs in members with moved pins."""

    structure: Structure
    theta: Array
    extras: Extras | None = None
    moved: Corrections | None = None
    plan: Elimination | None = None

    def take(self, members: Ints) -> System:
        return self.like(members, self.theta.take(members, axis=1))

    def like(self, members: Ints, theta: Array) -> System:
        """The incidence of some members, with other parameters."""
        extras = self.extras.take(members) if self.extras is not None else None
        moved = self.moved.take(members, self.members) if self.moved is not None else None
        return System(self.structure, theta, extras, moved, self.plan)

    @property
    def members(self) -> int:
        return int(self.theta.shape[1])


@dataclass
class Evaluation:
    """The equations at a point: residual (size, B) by node row, then branch row; partials; element currents."""

    residual: Array
    partials: Array
    currents: Array
    limited: Mask | None

    def take(self, members: Ints) -> Evaluation:
        # not [:, members], which is several times slower and leaves the batch axis strided
        return Evaluation(
            self.residual.take(members, axis=1),
            self.partials.take(members, axis=1),
            self.currents.take(members, axis=1),
            None if self.limited is None else self.limited[members],
        )


class Memory:
    """What limiters remember of the iteration before."""

    def __init__(self, system: System) -> None:
        self.leak: Array | None = None  # (nodes, B): what each node leaked where this solution ended, S
        self.blocks: dict[str, Array] = {
            b.device.name: np.full((b.device.memory, b.count, system.members), np.nan)
            for b in system.structure.layout.blocks
            if b.device.memory
        }

    def copied(self) -> Memory:
        """The same, to go on from without spoiling this one."""
        fresh = object.__new__(Memory)
        fresh.leak = self.leak
        fresh.blocks = {name: held.copy() for name, held in self.blocks.items()}
        return fresh

    def carry_over(self) -> None:
        """Begin the next solution where this one ended: what stood on a slope may use that slope once more.

        A supply whose setting is moved would otherwise look switched off, or at its limit, for one iteration.
        """
        for name in ("valve", "converter"):
            held = self.blocks.get(name)
            if held is not None:
                held[0][held[0] == 0] = ON_SLOPE

    def forget(self) -> None:
        """Limit nothing in the next iteration."""
        for held in self.blocks.values():
            held[...] = np.nan

    def take(self, members: Ints) -> None:
        self.blocks = {name: m.take(members, axis=2) for name, m in self.blocks.items()}


def _port_volts(system: System, x: Array) -> Array:
    """Volts across every port (P, B)."""
    ports: Array = x.take(system.structure.plus, axis=0)
    ports -= x.take(system.structure.minus, axis=0)
    if system.moved is not None:
        row, sign, old, new, member = system.moved.port
        np.add.at(ports, (row, member), sign * (x[new, member] - x[old, member]))
    return ports


def evaluate(system: System, x: Array, memory: Memory | None = None, leak: float | Array = 0.0) -> Evaluation:
    """Residual, partials and element currents at x (size, B); leak: S from each node to ground."""
    structure, layout = system.structure, system.structure.layout
    batch = x.shape[1]
    ports = _port_volts(system, x)
    currents = np.empty((layout.currents, batch))
    partials = np.empty((layout.partials, batch))
    limited: Mask | None = None
    for b in layout.blocks:
        device, n = b.device, b.count
        k = len(device.parameters)
        theta = system.theta[b.parameters : b.parameters + k * n].reshape(k, n, batch)
        u = ports[b.ports : b.ports + device.ports * n].reshape(device.ports, n, batch)
        outputs = max(1, len(device.outputs))
        i = currents[b.currents : b.currents + outputs * n].reshape(outputs, n, batch)
        q = 3 if device is SOURCE else len(device.partials)
        d = partials[b.partials : b.partials + q * n].reshape(q, n, batch)
        held = memory.blocks.get(device.name) if memory else None
        mask = device.evaluate(theta, u, i, d, held)
        if mask is not None:
            limited = mask if limited is None else limited | mask
        if device is SOURCE:
            i[0] = x[layout.nodes :]
    residual = np.zeros((structure.size, batch))
    if batch == 1 and structure.dense_to_nodes is not None:
        residual[: layout.nodes] = structure.dense_to_nodes @ currents
    else:
        residual[: layout.nodes] = structure.to_nodes @ currents
    if system.moved is not None:
        row, sign, old, new, member = system.moved.current
        amps = sign * currents[row, member]
        np.subtract.at(residual, (old, member), amps)
        np.add.at(residual, (new, member), amps)
    residual[: layout.nodes] += leak * x[: layout.nodes]
    if layout.branches:
        _branch_rows(system, x, ports, residual)
    if system.extras is not None:
        _extra_currents(system.extras, x, residual)
    return Evaluation(residual, partials, currents, limited)


def _branch_rows(system: System, x: Array, ports: Array, residual: Array) -> None:
    layout = system.structure.layout
    b = layout.blocks[-1]
    a, r, e = system.theta[b.parameters :].reshape(3, b.count, -1)
    residual[layout.nodes :] = a * ports[b.ports :] - r * x[layout.nodes :] - e


def _extra_currents(extras: Extras, x: Array, residual: Array) -> None:
    members = np.arange(x.shape[1])
    for a, b, g in zip(extras.a, extras.b, extras.g, strict=True):
        current = g * (x[a, members] - x[b, members])
        residual[a, members] += current
        residual[b, members] -= current


def allowed(system: System, x: Array, currents: Array) -> Array:
    """The residual each node may have (nodes, B), amperes: relative, absolute, and what rounding cannot avoid.

    Rounding: a linear element of g siemens between nodes at V volts cannot know its current better than g·V·2^-52,
    which counts for solder shorts and for capacitors over a short step.
    """
    structure = system.structure
    each = RELTOL * np.abs(currents)
    b = structure.layout.block(LINEAR)
    if b is not None:
        g = np.abs(system.theta[b.parameters : b.parameters + b.count])
        each[b.currents : b.currents + b.count] += ROUNDING * g * 2 * np.abs(x).max(axis=0)
    limit: Array = structure.to_nodes_abs @ each + ABSTOL
    if system.moved is not None:
        row, _, _, new, member = system.moved.current
        np.add.at(limit, (new, member), each[row, member])
    if system.extras is not None:
        members = np.arange(x.shape[1])
        for first, second, siemens in zip(system.extras.a, system.extras.b, system.extras.g, strict=True):
            va, vb = x[first, members], x[second, members]
            share = siemens * (RELTOL * np.abs(va - vb) + ROUNDING * (np.abs(va) + np.abs(vb)))
            limit[first, members] += share
            limit[second, members] += share
    return limit


def newton(
    system: System,
    x: Array,
    *,
    gmin: float = GMIN,
    iterations: int = ITERATIONS,
    reach: float = REACH,
    ease: float = EASE,
    anchor: tuple[Array, Array] | None = None,
    few: int = 0,
    memory: Memory | None = None,
) -> tuple[Array, Mask]:
    """Iterate from x (size, B): the last iterate of every member, and which converged.

    memory: what the limiters remember of the solution that x comes from. few: stop when no more members than this are
    left (a small batch is dear by the member).

    reach: volts that a node should not move beyond in one iteration; ease: how fast the damping that this takes fades.
    anchor: (siemens (B,), volts (nodes, B)) ties every node to a voltage, for pseudo-transient continuation.
    """
    nodes = system.structure.layout.nodes
    out = x.copy()
    batch = x.shape[1]
    done = np.zeros(batch, dtype=bool)
    alive = np.arange(batch)
    live = np.ones(batch, dtype=bool)
    memory = Memory(system) if memory is None else memory
    reach_of = np.maximum(reach, _largest_source(system) / 5)
    trims = gmin == GMIN and anchor is None
    leak = memory.leak if trims and memory.leak is not None else np.full((nodes, batch), gmin)
    state = _Iteration(
        x,
        np.zeros(batch),
        np.zeros(batch, dtype=bool),
        leak,
        anchor,
        trims,
        np.zeros(batch, dtype=bool),
        np.zeros(batch),
    )
    for k in range(iterations):
        # what has not settled by now goes round in a ring: shorter steps, and damping that fades more slowly, end that
        patience = 1 if k < 20 else 2 if k < 45 else 4
        state.late = k >= 12
        if k == 20 or 45 <= k < 60:  # where a loop holds itself up, limiters keep it at its unstable point: let it fall
            memory.forget()
        e = evaluate(system, state.x, memory, state.leak)
        if state.anchor is not None:
            e.residual[:nodes] += state.anchor[0] * (state.x[:nodes] - state.anchor[1])
        finished = state.small if e.limited is None else state.small & ~e.limited
        if finished.any():
            finished = finished & balanced(system, state.x, e)
        bad = ~np.isfinite(e.residual).all(axis=0)
        leave = (finished | bad) & live
        if leave.any():
            out[:, alive[leave]] = state.x[:, leave]
            done[alive[finished & ~bad & live]] = True
            live &= ~leave
            left = int(live.sum())
            if left <= few:
                out[:, alive[live]] = state.x[:, live]
                return out, done
            # who has left is carried along until it is worth the copying
            if bad.any() or left < KEPT * len(live):
                stay = np.flatnonzero(live)
                system, alive, reach_of = system.take(stay), alive[stay], reach_of[stay]
                state = state.take(stay)
                memory.take(stay)
                e = e.take(stay)
                live = np.ones(left, dtype=bool)
        _move(system, state, e, reach_of / patience, ease ** (1 / patience))
    out[:, alive[live]] = state.x[:, live]
    return out, done


@dataclass
class _Iteration:
    """Where the iteration stands: x, damping (S), whether the last step was small, and the leak of each node (S)."""

    x: Array
    damping: Array
    small: Mask
    leak: Array
    anchor: tuple[Array, Array] | None
    trims: bool
    trimmed: Mask
    last: Array
    late: bool = False

    def take(self, stay: Ints) -> _Iteration:
        anchor = None if self.anchor is None else (self.anchor[0][stay], self.anchor[1].take(stay, axis=1))
        return _Iteration(
            self.x.take(stay, axis=1),
            self.damping[stay],
            self.small[stay],
            self.leak.take(stay, axis=1),
            anchor,
            self.trims,
            self.trimmed[stay],
            self.last[stay],
        )


def weakly_held(system: System, x: Array, e: Evaluation | None = None) -> Mask:
    """Nodes (nodes, B) that nothing but GMIN holds: a unit current of GMIN moves them by volts."""
    nodes = system.structure.layout.nodes
    with np.errstate(all="ignore"):
        e = evaluate(system, x) if e is None else e
        leak = np.full((nodes, x.shape[1]), GMIN)
        _, lean = solve_batch(system, e.partials, e.residual, leak, leak)
    assert lean is not None
    weak: Mask = np.abs(lean) > WEAK
    return weak


def _largest_source(system: System) -> Array:
    """The largest ideal voltage source of each member, V."""
    layout = system.structure.layout
    if not layout.branches:
        return np.zeros(system.members)
    b = layout.blocks[-1]
    volts: Array = np.abs(system.theta[b.parameters + 2 * b.count : b.parameters + 3 * b.count]).max(axis=0)
    return np.where(np.isfinite(volts), volts, 0.0)


def _move(system: System, state: _Iteration, e: Evaluation, reach: Array, ease: float) -> None:
    """One step of every member; near the end GMIN is taken off the nodes that can do without."""
    nodes = system.structure.layout.nodes
    delta, lean, state.damping = _step(system, state, e, reach)
    size = np.abs(delta[:nodes])
    largest = size.max(axis=0)
    step = np.clip(delta, -1.5 * reach, 1.5 * reach)
    step[nodes:] = delta[nodes:]
    if state.late:
        rings = largest > 0.7 * state.last
        if e.limited is not None:
            rings &= ~e.limited  # a step that a limiter aims at a slope must arrive there
        step *= np.where(rings, 0.4, 1.0)
    state.last = largest
    x = state.x - step
    state.small = (state.damping == 0) & (size <= RELTOL * np.abs(x[:nodes]) + VNTOL).all(axis=0)
    if lean is not None:
        # what GMIN's leak does to a node, V/V: next to nothing where something else holds it, all where nothing does
        near = (largest < 0.05) & (state.damping == 0)
        # once taken off it may come back, but not go again: a node at the edge must not keep the iteration going
        weak = np.abs(lean) > WEAK
        leak = np.where(weak, GMIN, np.where(state.trimmed, state.leak, 0.0))
        changed = near & (leak != state.leak).any(axis=0)
        state.leak = np.where(near, leak, state.leak)
        state.trimmed |= near
        state.small &= near & ~changed
    state.x = x
    fade = np.where(largest < 0.15 * reach, ease * ease, ease)
    damping = np.where(largest < 0.005 * reach, 0.0, state.damping * fade)
    damping[damping < GMIN / 10] = 0.0
    state.damping = damping


def _step(system: System, state: _Iteration, e: Evaluation, reach: Array) -> tuple[Array, Array | None, Array]:
    """The Newton step, with as much conductance from every node to where it is as keeps the step within reach.

    A step that goes too far does so along a direction of little conductance g = Δᵀf/ΔᵀΔ; g·|Δ|/reach more shortens it
    to reach, and leaves what is held stiffly free to move. (Clipping the step alone would turn it.)
    Returns the step, what GMIN of leak at all nodes would do to each (None when not asked for), and the damping.
    """
    nodes = system.structure.layout.nodes
    damping = state.damping
    held = state.leak + 0.01 * GMIN  # never singular for want of a path
    if state.anchor is not None:
        held = held + state.anchor[0]
    second = np.full((nodes, len(damping)), GMIN) if state.trims else None
    delta, lean = solve_batch(system, e.partials, e.residual, held + damping, second)
    damping = damping.copy()
    for _ in range(2):
        largest = np.abs(delta[:nodes]).max(axis=0)
        far = np.flatnonzero(largest > 1.5 * reach)
        if not len(far):
            break
        some = delta[:nodes, far]
        softness = (some * e.residual[:nodes, far]).sum(axis=0) / np.maximum((some * some).sum(axis=0), 1e-300)
        damping[far] += np.maximum(np.maximum(softness, 0.1 * damping[far]), GMIN) * largest[far] / reach[far]
        sub = system.like(far, system.theta[:, :0])
        delta[:, far] = solve_batch(sub, e.partials[:, far], e.residual[:, far], held[:, far] + damping[far])[0]
    return delta, lean, damping


def balanced(system: System, x: Array, e: Evaluation) -> Mask:
    """Members whose nodes and branches balance."""
    nodes = system.structure.layout.nodes
    ok: Mask = np.asarray((np.abs(e.residual[1:nodes]) <= allowed(system, x, e.currents)[1:]).all(axis=0))
    if system.structure.layout.branches:
        ok &= (np.abs(e.residual[nodes:]) <= RELTOL * (1 + np.abs(x[:nodes]).max(axis=0))).all(axis=0)
    return ok


def faded(system: System, strength: float) -> System:
    """The system with every excitation (source, regulator, load) multiplied by `strength`."""
    theta = system.theta.copy()
    for b in system.structure.layout.blocks:
        for name in b.device.excitations:
            start = b.parameters + b.device.row(name) * b.count
            theta[start : start + b.count] *= strength
    return System(system.structure, theta, system.extras, system.moved, system.plan)


def by_gmin(system: System, x: Array) -> tuple[Array, Mask]:
    """Gmin stepping: 1e-2 S on every node, a tenth at a time; the last solve is the true system's."""
    ok = np.ones(system.members, dtype=bool)
    for exponent in range(2, 13):
        x, ok = newton(system, x, gmin=max(GMIN, 10.0**-exponent), iterations=100, reach=2.0)
    return x, ok


def by_sources(system: System, x: Array) -> tuple[Array, Mask]:
    """Source stepping from a dead circuit, then the true system."""
    x = np.zeros_like(x)
    for strength in (0.001, 0.01, 0.03, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 1.0):
        x, ok = newton(faded(system, strength) if strength < 1 else system, x, iterations=100, reach=1.0)
    return x, ok


def by_time(system: System, x: Array) -> tuple[Array, Mask]:
    """Pseudo-transient continuation: capacitors on every node, a step that grows, then the true system."""
    nodes = system.structure.layout.nodes
    siemens = np.full(system.members, 1.0)
    for _ in range(60):
        trial, ok = newton(system, x, iterations=40, reach=2.0, anchor=(siemens, x[:nodes].copy()))
        x = np.where(ok, trial, x)
        siemens = np.where(ok, siemens / 3, np.minimum(siemens * 10, 1e3))
        if ok.all() and siemens.max() < 1e-13:
            break
    return newton(system, x, iterations=100, reach=1.0)


def quick(system: System, x: Array, few: int, memory: Memory | None = None) -> tuple[Array, Mask]:
    """Newton alone, until few members are left."""
    with np.errstate(all="ignore"):
        return newton(system, np.where(np.isfinite(x), x, 0.0), few=few, memory=memory)


def operating_point(system: System, x: Array, memory: Memory | None = None) -> tuple[Array, Mask, list[str]]:
    """Newton, then for the members that fail each remedy in turn; the last says which remedy served ("" for none)."""
    with np.errstate(all="ignore"):
        return _operating_point(system, np.where(np.isfinite(x), x, 0.0), memory)


def _operating_point(system: System, x0: Array, memory: Memory | None) -> tuple[Array, Mask, list[str]]:
    x, ok = newton(system, x0, memory=memory)
    how = ["" if good else FAILED for good in ok]
    finite = np.isfinite(system.theta).all(axis=0)
    if system.extras is not None:
        finite &= np.isfinite(system.extras.g).all(axis=0)
    for k in np.flatnonzero(~finite):
        how[k] = BAD
    remedies = (
        ("full steps", _unbounded),
        ("damping", _damped),
        ("gmin", by_gmin),
        ("sources", by_sources),
        ("time", by_time),
    )
    for name, remedy in remedies:
        left = np.flatnonzero(~ok & finite)
        if not len(left):
            break
        again, good = remedy(system.take(left), np.ascontiguousarray(x0[:, left]))
        x[:, left[good]] = again[:, good]
        ok[left[good]] = True
        for k in left[good]:
            how[k] = name
    return x, ok, how


def _unbounded(system: System, x: Array) -> tuple[Array, Mask]:
    """For voltages far beyond the sources' (a large current through a large resistance)."""
    return newton(system, np.zeros_like(x), iterations=25, reach=1e12)


def _damped(system: System, x: Array) -> tuple[Array, Mask]:
    return newton(system, np.zeros_like(x), iterations=300, reach=0.5, ease=0.4)
