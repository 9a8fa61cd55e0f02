"""Operating points of a batch of members that share a layout.

Each member is solved by itself, by compiled code (`compiled/`); many are shared out among the processor's cores. What
plain Newton does not solve is tried again with full steps, with more damping, by gmin stepping, by source stepping, by
pseudo-transient continuation, and finished at the true equations. One bad member never spoils the others.

Arrays are one row a member: x (B, size) unknowns by node (0 is ground) and then by branch.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cache, cached_property
from typing import Final

import numpy as np

from wakeboard.instruments.virtual.circuit.compiled.elements import GMIN, ON_SLOPE
from wakeboard.instruments.virtual.circuit.compiled.iteration import (
    Rules,
    Wiring,
    linear_group,
    newton_group,
    state_group,
)
from wakeboard.instruments.virtual.circuit.compiled.parameters import Parameters
from wakeboard.instruments.virtual.circuit.solver.devices import SOURCE, Array, Mask
from wakeboard.instruments.virtual.circuit.solver.structure import Ints, Layout

REACH: Final = 2.0  # V that a node may move in one iteration
EASE: Final = 0.1  # what is left of the damping from one iteration to the next
ITERATIONS: Final = 120  # who needs more goes round in a ring: the remedies follow
NEAR_STEPS: Final = 12  # a longer way is not near
CLOSE_STEPS: Final = 150  # iterations in small steps, with …
CLOSE_REACH: Final = 0.05  # V, and …
CLOSE_EASE: Final = 0.4  # …: tried on Skep's supplies coming up, where no other pair found every answer
CONDUCTS: Final = 0.05 * GMIN  # S; a junction has GMIN across it, as in SPICE
SHARED_FROM: Final = 256  # members from which on threads share the work
PIECE: Final = 128  # members of a group that stay together

USUAL: Final = Rules(GMIN, ITERATIONS, REACH, EASE, True, np.inf)
"""What Newton is tried with first."""

OK: Final = "ok"
FAILED: Final = "no convergence"
BAD: Final = "not finite"


@dataclass
class System:
    """A batch: parameters, and groups of members of the same wiring; siemens (B, E) of the wirings' extra pairs."""

    layout: Layout
    parameters: Parameters
    groups: list[tuple[Wiring, Ints]]
    siemens: Array

    def take(self, members: Ints) -> System:
        """Of some members, renumbered."""
        where = np.full(self.members, -1, dtype=np.intp)
        where[members] = np.arange(len(members))
        groups = [(wiring, where[each][where[each] >= 0]) for wiring, each in self.groups]
        kept = [(wiring, each) for wiring, each in groups if len(each)]
        return System(self.layout, self.parameters.take(members), kept, self.siemens[members])

    @property
    def members(self) -> int:
        return len(self.parameters.row)

    @cached_property
    def group_of(self) -> Ints:
        """(B,) the place of each member's group."""
        found = np.zeros(self.members, dtype=np.intp)
        for k, (_, members) in enumerate(self.groups):
            found[members] = k
        return found

    def pieces(self) -> Iterator[tuple[Wiring, Ints]]:
        for wiring, members in self.groups:
            for first in range(0, len(members), PIECE):
                yield wiring, members[first : first + PIECE]


CORES: Final = os.cpu_count() or 1


@cache
def _threads() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(CORES, thread_name_prefix="solver")


if hasattr(os, "register_at_fork"):  # a forked process has inherited the pool, but none of its threads
    os.register_at_fork(after_in_child=_threads.cache_clear)


def _share_out(system: System, work: Callable[[Wiring, Ints], None]) -> None:
    """Do the work on every group: by the cores together where there is enough of it."""
    if system.members < SHARED_FROM or CORES < 2:
        for wiring, members in system.groups:
            work(wiring, members)
        return
    pieces = deque(system.pieces())

    def share(_: int) -> None:
        # each takes the next piece when it is done with one, so that a slow piece keeps nobody waiting
        while True:
            try:
                wiring, members = pieces.popleft()
            except IndexError:
                return
            work(wiring, members)

    for _ in _threads().map(share, range(CORES)):
        pass


@dataclass
class Evaluation:
    """The equations at a point, a row a member: residual by node, then branch; element currents; partials."""

    residual: Array
    currents: Array
    partials: Array

    @classmethod
    def empty(cls, system: System, partials: bool = False) -> Evaluation:
        """Room for a batch; partials only where they are asked for."""
        layout, batch = system.layout, system.members
        rows = batch if partials else 0
        return cls(
            np.empty((batch, layout.size)), np.empty((batch, layout.currents)), np.empty((rows, layout.partials))
        )

    def put(self, members: Ints, other: Evaluation) -> None:
        """Take over some members' rows."""
        self.residual[members] = other.residual
        self.currents[members] = other.currents
        if len(self.partials):
            self.partials[members] = other.partials


Located = tuple[Array, Evaluation]
NOT_ASKED: Final = Evaluation(np.empty((0, 0)), np.empty((0, 0)), np.empty((0, 0)))


class Memory:
    """What limiters remember of the iteration before (B, M), NaN for nothing; leak (B, nodes), S, of each node where
    the solution ended."""

    def __init__(self, layout: Layout, members: int) -> None:
        self.layout = layout
        self.held: Array = np.full((members, layout.memory), np.nan)
        self.leak: Array | None = None

    def copied(self) -> Memory:
        """The same, to go on from without spoiling this one."""
        return self.take(np.arange(len(self.held)))

    def take(self, members: Ints) -> Memory:
        fresh = object.__new__(Memory)
        fresh.layout, fresh.held = self.layout, self.held[members]
        fresh.leak = None if self.leak is None else self.leak[members]
        return fresh

    def carry_over(self) -> None:
        """Begin the next solution where this one ended."""
        back_onto_slopes(self.layout, self.held)


def back_onto_slopes(layout: Layout, held: Array) -> None:
    """For limiters (B, M) that go on from a solution: what stood on a slope may use it once more. A supply whose
    setting is moved would otherwise look switched off, or at its limit, for one iteration."""
    for slopes in layout.slopes:
        region = held[:, slopes]
        region[region == 0] = ON_SLOPE


def evaluate(system: System, x: Array, memory: Memory | None = None, partials: bool = False) -> Evaluation:
    """The equations at x (B, size). `memory` is brought up to date."""
    return _look(system, x, memory, partials=partials)[0]


def weakly_held(system: System, x: Array) -> Mask:
    """Nodes (B, nodes) that nothing much holds: less than about 1e-10 S."""
    return _look(system, x, None, weak=True)[1]


def unheld(system: System, x: Array, weak: Mask) -> Mask:
    """Of the weakly held nodes (nodes,) of one member at its solution x (1, size): those from which nothing conducts to
    a node that is held, by whatever way.

    Found by what conducts, since the matrix cannot tell everywhere: beside the 10 kS of a link of 0 Ω the 1 pS to
    ground that an open net has is less than a double resolves (1e4 · 2^-53 = 1.1e-12).
    """
    found: Mask = weak.copy()
    partials = evaluate(system, x, partials=True).partials[0]
    links = [nodes for nodes in _links(system, partials) if weak[nodes].any()]
    while lost := [nodes for nodes in links if found[nodes].any() and not found[nodes].all()]:
        for nodes in lost:  # whatever touches a held node is held
            found[nodes] = False
    return found


def _links(system: System, partials: Array) -> Iterator[Ints]:
    """The nodes that each slope that conducts joins; each source and each further conductance its two ends."""
    wiring, _ = system.groups[0]
    plus, minus = wiring.plus.astype(np.intp), wiring.minus.astype(np.intp)
    for block in system.layout.blocks:
        elements = np.arange(block.count)
        if block.device is SOURCE:
            yield from np.stack([plus[block.ports + elements], minus[block.ports + elements]]).T
            continue
        for place, (output, port) in enumerate(block.device.partials):
            slopes = partials[block.partials + place * block.count + elements]
            conducts = elements[np.abs(slopes) >= CONDUCTS]
            of = block.ports + block.device.outputs[output] * block.count + conducts
            by = block.ports + port * block.count + conducts
            yield from np.stack([plus[of], minus[of], plus[by], minus[by]]).T
    for first, second, siemens in zip(wiring.first, wiring.second, system.siemens[0], strict=False):
        if siemens >= CONDUCTS:
            yield np.array([first, second], dtype=np.intp)


def leaks(system: System, x: Array, memory: Memory | None = None) -> tuple[Array, Mask]:
    """S (B, nodes) that a node which nothing at all holds leaks to ground, and weakly_held()."""
    _, weak, free, _ = _look(system, x, memory, weak=True)
    return np.where(free, GMIN, 0.0), weak


def linearised(system: System, x: Array) -> tuple[Evaluation, Array]:
    """The equations at x (B, size) with their partials, and the Jacobians (B, size - 1, size - 1): rows and columns of
    the nodes but ground, GMIN from each to ground, then of the branches."""
    found, _, _, jacobian = _look(system, x, None, partials=True, jacobian=True)
    return found, jacobian


def lifts(system: System, partials: Array, members: Ints, node: int) -> Array:
    """(M, size) V by which a unit current into each node, and a unit in each branch's equation, lifts one node in some
    members, of partials (B, Q) that evaluate() gave: a row of each Jacobian's inverse. NaN or infinite where a pivot of
    the elimination vanished."""
    some, where = np.unique(members, return_inverse=True)
    right = np.zeros((len(some), system.layout.size))
    right[:, node] = 1.0
    _linear(system, partials, some, np.ones(len(some), dtype=np.intp), right, across=True)
    found: Array = right[where]
    return found


def steps(system: System, partials: Array, member: int, right: Array) -> Array:
    """(A, size) what solves one member's linear equations for right sides (A, size), which are written over."""
    _linear(system, partials, np.array([member]), np.array([len(right)]), right)
    return right


def step_of_each(system: System, partials: Array, right: Array, more: Array) -> Array:
    """(B, size) what solves each member's linear equations, with `more` (B,) S from every node to ground, for a right
    side (B, size) of its own, which is written over. NaN or infinite where a pivot of the elimination vanished."""
    _linear(system, partials, np.arange(len(right)), np.ones(len(right), dtype=np.intp), right, more)
    return right


def _linear(
    system: System, partials: Array, some: Ints, counts: Ints, right: Array, more: Array | None = None,
    across: bool = False,
) -> None:  # fmt: skip
    layout = system.layout
    first = np.zeros(system.members + 1, dtype=np.intp)
    first[some + 1] = counts
    np.cumsum(first, out=first)
    of = system.group_of[some]
    more = np.zeros(system.members) if more is None else more
    for k in np.unique(of).tolist():
        wiring = system.groups[k][0]
        linear_group(layout.compiled, wiring, some[of == k], partials, system.siemens, more, first, right, across)


def _look(
    system: System, x: Array, memory: Memory | None, *, partials: bool = False, weak: bool = False,
    jacobian: bool = False,
) -> tuple[Evaluation, Mask, Mask, Array]:  # fmt: skip
    layout, batch = system.layout, system.members
    found = Evaluation.empty(system, partials)
    marks, free = np.zeros((2, batch if weak else 0, layout.nodes), dtype=bool)
    matrices = np.empty((batch if jacobian else 0, layout.size - 1, layout.size - 1))
    x = np.ascontiguousarray(x)
    held = memory.held if memory is not None else np.empty((batch, 0))

    def work(wiring: Wiring, members: Ints) -> None:
        state_group(
            layout.compiled, wiring, members, system.parameters, system.siemens, x, held, found.currents,
            found.partials, found.residual, marks, free, matrices,
        )  # fmt: skip

    _share_out(system, work)
    return found, marks, free, matrices


def newton(
    system: System,
    x: Array,
    *,
    gmin: float = USUAL.gmin,
    iterations: int = USUAL.iterations,
    reach: float = USUAL.reach,
    ease: float = USUAL.ease,
    too_far: float = USUAL.too_far,
    anchor: tuple[Array, Array] | None = None,
    memory: Memory | None = None,
    trims: bool = True,
    found: Evaluation | None = None,
    doubt: Mask | None = None,
) -> tuple[Array, Mask]:
    """Iterate from x (B, size): the last iterate of every member, and which converged; `found` is filled for these.

    memory: what the limiters remember of the solution that x comes from. reach: volts that a node should not move
    beyond in one iteration; ease: how fast the damping that this takes fades; too_far: volts of a step at which to give
    up. anchor: (siemens (B,), volts (B, nodes)) ties every node to a voltage, for pseudo-transient continuation. trims:
    whether GMIN is taken off the nodes that can do without; else memory's leak stays. doubt (B,): filled with whether
    an answer may be a balance on an edge (see stability).
    """
    layout, batch = system.layout, system.members
    memory = Memory(layout, batch) if memory is None else memory
    plain = gmin == GMIN and anchor is None
    leak = memory.leak if plain and memory.leak is not None else np.full((batch, layout.nodes), gmin)
    siemens, volts = anchor if anchor is not None else (np.zeros(batch), np.empty((batch, 0)))
    rules = Rules(float(gmin), int(iterations), float(reach), float(ease), plain and trims, float(too_far))
    out = np.array(x, order="C")
    ok = np.zeros(batch, dtype=bool)
    found = NOT_ASKED if found is None else found
    doubt = np.zeros(batch, dtype=bool) if doubt is None else doubt

    def work(wiring: Wiring, members: Ints) -> None:
        newton_group(
            layout.compiled, wiring, members, system.parameters, system.siemens, out, memory.held, leak, rules, siemens,
            volts, ok, doubt, found.currents, found.partials, found.residual,
        )  # fmt: skip

    _share_out(system, work)
    return out, ok


def nearby(system: System, x: Array, leak: Array, memory: Memory, partials: bool = False) -> Located | None:
    """Of one member: the answer (1, size) close to x (1, size) and the equations there, or None.

    leak: S (1, nodes) to ground, as the last full solution had it. A simulation takes thousands of these.
    """
    memory.leak = leak
    found = Evaluation.empty(system, partials)
    x, ok = newton(
        system, x, iterations=NEAR_STEPS, too_far=REACH, memory=memory, trims=False, found=found
    )  # fmt: skip
    return (x, found) if ok[0] else None


def closely(system: System, x: Array, partials: bool = False) -> Located | None:
    """Of one member: the answer near x (1, size) by short strides, or None. For a step in time that crosses corners:
    the answer is within some tenths of a volt, and full strides go to and fro over the corner."""
    found = Evaluation.empty(system, partials)
    x, ok = newton(system, x, iterations=CLOSE_STEPS, reach=CLOSE_REACH, ease=CLOSE_EASE, found=found)
    return (x, found) if ok[0] else None


def faded(system: System, strength: float) -> System:
    """The system with every excitation (source, regulator, load) multiplied by `strength`."""
    columns = [
        np.arange(start, start + b.count)
        for b in system.layout.blocks
        for name in b.device.excitations
        for start in [b.parameters + b.device.row(name) * b.count]
    ]
    scaled = system.parameters.scaled(np.concatenate((np.empty(0, dtype=np.intp), *columns)), strength)
    return System(system.layout, scaled, system.groups, system.siemens)


def by_gmin(system: System, x: Array) -> tuple[Array, Mask]:
    """Gmin stepping: 1e-2 S on every node, a tenth at a time; the last solve is the true system's."""
    ok = np.ones(system.members, dtype=bool)
    for exponent in range(2, 13):
        x, ok = newton(system, x, gmin=max(GMIN, 10.0**-exponent), iterations=100)
    return x, ok


def by_sources(system: System, x: Array) -> tuple[Array, Mask]:
    """Source stepping from a dead circuit, then the true system."""
    x, ok = np.zeros_like(x), np.zeros(system.members, dtype=bool)
    for strength in (0.001, 0.01, 0.03, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 1.0):
        x, ok = newton(faded(system, strength) if strength < 1 else system, x, iterations=100, reach=1.0)
    return x, ok


def by_time(system: System, x: Array) -> tuple[Array, Mask]:
    """Pseudo-transient continuation: capacitors on every node, a step that grows, then the true system."""
    nodes = system.layout.nodes
    siemens = np.full(system.members, 1.0)
    for _ in range(60):
        trial, ok = newton(system, x, iterations=40, anchor=(siemens, np.ascontiguousarray(x[:, :nodes])))
        x = np.where(ok[:, None], trial, x)
        siemens = np.where(ok, siemens / 3, np.minimum(siemens * 10, 1e3))
        if ok.all() and siemens.max() < 1e-13:
            break
    return newton(system, x, iterations=100, reach=1.0)


def _unbounded(system: System, x: Array) -> tuple[Array, Mask]:
    """For voltages far beyond the sources' (a large current through a large resistance)."""
    return newton(system, np.zeros_like(x), iterations=25, reach=1e12)


def _damped(system: System, x: Array) -> tuple[Array, Mask]:
    return newton(system, np.zeros_like(x), iterations=300, reach=0.5, ease=0.4)


def _patient(system: System, x: Array) -> tuple[Array, Mask]:
    """For loops through large resistances (the divider of a regulator), which damping makes lag behind."""
    return newton(system, np.zeros_like(x), iterations=1500, reach=5.0, ease=0.4)


REMEDIES: Final[tuple[tuple[str, Callable[[System, Array], tuple[Array, Mask]]], ...]] = (
    ("full steps", _unbounded),
    ("patience", _patient),
    ("damping", _damped),
    ("gmin", by_gmin),
    ("sources", by_sources),
    ("time", by_time),
)


@dataclass
class Solution:
    """x (B, size), the equations there, who is solved, and which remedy served ("" for none) or what failed; states:
    of a member that was found in balance on an edge, the points (size,) it can fall to, x among them."""

    x: Array
    e: Evaluation
    ok: Mask
    how: list[str]
    states: dict[int, list[Array]] = field(default_factory=dict)


def operating_point(system: System, x: Array, memory: Memory | None = None, partials: bool = False) -> Solution:
    """Newton, then for the members that fail each remedy in turn; what ends in balance on an edge falls off it."""
    doubt = np.zeros(system.members, dtype=bool)
    solution = _solved(system, x, memory, partials, doubt)
    if doubt.any():
        from wakeboard.instruments.virtual.circuit.solver.stability import settle

        settle(system, solution, np.flatnonzero(doubt & solution.ok), partials)
    return solution


def _solved(system: System, x: Array, memory: Memory | None, partials: bool, doubt: Mask) -> Solution:
    begin = np.where(np.isfinite(x), x, 0.0)
    e = Evaluation.empty(system, partials)
    x, ok = newton(system, begin, memory=memory, found=e, doubt=doubt)
    if ok.all():
        return Solution(x, e, ok, [""] * len(ok))
    doubt[~ok] = True
    how = ["" if good else FAILED for good in ok]
    late = np.flatnonzero(~ok)
    finite = system.parameters.finite() & np.isfinite(system.siemens).all(axis=1)
    for k in np.flatnonzero(~finite):
        how[k] = BAD
    for name, remedy in REMEDIES:
        left = np.flatnonzero(~ok & finite)
        if not len(left):
            break
        again, good = remedy(system.take(left), begin[left])
        x[left[good]] = again[good]
        ok[left[good]] = True
        for k in left[good]:
            how[k] = name
    e.put(late, evaluate(system.take(late), x[late], partials=partials))
    return Solution(x, e, ok, how)
