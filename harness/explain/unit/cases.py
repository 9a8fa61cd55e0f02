"""One unit's case: its run, its board as the run knew it, its rework, and the weighing of suspects."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from wakeboard.harness.describe.board import spreads
from wakeboard.harness.describe.state import BenchState
from wakeboard.harness.explain.evidence.freedom import Freedom, prior
from wakeboard.harness.explain.evidence.observe import (
    CURRENT,
    OHMS,
    VOLTS,
    Clue,
    Observation,
    clues,
    observations,
    told,
)
from wakeboard.harness.explain.evidence.predict import Predictor
from wakeboard.harness.explain.evidence.readings import Answered, Evidence
from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.harness.explain.rank import rank, structure
from wakeboard.harness.explain.rank.likelihood import Likelihood, Teachers
from wakeboard.harness.explain.rank.suspects import Chances, Suspect, chances, suspects
from wakeboard.harness.explain.rank.weigh import Candidate, Weigher, Weighing, not_surely_as_drawn
from wakeboard.harness.explain.unit.units import Common, failed_alone, off_drawn
from wakeboard.instruments.quantity import parse
from wakeboard.instruments.virtual.circuit import Circuit, CircuitError, parse_fault
from wakeboard.instruments.virtual.circuit.bench.change import DRAWN, Change
from wakeboard.instruments.virtual.circuit.bench.stand import Stand
from wakeboard.instruments.virtual.circuit.bench.unknowns import Unknown, settings
from wakeboard.results.records import Reading, RunRecord

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board

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
    shown: dict[Hashable, Any] = field(default_factory=dict, init=False, repr=False, compare=False)
    """What groups of units were found to have in common (in_common.py)."""

    @classmethod
    def of(cls, board: Board) -> BoardModel:
        """Raises ValueError for a board without parts, CircuitError for an impossible one."""
        from wakeboard.harness.describe.board.circuit import board_circuit

        circuit = board_circuit(board)
        nets = list(dict.fromkeys(line.net for line in board.lines.values()))
        variants = {name: board.note(name).variants for name in board.parts}
        return cls(board, circuit, suspects(circuit, board.adjacent, nets, variants))

    @cached_property
    def stand(self) -> Stand:
        """The circuit on its bench with the answers found so far, for all units of the board."""
        lifted = [parse_fault(s.text) for s in self.suspects if s.category == "lifted"]
        return Stand(self.circuit, self.supplies, lifted)

    @cached_property
    def lacking(self) -> list[spreads.Lacking]:
        """What its parts may not have of what is drawn."""
        return spreads.lacking(self.circuit)

    @property
    def supplies(self) -> dict[str, str]:
        return {name: supply.net for name, supply in self.board.supplies.items()}

    def net_of(self, name: str) -> str | None:
        return net_of(self.board)(name)


def net_of(board: Board) -> Callable[[str], str | None]:
    """The net behind a name of a reading; None for what is no net of this board, and for its ground: the zero that all
    else is read against tells nothing."""
    from wakeboard.harness.describe.board.board import UnknownName

    def find(name: str) -> str | None:
        try:
            net = board.net_of(name)
        except UnknownName:
            return None
        return None if net == board.ground else net

    return find


def board_of_run(run: RunRecord) -> Board:
    """The board as the run knew it. Raises CannotExplain where its file can no longer be read."""
    from wakeboard.harness.describe.load import board_of
    from wakeboard.harness.describe.toml.document import read_text

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
        rework = rework_change(self.run, self.model.circuit)
        reworked = {fault.target for fault in rework.faults}
        self.fixed = Change(values=spreads.centres(self.model.circuit, reworked)).plus(rework)
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

    @cached_property
    def unknowns(self) -> list[Unknown]:
        return unknowns(self.model, self.fixed)

    @cached_property
    def off(self) -> dict[tuple[object, ...], float]:
        """By what it tells of: how far each reading is off the drawn board with this unit's rework."""
        drawn = self.predictor.predict([Change()], exact=True)[0]
        return {
            told(o): float(o.y - m) for o, m in zip(self.observations, drawn[: len(self.observations)], strict=True)
        }

    @cached_property
    def failed(self) -> set[tuple[object, ...]]:
        """What was outside its limits, by what it tells of."""
        return {told(o) for o in self.observations if o.reading.outcome == "fail"}

    def weigh(
        self, pairs: bool = True, teachers: Sequence[Case] = (), base: Sequence[Common] = (), trusted: int = 0,
        lacks: structure.Lacks = (),
    ) -> Weighing:  # fmt: skip
        """What explains this unit. teachers: other units, whose readings teach what the board is; the first `trusted`
        of them are known to be good. base: faults that are known to be in most units, and so in this one. lacks: what
        most units' parts lack.

        Raises CannotExplain where there is nothing to weigh or the circuit has no answer.
        """
        if teachers or base or lacks:
            return self._weigh(pairs, teachers, tuple(base), trusted, lacks)
        if pairs not in self._weighed:
            self._weighed[pairs] = self._weigh(pairs)
        return self._weighed[pairs]

    def _weigh(
        self, pairs: bool, teachers: Sequence[Case] = (), base: tuple[Common, ...] = (), trusted: int = 0,
        lacks: structure.Lacks = (),
    ) -> Weighing:  # fmt: skip
        self._must_have_readings()
        known = Change()
        for each in base:
            known = known.plus(each.suspect.change(each.value))
        off = self._off_base(teachers, base) if teachers else None
        keys = {each.suspect.key for each in base}
        others = [s for s in self.model.suspects if s.key not in keys] if base else self.model.suspects

        def make(lacks: structure.Lacks) -> Weigher:
            absent = structure.without(lacks)
            taught = Teachers(off - self._effect(absent), trusted) if off is not None else None
            predictor = self._predictor(known.plus(absent))
            return self._weigher(predictor, self.evidence, others, taught, doubted=not base)

        found, weigher, _ = self._run(make, pairs, lacks)
        if not base:
            return not_surely_as_drawn(found)
        drawn = self.predictor.predict([Change()], exact=True)[0]
        drawn[: len(self.observations)] += weigher.likelihood.learnt
        return beside(found, base, weigher.likelihood.scored(replace(found.none, mean=drawn)))

    def taught_by(self, teachers: Sequence[Case]) -> Likelihood:
        """The drawn board as other units teach it, in this one's readings, with nothing weighed."""
        self._must_have_readings()
        taught = Teachers(self._off_base(teachers, ()))
        weigher = self._weigher(self.predictor, self.evidence, (), taught)
        return Likelihood(self.predictor, self.evidence, self.unknowns, weigher.freedom, taught)

    def _predictor(self, beside: Change) -> Predictor:
        """Of the drawn board with this unit's rework, and something beside it."""
        if beside.key == DRAWN.key:
            return self.predictor
        seen = [*self.observations, *self.hidden]
        fixed = self.fixed.plus(beside)
        return Predictor(self.model.circuit, self.model.supplies, seen, fixed, stand=self.model.stand)

    def _effect(self, change: Change) -> Array:
        """(n,) what a change does to the readings of the drawn board."""
        return effect_of(self.predictor, change)[: len(self.observations)]

    def _off_base(self, teachers: Sequence[Case], base: Sequence[Common]) -> Array:
        """(U, n) how far teachers are off the board with what is known to be in most units."""
        off = off_drawn(self, teachers)
        off[failed_alone(self, teachers)] = np.nan
        for each in base:
            effect = self._effect(each.suspect.change(each.value))
            for row, teacher in zip(off, teachers, strict=True):
                if teacher.unit in each.units:
                    row -= effect
        return off

    def _must_have_readings(self) -> None:
        if not self.observations:
            raise CannotExplain(
                f"run {self.run.id[:8]} of {self.unit} has no reading that a circuit can be held against: "
                "it has no voltage, current or resistance taken in a known bench state"
            )

    def _weigher(
        self, predictor: Predictor, evidence: Evidence, suspects: Sequence[Suspect], taught: Teachers | None,
        doubted: bool = True,
    ) -> Weigher:  # fmt: skip
        """doubted: but where what most units have is reason enough to ask."""
        before = chances(self.model.suspects, doubted)
        return weigher(predictor, evidence, self.observations, suspects, self.unknowns, before, taught)

    def _run(
        self, make: Callable[[structure.Lacks], Weigher], pairs: bool, begin: structure.Lacks = ()
    ) -> tuple[Weighing, Weigher, structure.Lacks]:
        try:
            return structure.weighed(make, self.model.lacking, pairs, begin)
        except ValueError as error:
            raise CannotExplain(f"run {self.run.id[:8]}: {error}") from None


COMMON_PRIOR = 0.9
"""Prior of a fault that most other units of the board were found to have."""


def beside(found: Weighing, base: Sequence[Common], drawn: Candidate) -> Weighing:
    """A weighing beside what is known to be in most units, as one of the board as drawn: each of its explanations has
    the common faults behind its own, and `drawn` is the board without them."""
    known = tuple(each.suspect for each in base)
    values = tuple(each.value for each in base)
    fitted = tuple(each.u for each in base if each.suspect.fitted)
    ends = tuple(each.ends for each in base if each.suspect.fitted and each.ends is not None)
    odds = len(base) * math.log(COMMON_PRIOR / (1 - COMMON_PRIOR))

    def with_common(c: Candidate) -> Candidate:
        return replace(
            c, suspects=(*c.suspects, *known), values=(*c.values, *values), spreads=(*c.spreads, *fitted),
            ends=(*c.ends, *ends) if len(c.ends) == len(c.fitted) and len(ends) == len(fitted) else (),
            log_prior=c.log_prior + odds,
        )  # fmt: skip

    common = with_common(found.none)
    other = math.log(max(found.p_other, 1e-300)) - math.log(max(found.p_none, 1e-300)) + common.score
    if found.p_none < 1e-290 and found.candidates:
        best = with_common(found.candidates[0])
        other = math.log(max(found.p_other, 1e-300)) - math.log(max(float(found.probabilities[0]), 1e-300)) + best.score
    ordered = sorted([common, *map(with_common, found.candidates)], key=lambda c: -c.score)
    p = rank.posterior([drawn.score, other, *(c.score for c in ordered)], np.zeros(len(ordered) + 2))
    return replace(
        found, candidates=ordered, probabilities=p[2:], none=drawn, p_none=float(p[0]), p_other=float(p[1])
    )  # fmt: skip


def rework_change(run: RunRecord, circuit: Circuit) -> Change:
    """The rework in force as a change of the circuit. Raises CannotExplain for one that the circuit cannot have."""
    from wakeboard.instruments.virtual.circuit.faults.effects import effects
    from wakeboard.instruments.virtual.circuit.faults.fault import in_force

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


def unknowns(model: BoardModel, fixed: Change) -> list[Unknown]:
    """Everything that a reading at rest depends on and nobody knows; what the bench sets among it. Of a part that was
    reworked it is known what it is now."""
    found = spreads.unknowns(model.circuit, model.board.adjacent, {fault.target for fault in fixed.faults})
    return found + settings(model.supplies)


def effect_of(predictor: Predictor, change: Change) -> Array:
    """(n,) what a change does to what the drawn board reads."""
    with_it, drawn = predictor.predict([change, Change()], exact=True)
    out: Array = with_it - drawn
    return out


def weigher(
    predictor: Predictor, evidence: Evidence, observed: Sequence[Observation], suspects: Sequence[Suspect],
    known: Sequence[Unknown], before: Chances, taught: Teachers | None = None, least: float = 0.0,
) -> Weigher:  # fmt: skip
    """Of what was observed; the others as Weigher has them."""
    free = freedom(known, observed, evidence.y.tolist())
    return Weigher(predictor, evidence, suspects, known, free, before, taught, least)


WAKING_FROM: float = 0.35
"""V on a net without power from which chips on it, and on the rails behind it, are neither off nor on."""


def _decades(model: Mapping[str, Any], o: Observation, level: float) -> float:
    """What the model may be wrong by in an ohms reading. Leads reversed, diodes to ground conduct, which are known."""
    waking = not o.turned and o.test_amps * 10**level > WAKING_FROM
    return float(model["waking" if waking else "decades"])


def freedom(known: Sequence[Unknown], observed: Sequence[Observation], levels: Sequence[float]) -> Freedom:
    """How far the unknowns may go, and the model be wrong in each reading (of about these levels), before any unit was
    read."""
    model = spreads.table()["model"]
    floor = {VOLTS: parse(model["volts"], "V"), CURRENT: parse(model["amps"], "A")}
    share = {VOLTS: float(model["share"]), CURRENT: float(model["amps_share"])}
    wrong = [
        _decades(model, o, level) if o.quantity == OHMS else floor[o.quantity] + share[o.quantity] * abs(level)
        for o, level in zip(observed, levels, strict=True)
    ]
    return prior(
        [u.type_share for u in known], [u.type or u.path for u in known], np.array(wrong),
        [(o.of, o.quantity, o.turned) for o in observed], float(model["correlated"]),
    )  # fmt: skip


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
