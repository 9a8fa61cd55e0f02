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
from wakeboard.instruments.virtual.circuit import Circuit, CircuitError
from wakeboard.instruments.virtual.circuit.bench.parts import powered

INSULATION: Final = 100e9
"""Ω from a connector's pin to ground, of a dry one, and across a good capacitor. Common practice, no source; moves a
net of 1 MΩ by 10 ppm."""


def board_circuit(board: Board) -> Circuit:
    """The circuit of a board's parts. Raises ValueError for a board without parts, CircuitError for impossible ones."""
    if not board.parts:
        raise ValueError(f"{board.name} has no [parts], so it has no circuit")
    circuit = Circuit(board.parts.values(), ground=board.ground)
    if _floating(circuit):
        circuit = _insulated(circuit, {part.name for part in circuit.parts if part.kind == "connector"})
    if error := _floating(circuit):
        circuit = _insulated(
            circuit, {part.name for part in circuit.parts if part.kind == "capacitor"} & {*error.parts}
        )
    return circuit


def held_by_capacitors(board: Board) -> CircuitError | None:
    """What is said of the nets that capacitors alone connect: nothing is known of them but their own insulation. A
    timing capacitor does so whose pin the model of its chip does not have."""
    circuit = powered(Circuit(board.parts.values(), ground=board.ground), supply_nets(board))
    circuit = _insulated(circuit, {part.name for part in circuit.parts if part.kind == "connector"})
    error = _floating(circuit)
    return error if error and _floating(board_circuit(board)) is None else None


def _floating(circuit: Circuit) -> CircuitError | None:
    """What no solver could answer."""
    try:
        circuit.check()
    except CircuitError as error:
        return error
    return None


def _insulated(circuit: Circuit, names: set[str]) -> Circuit:
    """With what the insulation of some parts lets through: of connectors, to whose pins a contact that is free of the
    board may go, and of capacitors on nets that nothing else connects."""
    leaky = [
        replace(part, values={**part.values, "leak_ohms": INSULATION})
        for part in circuit.parts
        if part.name in names and part.values.get("leak_ohms") is None
    ]
    return circuit.plus(*leaky)


def supply_nets(board: Board) -> dict[str, str]:
    """Supply -> the net that it feeds."""
    return {name: supply.net for name, supply in board.supplies.items()}


def on_supplies(board: Board, **values: float) -> Circuit:
    """The circuit with a bench supply, off, across every supply of the board; values: of these supplies."""
    return powered(board_circuit(board), supply_nets(board), **values)
