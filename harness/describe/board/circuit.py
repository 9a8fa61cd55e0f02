"""From a board to the circuit that its parts make, alone and on its bench (instruments/virtual/circuit/bench).

    board_circuit(board)            the parts
    on_supplies(board)              with a bench supply, off, across every supply of the board
    supply_nets(board)              supply -> net, for whoever adds more of the bench

Names of supplies, rails, lines and points become nets here.
"""

from __future__ import annotations

from wakeboard.harness.describe.board.board import Board
from wakeboard.instruments.virtual.circuit import Circuit
from wakeboard.instruments.virtual.circuit.bench.parts import powered


def board_circuit(board: Board) -> Circuit:
    """The circuit of a board's parts. Raises ValueError for a board without parts, CircuitError for impossible ones."""
    if not board.parts:
        raise ValueError(f"{board.name} has no [parts], so it has no circuit")
    return Circuit(board.parts.values(), ground=board.ground)


def supply_nets(board: Board) -> dict[str, str]:
    """Supply -> the net that it feeds."""
    return {name: supply.net for name, supply in board.supplies.items()}


def on_supplies(board: Board, **values: float) -> Circuit:
    """The circuit with a bench supply, off, across every supply of the board; values: of these supplies."""
    return powered(board_circuit(board), supply_nets(board), **values)
