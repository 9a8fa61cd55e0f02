"""Many instant simulations whose operating points are solved together.

Each simulation runs in a thread of its own, doing whatever its sequence does; where it needs an operating point it
waits until all others that still run need one too, and all are solved as one batch, in which a point costs a small
part of what it costs alone. Threads are resumed one after another, so that they never compete for the interpreter.

    together = Lockstep(model)
    solvers = [together.join() for _ in variants]                # all join before the first starts
    with ThreadPoolExecutor(len(variants)) as pool:              # a thread for each: work() ends with together.leave()
        list(pool.map(lambda v, s: work(Instant(model, v, s)), variants, solvers))
"""

from __future__ import annotations

import threading
from collections import deque

from .circuit import Model, Points, SolveError, Variant
from .instant import Solver, State, gathered


class _Asked:
    """One member's question, and the answer once it is there."""

    __slots__ = ("answer", "error", "gate", "last", "variant")

    def __init__(self, variant: Variant, last: State | None) -> None:
        self.variant = variant
        self.last = last
        self.answer: State | None = None
        self.error: Exception | None = None
        self.gate = threading.Lock()
        self.gate.acquire()


class Lockstep:
    """Gathers the points that its members ask for."""

    def __init__(self, model: Model) -> None:
        self._model = model
        self._mutex = threading.Lock()
        self._running = 0
        self._asked: list[_Asked] = []
        self._answered: deque[_Asked] = deque()

    def join(self) -> Solver:
        """A solver for one more member, which must `leave` when it ends, however it ends."""
        with self._mutex:
            self._running += 1
        return self._solve

    def leave(self) -> None:
        """The calling member has ended: nobody waits for it any more."""
        with self._mutex:
            self._running -= 1
            self._pass_on()

    def _solve(self, variant: Variant, last: State | None) -> State:
        mine = _Asked(variant, last)
        with self._mutex:
            self._asked.append(mine)
            self._running -= 1
            self._pass_on()
        mine.gate.acquire()
        if mine.error is not None:
            raise mine.error
        assert mine.answer is not None
        return mine.answer

    def _pass_on(self) -> None:
        """Once nobody runs, resume the next member that has its answer; where none has, solve what was asked."""
        if self._running:
            return
        if not self._answered and self._asked:
            self._answer_all()
        if self._answered:
            self._running = 1
            self._answered.popleft().gate.release()

    def _answer_all(self) -> None:
        asked, self._asked = self._asked, []
        try:
            points = self._model.solve([each.variant for each in asked], self._start(asked))
        except Exception as error:  # noqa: BLE001  every member is told, in its own thread
            for each in asked:
                each.error = error
        else:
            for place, each in enumerate(asked):
                self._take(each, points, place)
        self._answered.extend(asked)

    def _take(self, each: _Asked, points: Points, place: int) -> None:
        status = points.status[place]
        if status == "ok":
            each.answer = State(points, place)
        else:
            each.error = SolveError(f"no operating point: {status}", member=place, node="", parts=(), residual=0.0)

    def _start(self, asked: list[_Asked]) -> Points | None:
        known = [each.last for each in asked]
        if any(state is None for state in known):
            return None
        return gathered([state for state in known if state is not None])
