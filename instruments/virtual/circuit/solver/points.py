"""Answers of the solver."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from wakeboard.instruments.virtual.circuit.errors import CircuitError, SolveError, nearest
from wakeboard.instruments.virtual.circuit.faults.effects import Place, into
from wakeboard.instruments.virtual.circuit.solver.devices import Array
from wakeboard.instruments.virtual.circuit.solver.structure import Ints, Layout

if TYPE_CHECKING:
    from wakeboard.instruments.virtual.circuit.model import Plan, Variant
    from wakeboard.instruments.virtual.circuit.solver.devices import Mask
    from wakeboard.instruments.virtual.circuit.solver.newton import Evaluation, Memory, System


class Points:
    """Operating points of a batch of B variants.

    status: "ok" or why there is no answer. volts (B, n) in the order of `nets`. residual (B,): the worst sum of
    currents at any node, A (a floating net shows the leak of 1 pS that stands in for what would hold it). remedy: "" or
    what Newton needed besides ("full steps", "damping", "gmin", "sources", "time"; "nudge": it was found in balance on
    an edge, as a latch half-way, and let fall: see states()).
    """

    def __init__(self, layout: Layout, variants: Sequence[Variant], plans: Sequence[Plan]) -> None:
        batch = len(variants)
        self.layout = layout
        self.variants = tuple(variants)
        self.plans = tuple(plans)
        self.nets = tuple(layout.node_names)
        self.status: Array = np.full(batch, "not solved", dtype=object)
        self.remedy: list[str] = [""] * batch
        self.residual: Array = np.full(batch, np.nan)
        # a row a member in memory, seen by node and by element
        self._x: Array = np.full((batch, layout.size), np.nan).T
        self._currents: Array = np.full((batch, layout.currents), np.nan).T
        self._worst: Ints = np.zeros(batch, dtype=np.intp)
        self.memory: Memory | None = None
        self._system: Callable[[int], System] | None = None
        self._states: dict[int, list[Array]] = {}

    def put(self, x: Array, e: Evaluation, ok: Mask, how: Sequence[str]) -> None:
        """Take over the answers (B, …) of all members."""
        kcl = np.abs(e.residual[:, : self.layout.nodes])
        kcl[:, 0] = 0
        self._worst = np.argmax(np.where(np.isfinite(kcl), kcl, np.inf), axis=1)
        self.residual = kcl.max(axis=1)
        self._x, self._currents = x.T, e.currents.T
        if ok.all():
            self.status[:] = "ok"
            self.remedy = list(how)
            return
        for member, good in enumerate(ok):
            self.status[member] = "ok" if good else how[member]
            self.remedy[member] = how[member] if good else ""
        x[~ok] = np.nan
        e.currents[~ok] = np.nan

    def forget_currents(self) -> None:
        """Keep the volts alone, a third of what an answer takes; currents are not to be asked for any more."""
        self._currents = np.empty((0, 0))

    def start_from(self, start: Points | None) -> Array:
        """Where to begin (B, size): the other answers, by node name, or zero."""
        batch = len(self.variants)
        if start is None:
            return np.zeros((batch, self.layout.size))
        if len(start.variants) not in (1, batch):
            raise CircuitError(f"start has {len(start.variants)} points, {batch} are asked for")
        source = start._x
        if start.layout is not self.layout:
            rows = [start.layout.node.get(name, 0) for name in self.nets]
            rows += range(start.layout.nodes, start.layout.size)
            source = source[rows]
        begin = np.where(np.isfinite(source), source, 0.0).T
        return np.ascontiguousarray(np.broadcast_to(begin, (batch, self.layout.size)))

    def state(self, member: int) -> tuple[Ints, Array, Array]:
        """Of one member: the node of each terminal, the unknowns (n,), the element currents (C,)."""
        at = self.layout.home.copy()
        for terminal, node in self.plans[member].moves:
            at[terminal] = node
        return at, self._x[:, member], self._currents[:, member]

    @classmethod
    def gathered(cls, members: Sequence[tuple[Points, int]]) -> Points:
        """Single members of several batches of one model as one batch, to begin a solution from."""
        layout = members[0][0].layout
        whole = cls(layout, [points.variants[k] for points, k in members], [points.plans[k] for points, k in members])
        by_batch: dict[int, tuple[Points, list[int], list[int]]] = {}
        for column, (points, k) in enumerate(members):
            _, columns, places = by_batch.setdefault(id(points), (points, [], []))
            columns.append(column)
            places.append(k)
        for points, columns, places in by_batch.values():
            whole._x[:, columns] = points._x[:, places] if points.layout is layout else 0.0
        return whole

    # --- answers --------------------------------------------------------------------------------------------------
    def __len__(self) -> int:
        return len(self.variants)

    @property
    def ok(self) -> Mask:
        return np.array([status == "ok" for status in self.status], dtype=bool)

    @property
    def solution(self) -> Array:
        """(n, B): volts of every node, then what else was solved for; NaN where there is no answer."""
        return self._x

    @property
    def volts(self) -> Array:
        return self._x[: self.layout.nodes].T

    def net(self, name: str) -> Array:
        """Volts (B,) of a net against ground."""
        node = self.layout.node.get(name)
        if node is None:
            raise CircuitError(f"no net {name!r}{nearest(name, self.nets)}")
        volts: Array = self._x[node]
        return volts

    def pin_volts(self, part: str, pin: str) -> Array:
        """Volts (B,) where the pin sits, which may not be its drawn net."""
        terminal = self._terminal(part, pin)
        home = int(self.layout.home[terminal])
        out = self._x[home].copy()
        for member, plan in enumerate(self.plans):
            for moved, node in plan.moves:
                if moved == terminal:
                    out[member] = self._x[node, member]
        return np.asarray(out, dtype=np.float64)

    def current(self, part: str, pin: str) -> Array:
        """Amperes (B,) into the part through a pin."""
        terminal = self._terminal(part, pin)
        total = self.layout.into(terminal, self._currents)
        for member, plan in enumerate(self.plans):
            if plan.extras:
                total[member] += into((part, pin), plan.extras, partial(self._at, member=member))
        return total

    def _at(self, place: Place, member: int) -> float:
        if not isinstance(place, tuple):
            return float(self._x[self.layout.node[str(place)], member])
        terminal = self.layout.terminal(*place)
        return float(self._x[dict(self.plans[member].moves).get(terminal, self.layout.home[terminal]), member])

    def power(self, part: str) -> Array:
        """Watts (B,) into the part through all its pins; negative for what delivers."""
        pins = self.layout.circuit.part(part).pins
        total = np.zeros(len(self.variants))
        for pin in pins:
            total += self.pin_volts(part, pin) * self.current(part, pin)
        return total

    def _terminal(self, part: str, pin: str) -> int:
        self.layout.circuit.part(part).net(pin)
        return self.layout.terminal(part, pin)

    def states(self, member: int = 0) -> tuple[dict[str, float], ...]:
        """The stable states known of a member, volts by net, the reported one first: more than one where the solver
        came upon the edge between them. One does not prove that there is no other."""
        if self.status[member] != "ok":
            return ()
        known = self._states.get(member, [self._x[:, member]])
        return tuple({net: float(x[k]) for k, net in enumerate(self.nets)} for x in known)

    def floating(self, member: int = 0) -> tuple[str, ...]:
        """Nets that nothing much holds in this member (less than about 1e-10 S), such as one behind a junction that
        passes nothing: a meter would pull them anywhere."""
        return self._named(member, self._weak(member))

    def leaking(self, member: int = 0) -> tuple[str, ...]:
        """Those of the floating nets that not even a junction holds: 1 pS to ground gives them their volts."""
        from wakeboard.instruments.virtual.circuit.solver.newton import unheld

        weak = self._weak(member)
        if weak is None or self._system is None:
            return ()
        return self._named(member, unheld(self._system(member), self._x.T[[member]], weak))

    def _weak(self, member: int) -> Mask | None:
        from wakeboard.instruments.virtual.circuit.solver.newton import weakly_held

        if self.status[member] != "ok" or self._system is None:
            return None
        marks: Mask = weakly_held(self._system(member), self._x.T[[member]])[0]
        return marks

    def _named(self, member: int, marks: Mask | None) -> tuple[str, ...]:
        if marks is None:
            return ()
        used = np.unique(self.state(member)[0])  # a node for a pin that another variant lifts is no net of this one
        return tuple(self.nets[k] for k in used if marks[k])

    def require(self) -> Points:
        """These points, or SolveError naming the member, the worst node and the parts on it."""
        for member, status in enumerate(self.status):
            if status != "ok":
                node = self.nets[int(self._worst[member])]
                parts = tuple(dict.fromkeys(p.partition(".")[0] for p in self.layout.circuit.on_net(node)))
                raise SolveError(
                    f"no operating point for variant {member}: {status}; worst at net {node} "
                    f"({', '.join(parts)}), {self.residual[member]:.3g} A unbalanced",
                    member=member,
                    node=node,
                    parts=parts,
                    residual=float(self.residual[member]),
                )
        return self
