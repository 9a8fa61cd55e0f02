"""An oscilloscope's hardware: it follows nets of the circuit step by step of the solver, triggers, and makes codes.

Between two steps of the solver a net moves on a straight line. A specimen's gain and offset errors lie within the
figures of its dialect's maker, noise is a third of a code. Not modelled: what a probe loads the net with (10 MΩ and
some picofarads), bandwidth, jitter. The faces (scope_makers.py) speak a maker's language to it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from random import Random
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from wakeboard.instruments.virtual.hardware.specimen import drawn
from wakeboard.instruments.virtual.time.stage import Stage

NOISE_CODES = 0.35  # one standard deviation (estimate, no source)
GAIN_SHARE = 0.03  # of the screen's height: what the makers' figures are (3 %)
OFFSET_DIVS = 0.1  # of a division: what makers state (from memory)
PPM = 20.0  # of its clock (common practice, no source)
KEPT_STEPS = 400_000  # of the solver; the oldest go
State = Literal["stopped", "filling", "waiting", "triggered", "done"]


@dataclass(frozen=True)
class Screen:
    """across, high: divisions; per_div: codes a division; least, middle, most: codes."""

    across: int
    high: int
    per_div: float
    least: int
    middle: int
    most: int


@dataclass
class ScopeChannel:
    """net: where its probe sits; None: on nothing. scale, centre: V at the probe's tip."""

    net: str | None
    scale: float = 1.0
    centre: float = 0.0
    shown: bool = False
    probe: float = 1.0


@dataclass
class Track:
    """What was seen of the channels' nets: times, and a row of volts for each."""

    times: list[float] = field(default_factory=list)
    rows: list[tuple[float, ...]] = field(default_factory=list)


class ScopeHardware:
    """`nets`: channel -> net."""

    def __init__(self, stage: Stage, serial: str, nets: Mapping[int, str], count: int, screen: Screen) -> None:
        self.stage = stage
        self.serial = serial
        self.screen = screen
        self.channels = {n: ScopeChannel(nets.get(n)) for n in range(1, count + 1)}
        self.time_scale = 1e-3
        self.delay = 0.0  # s of the screen's middle after the trigger
        self.source = 1
        self.level = 0.0
        self.rising = True
        self._state: State = "stopped"
        self._armed_at = self._triggered_at = 0.0
        self._track = Track()
        self._nets: list[str] = []
        self._noise = Random(f"{serial}/scope")
        self._followers: list[Callable[[], None]] = stage.simulation.followers  # type: ignore[attr-defined]

    # --- the shot ---------------------------------------------------------------------------------------------------
    @property
    def span(self) -> float:
        return self.time_scale * self.screen.across

    @property
    def start(self) -> float:
        """s of the screen's left edge after the trigger."""
        return self.delay - self.span / 2

    def single(self) -> None:
        """Begin to look for one trigger."""
        self.stop()
        self.stage.catch_up()
        self._nets = list(dict.fromkeys(each.net for each in self.channels.values() if each.net is not None))
        self._track, self._armed_at, self._state = Track(), self.stage.now, "filling"
        self._follow()
        self._followers.append(self._follow)

    def stop(self) -> None:
        """No further sample is taken."""
        if self._follow in self._followers:
            self._followers.remove(self._follow)
        if self._state != "done":
            self._state = "stopped"

    @property
    def state(self) -> State:
        """Brought up to now."""
        self.stage.catch_up()
        now = self.stage.now
        if self._state == "filling" and now >= self._armed_at - self.start:
            self._state = "waiting"
        if self._state == "triggered" and now >= self._triggered_at + self.start + self.span:
            self._follow()
            self.stop()
            self._state = "done"
        return self._state

    def _follow(self) -> None:
        """One step of the solver, or an instant before or after a change."""
        simulation: Any = self.stage.simulation
        track, time = self._track, simulation.time
        row = tuple(simulation.volts(net) for net in self._nets)
        track.times.append(time)
        track.rows.append(row)
        if self._state in ("filling", "waiting"):
            if time >= self._armed_at - self.start and len(track.times) > 1:
                self._state = "waiting"
                self._look_for_trigger()
            if len(track.times) > KEPT_STEPS:
                del track.times[: KEPT_STEPS // 2], track.rows[: KEPT_STEPS // 2]

    def _look_for_trigger(self) -> None:
        net = self.channels[self.source].net
        if net is None:
            return
        place, sign = self._nets.index(net), 1.0 if self.rising else -1.0
        a, b = (sign * (row[place] - self.level) for row in self._track.rows[-2:])
        if a < 0 <= b:
            before, after = self._track.times[-2:]
            self._triggered_at = before + (after - before) * (-a / (b - a))
            self._state = "triggered"

    # --- its samples ------------------------------------------------------------------------------------------------
    def codes(self, number: int, points: int, dt: float) -> NDArray[np.int64]:
        """`points` samples of a channel from the screen's left edge on, dt apart."""
        channel, screen = self.channels[number], self.screen
        ppm = PPM * drawn(self.serial, "time") * 1e-6
        times = self._triggered_at + (self.start + dt * np.arange(points)) * (1 + ppm)
        if channel.net is None:
            volts = np.zeros(points)
        else:
            place = self._nets.index(channel.net)
            volts = np.interp(times, self._track.times, [row[place] for row in self._track.rows])
        height = channel.scale * screen.high
        seen = (volts - channel.centre) * (1 + 2 * GAIN_SHARE * drawn(self.serial, number, "gain"))
        seen += OFFSET_DIVS * channel.scale * drawn(self.serial, number, "offset")
        per_code = height / (screen.high * screen.per_div)
        noise = np.array([self._noise.gauss(0.0, NOISE_CODES) for _ in range(points)])
        codes = np.round(seen / per_code + noise) + screen.middle
        return np.asarray(np.clip(codes, screen.least, screen.most), dtype=np.int64)


def block(data: bytes, digits: int | None = None) -> str:
    """A definite-length block (IEEE 488.2, 8.7.9) as text of one character a byte."""
    count = str(len(data))
    if digits is not None:
        count = count.rjust(digits, "0")
    return f"#{len(count)}{count}{data.decode('latin-1')}"
