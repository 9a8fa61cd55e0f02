"""A pull that is planted in a unit of the virtual bench and stands in the board file too: it would be there twice.

A hidden pull is found, written into the board as what the part has, and still stands in units.toml.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

from wakeboard.harness.describe.board.board import Board
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.errors import CircuitError
from wakeboard.instruments.virtual.circuit.faults.fault import Fault
from wakeboard.instruments.virtual.circuit.part import Part

ALIKE: Final = 0.1  # a resistor within 10 % of the planted pull is taken for it: what explain computes is no closer


def planted_twice(board: Board, plants: Iterable[str]) -> Iterator[tuple[str, str]]:
    """(fault text, where it stands in the board file already) of each pull that would be there twice."""
    from wakeboard.instruments.virtual.circuit import parse_fault

    for text in plants:
        try:
            fault = parse_fault(text)
        except CircuitError:  # told where the file is checked
            continue
        stands = _stands(board, fault) if fault.category == "pull" else ""
        if stands:
            yield text, stands


def _stands(board: Board, fault: Fault) -> str:
    part = board.parts.get(fault.part)
    if part is None or fault.pin not in part.pins:
        return ""
    stated = part.values.get("io", {}).get(fault.pin, {}).get(fault.kind)
    if stated is not None:
        return f"parts.{part.name}.io.{fault.pin} has a {fault.kind} of {show(float(stated), 'Ω')}"
    for other in board.parts.values():
        between = set(other.pins.values()) == {part.pins[fault.pin], _to(board, part, fault)}
        if between and other.kind == "resistor" and _alike(float(other.values["value"]), fault.ohms):
            return f"{other.name} is such a resistor"
    return ""


def _alike(ohms: float, wanted: float) -> bool:
    return abs(ohms - wanted) <= ALIKE * wanted


def _to(board: Board, part: Part, fault: Fault) -> str:
    """The net at the pull's other end; "" where the part has no rail to pull to."""
    from wakeboard.instruments.virtual.circuit.faults.effects import rail_pin

    if fault.kind == "pull_down":
        return board.ground
    try:
        return part.net(rail_pin(part, fault.pin))
    except CircuitError:
        return ""
