"""The stage: one circuit in time, shared by all instruments of a virtual bench.

It owns the simulation, the time, events that are due later (a boot log, a delayed trip, a guard's next poll) and
watchers that look at the circuit while it moves (protections, the processor's reset). A circuit at rest costs nothing:
watchers run while something moves and once when it has come to rest. The simulation may lag behind; it is
brought up to the stage's time whenever somebody looks.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Mapping
from typing import Protocol

FIRST_SLICE = 1e-3  # how closely protections are watched after a change, in seconds …
GROWTH = 0.25  # … and by how much of the time since the change the next look is later


class Circuitry(Protocol):
    """What the stage needs of a simulation (wakeboard.instruments.virtual.circuit.Simulation)."""

    @property
    def settled(self) -> bool: ...

    def change(self, values: Mapping[str, object] = ..., moves: Mapping[str, str] = ...) -> None: ...

    def advance(self, seconds: float) -> None: ...

    def volts(self, net: str) -> float: ...

    def current(self, part: str, pin: str) -> float: ...


class Event:
    """Something due at a time; may be cancelled."""

    __slots__ = ("action", "time")

    def __init__(self, time: float, action: Callable[[], None]) -> None:
        self.time = time
        self.action: Callable[[], None] | None = action

    def cancel(self) -> None:
        self.action = None


_Heap = list[tuple[float, int, Event]]


def _live(heap: _Heap) -> _Heap:
    """The same, without what was cancelled at its head."""
    while heap and heap[0][2].action is None:
        heapq.heappop(heap)
    return heap


class Stage:
    """The circuit, the time and what is due. Not thread-safe: one lock goes round it."""

    def __init__(self, simulation: Circuitry) -> None:
        self.simulation = simulation
        self.now = 0.0
        self.version = 0  # counts changes, so that what was computed from the circuit may be kept until the next one
        self.moving = True
        self.changed_at = 0.0
        self._simulated = 0.0  # how far the simulation has come
        self._look_at = FIRST_SLICE  # when the watchers look next, while something moves
        self._events: _Heap = []  # of the bench itself: a boot log, a delayed trip
        self._calls: _Heap = []  # of those who use it, which may let time pass themselves
        self._glide: Callable[..., None] | None = getattr(simulation, "glide", None)
        self._gently: Callable[..., None] | None = getattr(simulation, "change_gently", None)
        self._number = 0
        self._inside = self._in_call = False
        self._watchers: list[Callable[[], None]] = []

    # --- the circuit ------------------------------------------------------------------------------------------------
    def change(
        self,
        values: Mapping[str, object] | None = None,
        moves: Mapping[str, str] | None = None,
        *,
        gently: bool = False,
    ) -> None:
        """Set values of parts ("U1.GPIO7.drive": "high") and move pins ("meter.HI": net), at once.

        gently: nothing that a protection would have to act on follows (a meter's lead moves).
        """
        if gently and self._gently is not None:
            self._gently(values or {}, moves or {})
            self.version += 1
            return
        self.catch_up()
        self.simulation.change(values or {}, moves or {})
        self.version += 1
        if not gently:
            self.changed_at = self.now
        if not gently or not self.moving:
            self._look_at = self.now + FIRST_SLICE
        self.moving = True

    @property
    def in_time(self) -> bool:
        """Whether changes take time; else each is settled at once."""
        return self._glide is not None

    def glide(self, values: Mapping[str, float], seconds: float) -> None:
        """Let values of parts move evenly to these. Where each change is settled at once, so is this."""
        if self._glide is None:
            self.change(values)
            return
        self.catch_up()
        self._glide(values, seconds)
        self.version += 1
        self.changed_at = self.now
        self._look_at = self.now + FIRST_SLICE
        self.moving = True

    def volts(self, net: str) -> float:
        """Voltage of a net against ground."""
        if self._simulated < self.now:
            self.catch_up()
        return self.simulation.volts(net)

    def current(self, part: str, pin: str) -> float:
        """Current into a part's pin, in A."""
        if self._simulated < self.now:
            self.catch_up()
        return self.simulation.current(part, pin)

    def watch(self, watcher: Callable[[], None]) -> None:
        """Call `watcher` whenever the circuit may have moved."""
        self._watchers.append(watcher)

    def forget(self, watcher: Callable[[], None]) -> None:
        """Call it no longer."""
        self._watchers.remove(watcher)

    # --- time -------------------------------------------------------------------------------------------------------
    def at(self, time: float, action: Callable[[], None]) -> Event:
        """Have `action` called when the time comes."""
        return self._due(self._events, time, action)

    def call(self, time: float, action: Callable[[], None]) -> Event:
        """The same for one that lets time pass itself, as a guard's poll does while the supply answers: what the bench
        itself has to do goes on meanwhile, no other call is made."""
        return self._due(self._calls, time, action)

    def _due(self, kept: _Heap, time: float, action: Callable[[], None]) -> Event:
        event = Event(time, action)
        self._number += 1
        heapq.heappush(kept, (time, self._number, event))
        return event

    def next_event(self) -> float | None:
        """When the next event is due."""
        first = self._first()
        return first[0][0] if first else None

    def _first(self) -> _Heap:
        """The heap whose first event is the next that may run now; empty where none may."""
        own, others = _live(self._events), self._calls
        if self._in_call or not _live(others):
            return own
        return own if own and own[0][:2] < others[0][:2] else others

    def advance(self, seconds: float) -> None:
        """Let time pass, running what falls due. Inside an event of the bench only the circuit moves on."""
        end = self.now + seconds
        while True:
            first = [] if self._inside else self._first()
            due = first[0][0] if first else math.inf
            if self.moving and self._look_at <= min(end, due):
                self._look()  # at which something may fall due
                continue
            self.now = max(self.now, min(end, due))
            if due > end:
                return
            self._run(heapq.heappop(first)[2], first is self._calls)

    def _run(self, event: Event, is_call: bool) -> None:
        before = self._inside, self._in_call
        self._inside, self._in_call = not is_call, self._in_call or is_call
        try:
            if event.action is not None:
                event.action()
        finally:
            self._inside, self._in_call = before

    @property
    def pace(self) -> float:
        """How long nobody need look at the circuit: the longer, the longer ago something changed."""
        return max(FIRST_SLICE, GROWTH * (self.now - self.changed_at)) if self.moving else math.inf

    def _look(self) -> None:
        """Move the circuit on as far as somebody has to look; the rest of the time is made up for at the next look."""
        self.now = max(self.now, self._look_at)
        self.catch_up()
        self.moving = not self.simulation.settled
        for watcher in self._watchers:
            watcher()
        self._look_at = self.now + self.pace

    def catch_up(self) -> None:
        """Bring the simulation up to now."""
        owed = self.now - self._simulated
        if owed <= 0:
            return
        self.simulation.advance(owed)
        self._simulated = self.now
        moving = not self.simulation.settled
        if moving and not self.moving:  # a part with a memory of its own has moved
            self.changed_at = self.now
            self._look_at = self.now + FIRST_SLICE
        self.moving = self.moving or moving  # it comes to rest only where the watchers look, so that they see that too
