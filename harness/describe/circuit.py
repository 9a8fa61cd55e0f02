"""From a board to the circuit that its parts make. Names of supplies, rails, lines and points become nets here.

    circuit = board_circuit(board)
    circuit = circuit.plus(supply_part(board, "USB", volts=5.0, limit=0.12), ...)

The bench's own front ends (supplies, meter) are added by whoever needs them, under the names below, so that every
user of the circuit means the same: `bench_USB` feeds the supply USB, `meter` reads a net against ground.
"""

from __future__ import annotations

from wakeboard.harness.describe.board import Board
from wakeboard.instruments.virtual.circuit import Circuit, Part

METER = "meter"


def board_circuit(board: Board) -> Circuit:
    """The circuit of a board's parts. Raises ValueError for a board without parts, CircuitError for impossible ones."""
    if not board.parts:
        raise ValueError(f"{board.name} has no [parts], so it has no circuit")
    return Circuit(board.parts.values(), ground=board.ground)


def supply_part_name(supply: str) -> str:
    """The name of the bench supply that feeds a supply of the board."""
    return f"bench_{supply}"


def supply_part(
    board: Board,
    supply: str,
    *,
    volts: float | None = None,
    limit: float | None = None,
    on: bool = False,
    **values: float,
) -> Part:
    """A bench supply across one of the board's supplies: nominal volts and budget (else 100 mA) where not given."""
    entry = board.supplies[supply]
    settings: dict[str, float | bool] = {
        "volts": entry.volts.nominal if volts is None else volts,
        "limit": (entry.budget or 0.1) if limit is None else limit,
        "on": on,
        **values,
    }
    return Part(supply_part_name(supply), "bench_supply", {"P": entry.net, "N": board.ground}, settings)


def with_supplies(board: Board, circuit: Circuit | None = None) -> Circuit:
    """The circuit with a bench supply, off, across every supply of the board."""
    circuit = circuit or board_circuit(board)
    return circuit.plus(*(supply_part(board, supply) for supply in board.supplies))


def meter_part(net: str, low: str, ohms: float = 10e6) -> Part:
    """A voltmeter from a net to another (usually ground)."""
    return Part(METER, "meter", {"HI": net, "LO": low}, {"ohms": ohms})
