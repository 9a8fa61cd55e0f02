"""One unit's case: its run, its board as the run knew it, its rework, and the weighing of suspects."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from wakeboard.harness.describe.state import BenchState
from wakeboard.harness.explain.evidence import Answered, Evidence
from wakeboard.harness.explain.observe import CURRENT, OHMS, VOLTS, Clue, Observation, clues, observations, told
from wakeboard.harness.explain.predict import Predictor
from wakeboard.harness.explain.suspects import Suspect, priors, suspects
from wakeboard.harness.explain.weigh import Weigher, Weighing
from wakeboard.instruments.virtual.circuit import Circuit, CircuitError, parse_fault
from wakeboard.instruments.virtual.circuit.bench.change import Change
from wakeboard.instruments.virtual.circuit.bench.stand import Stand
from wakeboard.instruments.virtual.circuit.bench.unknowns import Unknown, at_rest
from wakeboard.results.records import Reading, RunRecord

if TYPE_CHECKING:
    from wakeboard.harness.describe.board import Board

WIDTHS = {VOLTS: 2.0, OHMS: 2.0, CURRENT: 0.05}
"""How far something else may move a reading: one standard deviation (V, decades, A)."""


class CannotExplain(ValueError):
    """What is asked for cannot be explained; the message says why and what to do instead."""


@dataclass(frozen=True)
class BoardModel:
    """What is the same for all units of one board file: its circuit and the suspects in it."""

    board: Board
    circuit: Circuit
    suspects: list[Suspect]

    @classmethod
    def of(cls, board: Board) -> BoardModel:
        """Raises ValueError for a board without parts, CircuitError for an impossible one."""
        from wakeboard.harness.describe.circuit import board_circuit

        circuit = board_circuit(board)
        nets = list(dict.fromkeys(line.net for line in board.lines.values()))
        variants = {name: board.note(name).variants for name in board.parts}
        return cls(board, circuit, suspects(circuit, board.adjacent, nets, variants))

    @cached_property
    def stand(self) -> Stand:
        """The circuit on its bench with the answers found so far, for all units of the board."""
        lifted = [parse_fault(s.text) for s in self.suspects if s.category == "lifted"]
        return Stand(self.circuit, self.supplies, lifted)

    @property
    def supplies(self) -> dict[str, str]:
        return {name: supply.net for name, supply in self.board.supplies.items()}

    def net_of(self, name: str) -> str | None:
        return net_of(self.board)(name)


def net_of(board: Board) -> Callable[[str], str | None]:
    """The net behind a name of a reading; None for what is no net of this board."""
    from wakeboard.harness.describe.board import UnknownName

    def find(name: str) -> str | None:
        try:
            return board.net_of(name)
        except UnknownName:
            return None

    return find


def board_of_run(run: RunRecord) -> Board:
    """The board as the run knew it. Raises CannotExplain where its file can no longer be read."""
    from wakeboard.harness.describe.document import read_text
    from wakeboard.harness.describe.load import board_of

    document = read_text(run.start.board_text, f"the board file of run {run.id[:8]}")
    board = board_of(document)
    if board is None or document.problems:
        told = "; ".join(str(problem) for problem in document.problems[:3])
        raise CannotExplain(f"run {run.id[:8]}: its copy of the board file cannot be read: {told}")
    return board


@dataclass
class Case:
    """One unit on one run. `fixed` is the rework in force when it was measured."""

    run: RunRecord
    model: BoardModel
    extra: Sequence[Observation] = ()
    fixed: Change = field(default_factory=Change)
    _weighed: dict[bool, Weighing] = field(default_factory=dict, init=False, repr=False)

    def __post_init__(self) -> None:
        self.fixed = rework_change(self.run, self.model.circuit)
        found = {told(o): o for o in [*self._from_run(), *self.extra]}
        self.observations = list(found.values())
        self.clues: list[Clue] = clues(self.run, self.model.board.target, self.model.net_of)

    def _from_run(self) -> list[Observation]:
        known = set(self.model.circuit.nets)
        return [o for o in observations(self.run, self.model.net_of) if o.quantity == CURRENT or o.of in known]

    @property
    def unit(self) -> str:
        return self.run.unit

    @cached_property
    def hidden(self) -> list[Observation]:
        """Volts that nobody read, but that an answer of the board needed."""
        known = set(self.model.circuit.nets)
        wanted = {(net, clue.state.key): clue.state for clue in self.clues for net, _, _ in clue.needs if net in known}
        nothing = Reading("", VOLTS, None, "V")
        return [Observation(net, VOLTS, state, math.nan, 1.0, 0, nothing) for (net, _), state in wanted.items()]

    @cached_property
    def predictor(self) -> Predictor:
        seen = [*self.observations, *self.hidden]
        return Predictor(self.model.circuit, self.model.supplies, seen, self.fixed, stand=self.model.stand)

    @cached_property
    def evidence(self) -> Evidence:
        obs = self.observations
        return Evidence(
            np.array([o.y for o in obs]),
            np.array([o.sigma for o in obs]),
            [o.group for o in obs],
            np.array([WIDTHS[o.quantity] for o in obs]),
            tuple(self._answered()),
        )

    def _answered(self) -> list[Answered]:
        column = {(o.of, o.state.key): len(self.observations) + k for k, o in enumerate(self.hidden)}
        return [
            Answered(
                clue.came,
                tuple(
                    (column[net, clue.state.key], low, high)
                    for net, low, high in clue.needs
                    if (net, clue.state.key) in column
                ),
                clue.part,
            )
            for clue in self.clues
        ]

    def weigh(self, pairs: bool = True) -> Weighing:
        """Weighed once and kept, since the board's other units ask for it again.

        Raises CannotExplain where there is nothing to weigh or the circuit has no answer.
        """
        if pairs not in self._weighed:
            self._weighed[pairs] = self._weigh(pairs)
        return self._weighed[pairs]

    def _weigh(self, pairs: bool) -> Weighing:
        if not self.observations:
            raise CannotExplain(
                f"run {self.run.id[:8]} of {self.unit} has no reading that a circuit can be held against: "
                "it has no voltage, current or resistance taken in a known bench state"
            )
        chances = priors()["board"]
        weigher = Weigher(
            self.predictor,
            self.evidence,
            self.model.suspects,
            unknowns(self.model.circuit, self.fixed, self.model.supplies),
            float(chances["something_else"]),
            float(chances["something_else_spread"]),
        )
        try:
            return weigher.weigh(pairs)
        except ValueError as error:
            raise CannotExplain(f"run {self.run.id[:8]}: {error}") from None


def rework_change(run: RunRecord, circuit: Circuit) -> Change:
    """The rework in force as a change of the circuit. Raises CannotExplain for one that the circuit cannot have."""
    from wakeboard.instruments.virtual.circuit.effects import effects
    from wakeboard.instruments.virtual.circuit.fault import in_force

    faults = []
    for rework in run.rework:
        for text in rework.faults:
            try:
                fault = parse_fault(text)
                effects(circuit, fault)
            except CircuitError as error:
                raise CannotExplain(
                    f"the rework {rework.text!r} of {run.unit} does not fit its board: {error}"
                ) from None
            faults.append(fault)
    return Change(tuple(in_force(faults)))


def unknowns(circuit: Circuit, fixed: Change, supplies: Mapping[str, str]) -> list[Unknown]:
    """What is not known of a unit; of a part that was reworked it is known what it is now."""
    return at_rest(circuit, supplies, {fault.target for fault in fixed.faults})


def with_reading(case: Case, made: Observation) -> Case:
    """The case with one more reading."""
    return replace(case, extra=(*case.extra, made))


def states_seen(observed: Sequence[Observation]) -> list[BenchState]:
    """The powered bench states of the readings, loads left out, in order."""
    found: dict[str, BenchState] = {}
    for o in observed:
        bare = BenchState(o.state.supplies, o.state.pins)
        if bare.supplies:
            found.setdefault(bare.key, bare)
    return list(found.values())
