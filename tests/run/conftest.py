"""Fakes that are small enough to be read: a clock that moves when one sleeps, a supply that feeds a resistor."""

from __future__ import annotations

import runpy
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from wakeboard.instruments.errors import LinkTimeout, OutputOnError


class FakeClock:
    def __init__(self) -> None:
        self.time = 0.0
        self.callbacks: list[tuple[float, Callable[[], None]]] = []

    def now(self) -> float:
        return self.time

    def sleep(self, seconds: float) -> None:
        self.time += seconds


@dataclass
class Seen:
    volts: float
    amps: float
    mode: str
    on: bool | None


@dataclass
class FakePsu:
    """Each channel feeds so many `ohms`. `fails`: calls that get no answer; `dead`: none does."""

    ohms: dict[Any, float] = field(default_factory=lambda: {1: 250.0})
    fails: set[str] = field(default_factory=set)
    stuck_on: bool = False
    tells_state: bool = True
    clear_switches_on: bool = False
    calls: list[str] = field(default_factory=list)
    outputs: dict[Any, bool] = field(default_factory=dict)
    settings: dict[Any, tuple[float, float]] = field(default_factory=dict)
    trips: dict[Any, str] = field(default_factory=dict)
    dead: bool = False
    tells_trips: bool = False

    def _call(self, name: str, channel: Any) -> None:
        self.calls.append(f"{name} {channel}")
        if self.dead or name in self.fails:
            raise LinkTimeout("no reply", instrument="supply", command=name)

    def set(self, channel: Any, volts: float, amps: float) -> None:
        self._call("set", channel)
        self.settings[channel] = (volts, amps)

    def protect(self, channel: Any, ovp: float | None = None, ocp: float | None = None) -> None:
        self._call("protect", channel)

    def on(self, channel: Any) -> None:
        self._call("on", channel)
        self.outputs[channel] = True

    def off(self, channel: Any) -> bool:
        self._call("off", channel)
        if not self.stuck_on:
            self.outputs[channel] = False
        elif self.tells_state:
            raise OutputOnError("was switched off and says that it is on", instrument="supply")
        return self.tells_state

    def is_on(self, channel: Any) -> bool:
        self._call("is_on", channel)
        return self.outputs.get(channel, False)

    def check_settings(self, channel: Any) -> None:
        self._call("check_settings", channel)

    def measure(self, channel: Any) -> tuple[float, float]:
        self._call("measure", channel)
        seen = self._seen(channel)
        return seen.volts, seen.amps

    def sample(self, channel: Any) -> Seen:
        self._call("sample", channel)
        return self._seen(channel)

    def _seen(self, channel: Any) -> Seen:
        if not self.outputs.get(channel, False):
            return Seen(0.0, 0.0, "off", False)
        volts, limit = self.settings[channel]
        amps = volts / self.ohms.get(channel, 1e9)
        if amps > limit:
            return Seen(limit * self.ohms[channel], limit, "cc", True)
        return Seen(volts, amps, "cv", True)

    def tripped(self, channel: Any) -> str | None:
        return self.trips.get(channel)

    def untripped(self, channel: Any) -> bool:
        self._call("untripped", channel)
        return self.tells_trips and channel not in self.trips

    def clear(self, channel: Any) -> None:
        self._call("clear", channel)
        self.trips.pop(channel, None)
        if self.clear_switches_on:
            self.outputs[channel] = True


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock()


@pytest.fixture
def fake_psu() -> type[FakePsu]:
    return FakePsu


class Toy:
    """The toy board's files in a folder of their own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        source = runpy.run_path(str(Path(__file__).parent / "toy.py"))
        self.board = self.write("board.toml", source["BOARD"])
        self.sequence = self.write("bring-up.toml", source["SEQUENCE"])
        self.waiting = self.write("waiting.toml", source["WAITING"])
        self.board_text: str = source["BOARD"]

    def write(self, name: str, text: str) -> Path:
        path = self.folder / name
        path.write_text(text, encoding="utf-8")
        return path

    def steps(self, text: str, name: str = "steps.toml") -> Path:
        """A sequence of these [[step]] tables."""
        return self.write(name, f'title = "Steps"\nboard = "board.toml"\n{text}')


@pytest.fixture(scope="session")
def make_toy() -> type[Toy]:
    return Toy


@pytest.fixture
def toy(tmp_path: Path) -> Toy:
    return Toy(tmp_path)
