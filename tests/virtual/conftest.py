"""A circuit without time, for tests of instruments alone: every change is settled at once by the DC solver."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import pytest

from instruments.virtual.circuit import Circuit, Model, Part, Variant


class Settled:
    """Stands in for a simulation: no capacitor ever charges, every advance is over at once."""

    settled = True
    overstress = ()

    def __init__(self, model: Model, variant: Variant) -> None:
        self.model = model
        self.values: dict[str, Any] = dict(variant.values)
        self.moves: dict[str, str] = dict(variant.moves)
        self.faults = variant.faults
        self._points: Any = None

    def change(self, values: Mapping[str, Any] | None = None, moves: Mapping[str, str] | None = None) -> None:
        self.values.update(values or {})
        self.moves.update(moves or {})
        self._points = None

    def advance(self, seconds: float) -> None:
        pass

    @property
    def points(self) -> Any:
        if self._points is None:
            self._points = self.model.solve([Variant(self.faults, self.values, None, self.moves)]).require()
        return self._points

    def volts(self, net: str) -> float:
        return float(self.points.net(net)[0])

    def current(self, part: str, pin: str) -> float:
        return float(self.points.current(part, pin)[0])


@pytest.fixture
def board() -> Callable[..., Any]:
    """Makes a prepared bench of some parts: board([Part…], supplies={…}, points={…})."""
    from instruments.virtual.bench import prepare

    def make(parts: list[Part], supplies: Mapping[str, str], points: Mapping[str, str], **more: Any) -> Any:
        return prepare(Circuit(parts), supplies, points, **more)

    return make
