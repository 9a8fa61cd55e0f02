"""From a board file to a virtual bench with one unit on it: names become nets, [target] becomes its processor.

prepared = prepare_board(board)                       once a board: its circuit is compiled
bench = virtual_bench(board, unit="SK-A-001", plants=["D3:reversed"], prepared=prepared)
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.instruments.virtual.bench import Prepared, VirtualBench
    from wakeboard.instruments.virtual.target import TargetSpec


class NoCircuit(ValueError):
    """A board without [parts] has no circuit, so there is nothing to put on the virtual bench."""


def prepare_board(board: Board) -> Prepared:
    """The board's circuit with the bench's parts, compiled. Raises NoCircuit, CircuitError."""
    from wakeboard.harness.describe.board.circuit import board_circuit
    from wakeboard.instruments.virtual.bench import prepare

    if not board.parts:
        raise NoCircuit(f"{board.name} has no [parts]: the virtual bench needs the circuit; give a bench with --bench")
    supplies = {name: supply.net for name, supply in board.supplies.items()}
    volts = {name: max(supply.limits.high or 0.0, supply.volts.nominal) for name, supply in board.supplies.items()}
    return prepare(board_circuit(board), supplies, points_of(board), volts=volts)


def points_of(board: Board) -> dict[str, str]:
    """Point -> net; a supply's net without a point is reached at its connector."""
    points = {name: point.net for name, point in board.points.items()}
    points.update({name: supply.net for name, supply in board.supplies.items() if not board.points_on(supply.net)})
    return points


def virtual_bench(
    board: Board,
    *,
    unit: str,
    plants: Iterable[str] = (),
    prepared: Prepared | None = None,
    **options: Any,
) -> VirtualBench:
    """One unit on the virtual bench. plants: fault texts in order, since a later one may take an earlier one back
    (as_drawn); options: of VirtualBench. Raises CircuitError."""
    from wakeboard.instruments.virtual.bench import VirtualBench
    from wakeboard.instruments.virtual.circuit import parse_fault
    from wakeboard.instruments.virtual.circuit.faults.fault import in_force

    return VirtualBench(
        prepared or prepare_board(board),
        unit=unit,
        faults=in_force(parse_fault(text) for text in plants),
        target=target_spec(board),
        **options,
    )


def target_spec(board: Board) -> TargetSpec | None:
    """The declared behaviour of the board's processor, in nets; None where the file has no [target]."""
    from wakeboard.instruments.virtual.target import Answer, PinCommand, Stream, TargetSpec

    target = board.target
    if target is None:
        return None
    link = board.links.get(target.link)
    command = target.pin_command
    return TargetSpec(
        part=target.part,
        rail=board.net_of(target.rail),
        above=target.above,
        reset=board.net_of(target.reset) if target.reset else None,
        boot_time=target.boot_time,
        boot_log=tuple(target.boot_log),
        prompt=target.prompt,
        pin_command=PinCommand(command.send, command.reply) if command else PinCommand(),
        answers=tuple(
            Answer(
                ask=answer.ask,
                reply=answer.reply,
                needs={board.net_of(net): (need.low, need.high) for net, need in answer.needs.items()},
                otherwise=answer.otherwise or "error",
                measures=board.net_of(answer.measures) if answer.measures else None,
                times=answer.times,
            )
            for answer in target.answers
        ),
        streams=tuple(Stream(stream.ask, stream.bytes, stream.rate) for stream in target.streams),
        baud=link.baud if link else 115200,
    )
