"""Of which parts of a board the model is rough, before anything is read: what a drawing leaves out of them, and how far
that may move what is measured.

Each supply is on by itself, at its own volts; of every part what nobody states of it is taken at one standard deviation
of sequences/spreads.toml, to first order, and a part's unknowns are added in quadrature.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from wakeboard.harness.describe.board import spreads
from wakeboard.harness.describe.board.circuit import board_circuit, supply_nets
from wakeboard.harness.describe.state import BenchState
from wakeboard.harness.explain.evidence.observe import VOLTS, Observation
from wakeboard.harness.explain.evidence.predict import Predictor
from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.instruments.virtual.circuit.bench.change import Change
from wakeboard.instruments.virtual.circuit.bench.unknowns import Unknown
from wakeboard.results.records import Reading

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board

LIMIT_AMPS: Final = 0.5
"""Of each supply, where its budget is not stated."""
WORTH_VOLTS: Final = 0.05
"""From which a part is told: five times what the model of any board is taken to be wrong by (spreads.toml, [model])."""
MATTERS: Final = 0.5
"""Share of a part's whole effect on its net from which one of its unknowns is named."""


@dataclass(frozen=True, slots=True)
class RoughPart:
    """A part: how many volts of a net in a bench state its unknowns move, at one standard deviation; what they are;
    and the keys of board.toml that narrow them."""

    part: str
    net: str
    state: str
    volts: float
    says: tuple[str, ...]
    keys: tuple[str, ...]


def rough_parts(board: Board) -> list[RoughPart]:
    """The parts whose model is rough, roughest first.

    Raises CircuitError for a circuit that cannot be solved, ValueError for a board without parts.
    """
    circuit = board_circuit(board)
    seen = [_volts(net, state) for state in _states(board) for net in _named_nets(board, set(circuit.nets))]
    if not seen:
        return []
    unstated = [u for u in spreads.unknowns(circuit) if not u.stated and u.part in board.parts]
    predictor = Predictor(circuit, supply_nets(board), seen, Change(values=spreads.centres(circuit)))
    (moved,) = predictor.shifts([Change()], unstated)
    by_part: dict[str, list[int]] = {}
    for k, unknown in enumerate(unstated):
        by_part.setdefault(unknown.part, []).append(k)
    found = [_told(part, [unstated[k] for k in own], moved[own], seen) for part, own in by_part.items()]
    return sorted((each for each in found if each.volts >= WORTH_VOLTS), key=lambda each: -each.volts)


def _told(part: str, own: Sequence[Unknown], moved: Array, seen: Sequence[Observation]) -> RoughPart:
    """moved (T, n): what each of the part's unknowns does."""
    whole = np.sqrt((moved**2).sum(axis=0))
    k = int(np.argmax(whole))
    acting = [u for u, by in zip(own, moved[:, k], strict=True) if abs(by) >= MATTERS * whole[k]]
    acting = acting or [own[int(np.argmax(np.abs(moved[:, k])))]]
    keys = dict.fromkeys(u.key for u in acting if u.key)
    says = dict.fromkeys(u.says for u in acting)
    return RoughPart(part, seen[k].of, seen[k].state.key, float(whole[k]), tuple(says), tuple(keys))


def _states(board: Board) -> list[BenchState]:
    return [
        BenchState({name: (supply.volts.nominal, supply.budget or LIMIT_AMPS)})
        for name, supply in board.supplies.items()
    ]


def _named_nets(board: Board, known: set[str]) -> list[str]:
    """Nets that the board file names as what is looked at: rails, lines and points."""
    named = [each.net for group in (board.rails, board.lines, board.points) for each in group.values()]
    return [net for net in dict.fromkeys(named) if net in known and net != board.ground]


def _volts(net: str, state: BenchState) -> Observation:
    nothing = Reading("", VOLTS, None, "V")
    return Observation(net, VOLTS, state, 0.0, 1.0, 0, nothing)
