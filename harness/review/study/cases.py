"""The states in which a design is solved: every combination of supplies, switched rails and driven lines."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Final

from wakeboard.harness.describe.state import BenchState
from wakeboard.instruments.virtual.circuit.bench.state import Values, state_values

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board, Rail, Supply

# Above this many combinations of supplies and switched rails, only those with at most two of each on are solved.
MOST_COMBINATIONS: Final = 512
CORNERS: Final = ("nominal", "low", "high")
DEFAULT_BUDGET: Final = 1.0  # A, where the board file names none


@dataclass(frozen=True)
class Case:
    """One state: which supplies are on and at which end of their range, which pins are driven, for which line state."""

    supplies: Mapping[str, float]
    drives: Mapping[str, str]
    corner: str = "nominal"
    line: str = ""
    line_state: str = ""
    limits: Mapping[str, float] = field(default_factory=dict)
    generous: float = 1.0
    """Times the limits that are set: what would flow if the supplies could give it, where they cannot."""

    @cached_property
    def bench_state(self) -> BenchState:
        """This state as the bench would be set to it."""
        return BenchState({name: (volts, self.limits[name]) for name, volts in self.supplies.items()}, self.drives)

    @property
    def state(self) -> str:
        """The bench state's key."""
        return self.bench_state.key

    def values(self) -> Values:
        """The circuit values that set this state; every supply that is not on is off."""
        supplies = {name: (volts, self.limits[name] * self.generous) for name, volts in self.supplies.items()}
        return state_values(BenchState(supplies, self.drives))


def cases(board: Board) -> list[Case]:
    """Every state worth solving, in a fixed order."""
    limits = {name: supply.budget or DEFAULT_BUDGET for name, supply in board.supplies.items()}
    found: list[Case] = []
    for on, drives in _combinations(board):
        for corner in CORNERS:
            volts = {name: volts_at(board.supplies[name], corner) for name in on}
            found.append(Case(volts, drives, corner, limits=limits))
        volts = {name: board.supplies[name].volts.nominal for name in on}
        for line, state, pin, level in driven_states(board):
            if pin not in drives:
                found.append(Case(volts, {**drives, pin: level}, "nominal", line, state, limits))
    return found


def volts_at(supply: Supply, corner: str) -> float:
    """The supply's voltage at a corner of its range."""
    nominal = supply.volts.nominal
    end = {"low": supply.limits.low, "high": supply.limits.high}.get(corner)
    return nominal if end is None else end


def driven_states(board: Board) -> Iterator[tuple[str, str, str, str]]:
    """(line, state, driving pin, level) for each state in which a chip's pin drives a line."""
    for name, line in board.lines.items():
        for state, level in line.when.items():
            if state != "boot" and line.driven_by and _is_chip(board, line.driven_by):
                yield name, state, line.driven_by, level


def _is_chip(board: Board, pin: str) -> bool:
    part = board.parts.get(pin.partition(".")[0])
    return part is not None and part.kind == "chip"


def _combinations(board: Board) -> Iterator[tuple[tuple[str, ...], dict[str, str]]]:
    switches = _switches(list(board.rails.values()))
    supplies = [on for size in range(1, len(board.supplies) + 1) for on in itertools.combinations(board.supplies, size)]
    settings = [on for size in range(len(switches) + 1) for on in itertools.combinations(switches, size)]
    if len(supplies) * len(settings) > MOST_COMBINATIONS:
        supplies = [on for on in supplies if len(on) <= 2]
        settings = [on for on in settings if len(on) <= 2]
    for on, setting in itertools.product(supplies, settings):
        yield on, {pin: level for switch in setting for pin, level in switch}


def _switches(rails: list[Rail]) -> list[tuple[tuple[str, str], ...]]:
    """The different settings of pins that switch rails on."""
    return list(dict.fromkeys(tuple(sorted(rail.on_when.items())) for rail in rails if rail.on_when))
