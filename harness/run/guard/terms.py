"""What the guard works with: drivers and clock as it needs them, settings, ramps, reports, the trace."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

from wakeboard.harness.run.guard.core import Sample
from wakeboard.instruments.ports import SupplyPort

THIN = 0.05  # s between kept samples while nothing happens


class Time(Protocol):
    def now(self) -> float: ...
    def sleep(self, seconds: float) -> None: ...


@dataclass(frozen=True)
class Feed:
    """One output of the off-list: its driver, its channel, and how its link is made anew after a failure."""

    psu: SupplyPort
    channel: str
    instrument: str = ""
    reopen: Callable[[], None] | None = None


@dataclass(frozen=True, slots=True)
class Setting:
    """What is programmed before an output turns on. ovp, ocp: levels of the supply's own protections; ovp None: left
    alone; ocp None: as the supply can (armed.py), 0: left off."""

    volts: float
    limit: float
    ovp: float | None = None
    ocp: float | None = None


@dataclass(frozen=True, slots=True)
class Ramp:
    """From `start` volts up in steps of `volts` every `seconds`."""

    volts: float
    seconds: float
    start: float = 0.0


@dataclass(frozen=True)
class OffReport:
    """The state of each output after switching off: "off", "on" or "unknown", with what went wrong. remarks: of those
    that are off, what was odd on the way there."""

    states: Mapping[str, str]
    errors: Mapping[str, str] = field(default_factory=dict)
    remarks: Mapping[str, str] = field(default_factory=dict)

    @property
    def confirmed(self) -> bool:
        return all(state == "off" for state in self.states.values())

    def says(self) -> str:
        if self.confirmed:
            return "; ".join(["outputs confirmed off", *self.odd()])
        doubtful = [
            f"{name}: {state}" + (f" ({self.errors[name]})" if name in self.errors else "")
            for name, state in self.states.items()
            if state != "off"
        ]
        return "outputs not confirmed off: " + ", ".join(doubtful)

    def odd(self) -> list[str]:
        """The remarks, each with its supply."""
        return [f"{name}: {remark}" for name, remark in self.remarks.items()]


@dataclass
class Track:
    """Columns of the trace of one supply since it was last taken."""

    times: list[float] = field(default_factory=list)
    volts: list[float] = field(default_factory=list)
    amps: list[float] = field(default_factory=list)
    limit: list[float] = field(default_factory=list)
    mode: list[str] = field(default_factory=list)

    def add(self, sample: Sample, limit: float) -> None:
        self.times.append(sample.time)
        self.volts.append(sample.volts)
        self.amps.append(sample.amps)
        self.limit.append(limit)
        self.mode.append(sample.mode)

    def tells_nothing_new(self, sample: Sample) -> bool:
        """Whether the last kept sample says the same, and not long ago."""
        if not self.times or self.mode[-1] != sample.mode:
            return False
        same = abs(sample.volts - self.volts[-1]) < 0.01 and abs(sample.amps - self.amps[-1]) < 0.002
        return same and sample.time - self.times[-1] < THIN
