"""How the run's own sequence brings its board into a bench state, and into which states it must not be brought again.

    ways = Ways.of(run, board)
    ways.refuses(state)              why the bench does not go there; "" where it may
    ways.checks("USB")               the sequence's check for a short, narrowed to this supply's net
    ways.power_on("USB", (5.0, 0.12))    its step that switches this supply on: limit, ramp, envelope as written there

What stopped the run is not tried again: a supply that was tripped, or whose check for back-feed stopped the run, stays
off; where a measurement stopped it before pins were driven, only pins are driven that the run has driven.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from wakeboard.harness.describe.sequence.steps import needs_of, step_kinds
from wakeboard.harness.describe.state import BenchState, StateError

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.describe.sequence.step_model import StepModel
    from wakeboard.results.records import RunRecord, Step

STOPPED = ("fail", "tripped")
ALIKE = 1e-6
"""Relative difference of two settings that are the same, once written as text and read again."""


@dataclass(frozen=True)
class Ways:
    """steps: models of the run's sequence in order. no_supplies: which stay off, with why; no_pins: why pins stay as
    the run had them ("" where they need not); pins: what the run has driven together."""

    board: Board
    steps: tuple[Any, ...]
    no_supplies: dict[str, str]
    no_pins: str
    pins: frozenset[frozenset[tuple[str, str]]]

    @classmethod
    def of(cls, run: RunRecord, board: Board) -> Ways:
        """By the run's own copy of its sequence; a step that can no longer be read is left out."""
        steps = _steps(run)
        stopped = _stopping(run, len(steps))
        no_supplies, no_pins = {}, ""
        if run.trip is not None:
            no_supplies[run.trip.supply] = f"{run.trip.supply} was cut by the guard ({run.trip.rule}) in the run"
        elif stopped is not None and needs_of(stopped.kind).accuses:
            why = f'step {stopped.number} of the run, "{stopped.name}", has failed with it on'
            no_supplies = dict.fromkeys(_supplies_in(stopped), why)
        elif stopped is not None:
            no_pins = f'the run was stopped at step {stopped.number}, "{stopped.name}", before this pin was driven'
        return cls(board, tuple(s for s in steps if s is not None), no_supplies, no_pins, _driven(run))

    def refuses(self, state: BenchState) -> str:
        """Why a state is not entered; "" where it may be."""
        for name, setting in state.supplies.items():
            if name in self.no_supplies:
                return self.no_supplies[name]
            if self.power_on(name, setting) is None:
                return f"the run's sequence has no step that switches {name} on so"
        if self.no_pins and state.pins and frozenset(state.pins.items()) not in self.pins:
            return self.no_pins
        return ""

    def power_on(self, supply: str, setting: tuple[float, float]) -> StepModel | None:
        """The sequence's step that switches a supply on at (volts, limit); None where it has none."""
        for step in self.steps:
            needs = needs_of(step.do)
            if needs.energises and not needs.in_time and step.supply == supply:
                volts = self.board.supplies[supply].volts.nominal if step.volts is None else step.volts
                if _alike(volts, setting[0]) and _alike(step.limit, setting[1]):
                    found: StepModel = step
                    return found
        return None

    def checks(self, supply: str) -> list[StepModel]:
        """The unpowered tests that cover a supply, each on the supply's net alone: those with limits of the sequence's
        own, else any."""
        net = self.board.supplies[supply].net
        found = [step for step in self.steps if needs_of(step.do).clears and net in _nets(self.board, step.of)]
        own = [step for step in found if step.expect is not None] or found[:1]
        name = f"no short on {supply}"
        return [step.model_copy(update={"of": (net,), "name": name, "on_fail": "stop"}) for step in own]


def _steps(run: RunRecord) -> list[Any]:
    """A model for each step of the run's sequence, None for one that cannot be read."""
    from wakeboard.harness.describe.sequence.sequence import read_steps, step_tables
    from wakeboard.harness.describe.toml.document import read_text

    document = read_text(run.start.sequence_text, f"the sequence of run {run.id[:8]}")
    return read_steps(document, step_tables(document)) if document.readable else []


def _stopping(run: RunRecord, planned: int) -> Step | None:
    """The step that stopped a run before its sequence was over; None where none has."""
    steps = [step for step in run.steps if step.kind in step_kinds()]
    if not steps or steps[-1].number >= planned or steps[-1].outcome not in STOPPED:
        return None
    return steps[-1]


def _supplies_in(step: Step) -> set[str]:
    return {name for state in _states([step]) for name in state.supplies}


def _driven(run: RunRecord) -> frozenset[frozenset[tuple[str, str]]]:
    return frozenset(frozenset(state.pins.items()) for state in _states(run.steps))


def _states(steps: Sequence[Step]) -> Iterator[BenchState]:
    for step in steps:
        for reading in step.readings:
            try:
                yield BenchState.parse(reading.state)
            except StateError:
                continue


def _nets(board: Board, of: Sequence[str]) -> list[str]:
    from wakeboard.harness.run.topology import nets

    return nets(board, of)


def _alike(one: float, other: float) -> bool:
    return math.isclose(one, other, rel_tol=ALIKE)
