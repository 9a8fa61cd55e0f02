"""From a board to the circuit that its parts make, alone and on its bench (instruments/virtual/circuit/bench).

    board_circuit(board)            the parts
    on_supplies(board)              with a bench supply, off, across every supply of the board
    supply_nets(board)              supply -> net, for whoever adds more of the bench

Names of supplies, rails, lines and points become nets here.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from wakeboard.harness.describe.board.board import Board
from wakeboard.instruments.virtual.circuit import Circuit, CircuitError, Part
from wakeboard.instruments.virtual.circuit.bench.parts import powered

INSULATION: Final = 100e9
"""Ω from a connector's pin to ground, of a dry one. Common practice, no source; moves a net of 1 MΩ by 10 ppm."""


def board_circuit(board: Board) -> Circuit:
    """The circuit of a board's parts. Raises ValueError for a board without parts, CircuitError for impossible ones."""
    if not board.parts:
        raise ValueError(f"{board.name} has no [parts], so it has no circuit")
    circuit = Circuit(board.parts.values(), ground=board.ground)
    try:
        circuit.check()
    except CircuitError:
        return circuit.plus(*_off_the_board(circuit))
    return circuit


def _off_the_board(circuit: Circuit) -> list[Part]:
    """The connectors, with what any has to ground: a contact that is free of the board may go to their pins."""
    return [
        replace(part, values={**part.values, "leak_ohms": INSULATION})
        for part in circuit.parts
        if part.kind == "connector" and part.values.get("leak_ohms") is None
    ]


def supply_nets(board: Board) -> dict[str, str]:
    """Supply -> the net that it feeds."""
    return {name: supply.net for name, supply in board.supplies.items()}


def on_supplies(board: Board, **values: float) -> Circuit:
    """The circuit with a bench supply, off, across every supply of the board; values: of these supplies."""
    return powered(board_circuit(board), supply_nets(board), **values)
