"""An oscilloscope for a bench on which every change is settled at once: the transient is computed when it is asked for.

From the state in which it was armed, by the same solver as on a bench in time, the outputs that went on since then come
on as a virtual supply's do. It has a channel for every net, called by the net's name, and the figures of a usual one:
3 % of the screen's height, 8 bits.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from wakeboard.instruments.errors import SettingError
from wakeboard.instruments.ports import Shot, View
from wakeboard.instruments.virtual.circuit import Simulation, SolveError, Variant
from wakeboard.instruments.virtual.time.instant import Instant
from wakeboard.instruments.waveform import Waveform

SAMPLES: Final = 1200  # what a usual screen of twelve hundred points shows
GAIN, PROBE_SHARE = 0.03, 0.02  # of the height, of a reading: the usual figures (common practice, no source)
CODES: Final = 200  # of 8 bits, those of the screen
PPM: Final = 50.0  # of its clock (common practice, no source)
HEIGHT: Final = 1.25  # of the volts that are asked for
RISE: Final = 500.0  # V/s, as a virtual supply's output
RESOLUTION, TOLERANCE = 5e-5, 2e-4  # as the virtual bench in time


class DirectScope:
    """See ports.ScopePort."""

    name = "scope"

    def __init__(self, instant: Instant, supplies: Sequence[str]) -> None:
        """supplies: the circuit's parts that stand for the bench's outputs."""
        self._instant = instant
        self._supplies = supplies
        self._views: dict[str, View] = {}
        self._shot: Shot | None = None
        self._armed: Variant | None = None
        self._track: tuple[Any, dict[str, Any], float] | None = None

    def told(self, what: str) -> object:
        """Nothing that a run needs."""
        return None

    def prepare(self, views: Sequence[View], shot: Shot) -> None:
        self._views, self._shot, self._armed, self._track = {view.channel: view for view in views}, shot, None, None

    def arm(self) -> None:
        self._armed, self._track = self._instant.present(), None

    def stop(self) -> None:
        self._armed = None

    def done(self) -> bool:
        """Raises SettingError where the circuit has no answer in time."""
        if self._armed is not None and self._track is None:
            self._track = self._follow(self._armed)
        return self._track is not None

    def read(self, channel: str) -> Waveform:
        if self._track is None or self._shot is None:
            raise SettingError("the oscilloscope has no whole shot", instrument=self.name)
        times, volts, trigger = self._track
        shot, view = self._shot, self._views[channel]
        dt = (shot.before + shot.after) / SAMPLES
        at = trigger - shot.before + dt * np.arange(SAMPLES)
        height = HEIGHT * (view.high - view.low)
        lsb = height / CODES
        seen = np.round(np.interp(at, times, volts[channel]) / lsb) * lsb
        edge = view.low - (height - (view.high - view.low)) / 2
        shown = np.clip(seen, edge, edge + height)
        return Waveform(
            channel, -shot.before, dt, shown, lsb, PROBE_SHARE, GAIN * height, PPM, int((seen != shown).sum())
        )

    def _follow(self, armed: Variant) -> tuple[object, dict[str, object], float] | None:
        """(s, net -> V, when it triggered); None where it does not."""
        assert self._shot is not None
        now = self._instant.present().values
        lit = [name for name in self._supplies if now.get(f"{name}.on") and not armed.values.get(f"{name}.on")]
        try:
            simulation = Simulation(
                self._instant.model, armed, settled=True, resolution=RESOLUTION, tolerance=TOLERANCE
            )
            times, rows = self._watched(simulation, dict.fromkeys(lit, now))
        except SolveError as error:
            raise SettingError(f"the transient has no answer: {error}", instrument=self.name) from None
        volts = dict(zip(self._views, np.array(rows).T, strict=True))
        source = volts[self._shot.channel] - self._shot.level
        rises = np.flatnonzero((source[:-1] < 0) & (source[1:] >= 0))
        if not len(rises):
            return None
        k = int(rises[0])
        trigger = times[k] + (times[k + 1] - times[k]) * -source[k] / (source[k + 1] - source[k])
        return np.array(times), volts, float(trigger)

    def _watched(self, simulation: Simulation, lit: dict[str, Any]) -> tuple[list[float], list[list[float]]]:
        times: list[float] = []
        rows: list[list[float]] = []

        def follow() -> None:
            times.append(simulation.time)
            rows.append([simulation.volts(net) for net in self._views])

        assert self._shot is not None
        follow()
        simulation.advance(self._shot.before)
        simulation.followers.append(follow)
        for name, now in lit.items():
            volts = float(now[f"{name}.volts"])
            kept = {key: now[key] for key in (f"{name}.limit", f"{name}.capacitance") if key in now}
            simulation.change({f"{name}.on": True, f"{name}.volts": 0.0, **kept})
            simulation.glide({f"{name}.volts": volts}, volts / RISE)
        simulation.advance(self._shot.after)
        follow()
        return times, rows
