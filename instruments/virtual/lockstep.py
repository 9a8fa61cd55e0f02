"""Many instant simulations whose operating points are solved together.

Each simulation runs in a thread of its own, doing whatever its sequence does; where it needs an operating point it waits
until all others that still run need one too, and all are solved as one batch. The threads take turns anyway (Python runs
one at a time); what is gained is the batch, in which a point costs a small part of what it costs alone.

    together = Lockstep(model)
    with ThreadPoolExecutor(len(variants)) as pool:
        list(pool.map(lambda v: work(Instant(model, v, together.join())), variants))     # work() ends with .leave()
"""

from __future__ import annotations

import threading

from .circuit import Model, Points, SolveError, Variant
from .instant import Solver, State


class Lockstep:
    """Gathers the points that its members ask for. Members join before any of them starts."""

    def __init__(self, model: Model) -> None:
        self._model = model
        self._condition = threading.Condition()
        self._members = 0
        self._asked: list[tuple[Variant, State | None]] = []
        self._round = _Round()

    def join(self) -> Solver:
        """A solver for one more member, which must `leave` when it ends, however it ends."""
        with self._condition:
            self._members += 1
        return self._solve

    def leave(self) -> None:
        """A member has ended: nobody waits for it any more."""
        with self._condition:
            self._members -= 1
            self._solve_when_all_wait()

    def _solve(self, variant: Variant, last: State | None) -> State:
        with self._condition:
            mine, place = self._round, len(self._asked)
            self._asked.append((variant, last))
            self._solve_when_all_wait()
            while not mine.done:
                self._condition.wait()
        if mine.error is not None:
            raise mine.error
        assert mine.points is not None
        if mine.points.status[place] != "ok":
            raise SolveError(
                f"no operating point: {mine.points.status[place]}", member=place, node="", parts=(), residual=0.0
            )
        return State(mine.points, place)

    def _solve_when_all_wait(self) -> None:
        if not self._asked or len(self._asked) < self._members:
            return
        asked, self._asked = self._asked, []
        current, self._round = self._round, _Round()
        try:
            current.points = self._model.solve([variant for variant, _ in asked], self._start(asked))
        except Exception as error:  # noqa: BLE001  every member is told, in its own thread
            current.error = error
        current.done = True
        self._condition.notify_all()

    def _start(self, asked: list[tuple[Variant, State | None]]) -> Points | None:
        states = [last for _, last in asked]
        if any(state is None for state in states):
            return None
        return Points.gathered([(state.points, state.member) for state in states if state is not None])


class _Round:
    """One batch: its answers, or why there are none."""

    def __init__(self) -> None:
        self.done = False
        self.points: Points | None = None
        self.error: Exception | None = None
