"""A supply that can take current, as a cell does: what the bench's own supply never shows, for it does not sink."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from wakeboard.harness.review.study.feed import feed_path
from wakeboard.harness.review.study.supplied import chargers
from wakeboard.instruments.virtual.circuit.bench.parts import supply_name
from wakeboard.instruments.virtual.circuit.model import Variant
from wakeboard.instruments.virtual.circuit.part import Part

if TYPE_CHECKING:
    from wakeboard.harness.review.study.cases import Case
    from wakeboard.harness.review.study.study import Study
    from wakeboard.instruments.virtual.circuit.solver.points import Points

CELL_OHMS: Final = 0.05
"""Ω inside the stand-in for a cell or another source that is pushed; common practice, no source."""

ALWAYS: Final = {False: -20.0, True: 100.0}
"""An enable threshold that is always passed, by whether the enable is active low."""


@dataclass
class Taken:
    """Solved cases with one supply that takes current as well as it gives it."""

    study: Study
    supply: str
    cases: Sequence[Case]
    points: Points

    def amps(self) -> list[float]:
        """A that flow into the supply, by case (below zero: out of it)."""
        return [float(amps) for amps in self.points.current(supply_name(self.supply), "P")]

    def drawn(self, supply: str) -> list[float]:
        """A that another supply delivers."""
        return [-float(amps) for amps in self.points.current(supply_name(supply), "P")]

    def path(self, row: int) -> tuple[str, ...]:
        """The parts through which the other supplies feed this one."""
        pins = [(part.name, pin) for part in self.study.circuit.parts for pin in part.pins]
        amps = {pin: float(self.points.current(*pin)[row]) for pin in pins}
        board = self.study.board
        sources = [board.supplies[name].net for name in self.cases[row].supplies if name != self.supply]
        return feed_path(self.study.circuit, amps, sources, board.supplies[self.supply].net)


def taken(study: Study, supply: str, cases: Sequence[Case], values: Mapping[str, object]) -> Taken:
    """Solve cases in which `supply` is on with a cell in its place, under more values. Raises SolveError."""
    name = supply_name(supply)
    front = study.circuit.part(name)
    stand_in = Part(name, "battery", dict(front.pins), {"volts": 1.0, "ohms": CELL_OHMS})
    model = study.models.setdefault(supply, study.circuit.plus(stand_in).compile())
    variants = [Variant(values={**_without(case.values(), name), **values}) for case in cases]
    for case, variant in zip(cases, variants, strict=True):
        assert isinstance(variant.values, dict)
        variant.values[f"{name}.volts"] = case.supplies[supply]
    return Taken(study, supply, cases, model.solve(variants).require())


def _without(values: Mapping[str, object], name: str) -> dict[str, object]:
    return {key: value for key, value in values.items() if not key.startswith(f"{name}.")}


def chargers_off(study: Study) -> dict[str, object]:
    """The values that take every charger's charging away."""
    return {f"{part.name}.dead": True for part in chargers(study)}


def charger_on(part: Part) -> dict[str, object]:
    """The values that switch a charger on, whatever its enable sees."""
    return {f"{part.name}.enable_above": ALWAYS[bool(part.values.get("active_low"))]} if "EN" in part.pins else {}


def without_chargers(study: Study) -> Points:
    """The operating points of all cases with every charger idle."""
    if not any(chargers(study)):
        return study.points
    if study.idle is None:
        off = chargers_off(study)
        study.idle = study.model.solve([Variant(values={**case.values(), **off}) for case in study.cases]).require()
    return study.idle
