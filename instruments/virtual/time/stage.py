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
from typing import Any, Protocol

FIRST_SLICE = 1e-3  # how closely protections are watched after a change, in seconds …
GROWTH = 0.25  # … and by how much of the time since the change the next look is later


class Circuitry(Protocol):
    """What the stage needs of a simulation (wakeboard.instruments.virtual.circuit.Simulation)."""

    @property
    def settled(self) -> bool: ...

    def change(self, values: Mapping[str, Any] = ..., moves: Mapping[str, str] = ...) -> None: ...

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
        self._events: list[tuple[float, int, Event]] = []
        self._gently: Callable[..., None] | None = getattr(simulation, "change_gently", None)
        self._number = 0
        self._inside = False
        self._watchers: list[Callable[[], None]] = []

    # --- the circuit ------------------------------------------------------------------------------------------------
    def change(
        self,
        values: Mapping[str, Any] | None = None,
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

    # --- time -------------------------------------------------------------------------------------------------------
    def at(self, time: float, action: Callable[[], None]) -> Event:
        """Have `action` called when the time comes."""
        event = Event(time, action)
        self._number += 1
        heapq.heappush(self._events, (time, self._number, event))
        return event

    def next_event(self) -> float | None:
        """When the next event is due."""
        while self._events and self._events[0][2].action is None:
            heapq.heappop(self._events)
        return self._events[0][0] if self._events else None

    def advance(self, seconds: float) -> None:
        """Let time pass, running what falls due. Inside an event only the circuit moves on: none runs in another."""
        end = self.now + seconds
        if self._inside:
            self._flow(end)
            return
        while True:
            due = self.next_event()
            if due is None or due > end:
                break
            self._flow(due)
            self._run_due()
        self._flow(end)

    def _run_due(self) -> None:
        self._inside = True
        try:
            while self._events and self._events[0][0] <= self.now:
                action = heapq.heappop(self._events)[2].action
                if action is not None:
                    action()
        finally:
            self._inside = False

    @property
    def pace(self) -> float:
        """How long nobody need look at the circuit: the longer, the longer ago something changed."""
        return max(FIRST_SLICE, GROWTH * (self.now - self.changed_at)) if self.moving else math.inf

    def _flow(self, until: float) -> None:
        """Move the circuit on as far as somebody has to look; the rest of the time is made up for at the next look."""
        while self.moving and self._look_at <= until:
            self.now = max(self.now, self._look_at)
            self.catch_up()
            self.moving = not self.simulation.settled
            for watcher in self._watchers:
                watcher()
            self._look_at = self.now + self.pace
        self.now = max(self.now, until)

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
