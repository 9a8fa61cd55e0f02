"""The circuit on its bench, compiled once a board, and every answer that the solver gave for it.

A bench supply stands across each supply of the board, a switched resistor ("probe") on each net for a voltmeter's
input, and one ohmmeter is moved to where it is needed. Units of one board, and one unit looked at again, share a stand:
what a fault does in a bench state is solved once, and near answers begin new ones.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from wakeboard.instruments.virtual.circuit.faults.fault import Fault
from wakeboard.instruments.virtual.circuit.solver.devices import Array
from wakeboard.instruments.virtual.circuit.solver.points import Points

from ..model import Variant
from ..part import Circuit
from .change import DRAWN, Change, Scene
from .parts import METER, on_bench, supply_name

KEPT: Final = 60_000
"""Answers that are kept at most, some 3 kB each."""


@dataclass(eq=False)
class Batch:
    """Answers that were solved together, with what was read of them."""

    points: Points
    _read: dict[str, Array] = field(default_factory=dict)

    def net(self, name: str) -> Array:
        """Volts of a net, all members."""
        if name not in self._read:
            self._read[name] = self.points.net(name)
        return self._read[name]

    def current(self, supply: str) -> Array:
        """Amperes that a bench supply gives, all members."""
        key = f"{supply} gives"
        if key not in self._read:
            self._read[key] = -self.points.current(supply_name(supply), "P")
        return self._read[key]


Answer = tuple[Batch, int]
"""One answer: the batch that it belongs to, and its place there."""


class Stand:
    """The circuit on its bench. `may_move`: faults whose pins may be lifted; room is made for them once.

    between: called before each piece of work, for whoever must not be silent meanwhile; what it raises ends the work.
    """

    def __init__(self, circuit: Circuit, supplies: Mapping[str, str], may_move: Iterable[Fault] = ()) -> None:
        self.circuit = circuit
        self.supplies = dict(supplies)
        self.model = on_bench(circuit, supplies).compile()
        self.model.roaming = (METER,)
        self.model.lift([Variant((fault,)) for fault in may_move])
        self._kept: dict[tuple[object, ...], dict[tuple[object, ...], Answer]] = {}
        self._near: dict[tuple[object, ...], dict[tuple[object, ...], Answer]] = {}
        self._count = 0
        self.solved = 0
        self.between: Callable[[], None] = _nothing

    # --- solving --------------------------------------------------------------------------------------------------
    def answers(
        self, scenes: Sequence[Scene], changes: Sequence[Change], near: Sequence[Change] | None = None
    ) -> list[list[Answer]]:
        """For each scene the answers of all changes; what was solved before is not solved again.

        near: for each change one that lies close and may have been solved, to begin from; else the drawn board.
        """
        self.between()
        if self._count > KEPT:
            self._forget()
        keys = [change.key for change in changes]
        wanted: list[tuple[Scene, int]] = []
        for scene in scenes:
            known = self._kept.setdefault(scene.key, {})
            fresh = {key: h for h, key in enumerate(keys) if key not in known}
            wanted += [(scene, h) for h in fresh.values()]
        if wanted:
            starts = [DRAWN.key] * len(changes) if near is None else [change.key for change in near]
            self._solve(wanted, changes, keys, starts)
        return [[known[key] for key in keys] for known in (self._kept[scene.key] for scene in scenes)]

    def _solve(
        self,
        wanted: Sequence[tuple[Scene, int]],
        changes: Sequence[Change],
        keys: Sequence[tuple[object, ...]],
        starts: Sequence[tuple[object, ...]],
    ) -> None:
        begin = _begin_from([self._nearest(scene, starts[h]) for scene, h in wanted])
        points = self.model.solve([scene.variant(changes[h]) for scene, h in wanted], begin)
        batch = Batch(points)
        for supply in self.supplies:
            batch.current(supply)
        points.forget_currents()
        self._count += len(wanted)
        self.solved += len(wanted)
        for member, ((scene, h), status) in enumerate(zip(wanted, points.status, strict=True)):
            self._kept[scene.key][keys[h]] = batch, member
            if status == "ok":
                self._near.setdefault(scene.supplies, {}).setdefault(keys[h], (batch, member))

    def _nearest(self, scene: Scene, start: tuple[object, ...]) -> Answer | None:
        """The nearest answer kept: of the same board in this scene, or with the same supplies, or the drawn one's."""
        here, near = self._kept[scene.key], self._near.get(scene.supplies, {})
        for key in (start, DRAWN.key):
            found = here.get(key)
            if found is not None and found[0].points.status[found[1]] == "ok":
                return found
            if key in near:
                return near[key]
        return None

    def _forget(self) -> None:
        self._kept.clear()
        self._near.clear()
        self._count = 0

    def points(self, scenes: Sequence[Scene], changes: Sequence[Change]) -> Points:
        """All changes in all scenes, scene by scene, as one batch (not kept)."""
        self.between()
        begin = _begin_from([self._near.get(scene.supplies, {}).get(DRAWN.key) for scene in scenes for _ in changes])
        return self.model.solve([scene.variant(change) for scene in scenes for change in changes], begin)


def _nothing() -> None:
    """Nobody waits."""


def _begin_from(answers: Sequence[Answer | None]) -> Points | None:
    """Start values for as many variants; where one has none, those of another."""
    some = next((a for a in answers if a is not None), None)
    if some is None:
        return None
    return Points.gathered([(batch.points, member) for batch, member in (a or some for a in answers)])


def taken(row: Sequence[Answer], supply: str | None, net: str) -> Array:
    """(H,) of a row of answers: volts of a net, or the current of a supply."""
    first = row[0][0]
    if all(batch is first for batch, _ in row):
        whole = first.net(net) if supply is None else first.current(supply)
        return np.asarray(whole[[member for _, member in row]])
    return np.array([(b.net(net) if supply is None else b.current(supply))[m] for b, m in row])
