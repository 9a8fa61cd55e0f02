"""A scanner's hardware: relays between the board's points and the meter, with counts, settle time and real ties.

A closed channel puts its net on the meter's high lead. A second closed channel ties its net to the first through both
relays, as it really would. Three kinds of channel serve the bench: one reverses the meter's leads, one connects them
with each other, others put a known resistor across the meter. The faces (scanner_scpi.py) speak a maker's commands.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from wakeboard.instruments.virtual.hardware.dmm import Probe
from wakeboard.instruments.virtual.hardware.specimen import drawn
from wakeboard.instruments.virtual.time.stage import Stage

RELAY_TIME = 0.004  # seconds to open or close: armature relay, 34980A data sheet table 4
RELAY_OHMS = 0.35  # both contacts of a channel; 34980A data sheet: below 1.5 Ω new


@dataclass(frozen=True, slots=True)
class Routes:
    """What each channel does. points: channel -> net; swap: the one that reverses the leads; loads: channel -> ohms;
    short: the one that connects the leads with each other."""

    points: Mapping[int, str]
    swap: int | None = None
    loads: Mapping[int, float] = field(default_factory=dict)
    short: int | None = None

    @property
    def channels(self) -> list[int]:
        extra = [each for each in (self.swap, self.short) if each is not None]
        return sorted([*self.points, *extra, *self.loads])


class Relays:
    """The relays of one scanner.

    ties: names of the parts (kind "bleed", pins 1 and 2, value "on") that stand ready to tie nets.
    loads: channel -> name of the part (kind "bleed", pins 1 and 2) that is its resistor.
    """

    def __init__(
        self, stage: Stage, probe: Probe, routes: Routes, serial: str, ties: tuple[str, ...], loads: Mapping[int, str]
    ) -> None:
        self.stage = stage
        self.probe = probe
        self.routes = routes
        self.serial = serial
        self.ties = ties
        self.loads = loads
        self.closed: set[int] = set()
        self.order: list[int] = []
        self.cycles: dict[int, int] = {}
        self._tied = False
        self._told: dict[str, object] = self._parked()

    def _parked(self) -> dict[str, object]:
        """Where the bench's parts stand while no relay is closed."""
        told: dict[str, object] = {}
        for part in (*self.ties, *self.loads.values()):
            told |= {f"{part}.on": False, f"{part}.1": self.probe.idle, f"{part}.2": self.probe.ground}
        return told

    def knows(self, channel: int) -> bool:
        return channel in self.routes.channels

    def ohms(self, channel: int) -> float:
        """Contact resistance of a channel of this specimen."""
        return RELAY_OHMS * (1 + drawn(self.serial, channel, "contact"))

    def arrange(self, wanted: list[int]) -> int:
        """Have exactly these channels closed, in this order; returns how many relays moved. Opens before it closes."""
        new = list(dict.fromkeys(wanted))
        moved = self.closed.symmetric_difference(new)
        if not moved:
            return 0
        for channel in set(new) - self.closed:
            self.cycles[channel] = self.cycles.get(channel, 0) + 1
        self.closed = set(new)
        self.order = new
        self._route()
        return len(moved)

    def close(self, channels: tuple[int, ...]) -> int:
        return self.arrange([*self.order, *channels])

    def open(self, channels: tuple[int, ...]) -> int:
        return self.arrange([channel for channel in self.order if channel not in channels])

    def _route(self) -> None:
        probe = self.probe
        points = [channel for channel in self.order if channel in self.routes.points]
        bus = self.routes.points[points[0]] if points else probe.idle
        probe.path = 0.1 + (self.ohms(points[0]) if points else 0.0)
        if self.routes.short is not None and self.routes.short in self.closed:
            bus = probe.ground
            probe.path = 0.1 + self.ohms(self.routes.short)
        self._tie(points, bus)
        self._load(bus)
        if self.routes.swap in self.closed:
            probe.connect(probe.ground, bus)
        else:
            probe.connect(bus, probe.ground)

    def _tie(self, points: list[int], bus: str) -> None:
        """Join the nets of further closed channels to the first one's."""
        values: dict[str, object] = {}
        moves: dict[str, str] = {}
        others = [channel for channel in points[1:] if self.routes.points[channel] != bus][: len(self.ties)]
        if not others and not self._tied:
            return
        self._tied = bool(others)
        for index, tie in enumerate(self.ties):
            used = index < len(others)
            values[f"{tie}.on"] = used
            moves[f"{tie}.1"] = bus if used else self.probe.idle
            moves[f"{tie}.2"] = self.routes.points[others[index]] if used else self.probe.ground
        self._change_where_new(values, moves)

    def _load(self, bus: str) -> None:
        for channel, part in self.loads.items():
            on = channel in self.closed
            self._change_where_new(
                {f"{part}.on": on},
                {f"{part}.1": bus if on else self.probe.idle, f"{part}.2": self.probe.ground},
            )

    def _change_where_new(self, values: dict[str, object], moves: dict[str, str]) -> None:
        """Tell the stage what differs from last time: a change costs a new factorisation."""
        known = self._told
        new_values = {key: value for key, value in values.items() if known.get(key) != value}
        new_moves = {key: value for key, value in moves.items() if known.get(key) != value}
        if new_values or new_moves:
            known.update(new_values)
            known.update(new_moves)
            self.stage.change(new_values, new_moves)
