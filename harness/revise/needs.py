"""The file of needs: what each function on a processor asks of its pin.

board = "board.toml"
part = "U1"
[needs.RADIO_RST]                  # the net of the function, as the board has it, or a new one
kind = "output"                    # input, output, analogue
quiet = true                       # no strap
five_volt = true
debugging = true                   # not on the debug port
current = "8 mA"
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from wakeboard.harness.describe.board.pin_tables import name_in_table, table_of
from wakeboard.harness.describe.load import beside, load_board
from wakeboard.harness.describe.problems import FileProblems, nearest, one_of
from wakeboard.harness.describe.toml.collect import validated
from wakeboard.harness.describe.toml.document import read
from wakeboard.harness.describe.toml.fields import Amps, Table
from wakeboard.harness.revise.assigning import Assignment, Function, assigned

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.pin_tables import PinFacts


class Need(Table):
    kind: Literal["input", "output", "analogue"] = "output"
    quiet: bool = False
    five_volt: bool = False
    debugging: bool = False
    current: Amps = 0.0


class PinNeeds(Table):
    board: str = Field(min_length=1, description='the board file, "board.toml"')
    part: str = Field(min_length=1, description="the processor")
    needs: dict[str, Need] = Field(min_length=1, description="at least one [needs.NET]")


def pins_for(file: str) -> Assignment:
    """The fewest moves for the needs of a file. The pins are those that the part has on the board, under the board's
    names. Raises FileProblems, NoAssignment."""
    document = read(file)
    needs = validated(PinNeeds, document) if document.readable else None
    if needs is None:
        raise FileProblems(document.problems)
    board = load_board(beside(file, needs.board))
    part = board.parts.get(needs.part)
    if part is None:
        document.add(("part",), f'no part "{needs.part}"', one_of(board.parts, 15), nearest(needs.part, board.parts))
        raise FileProblems(document.problems)
    note = board.note(part.name)
    if not note.pin_table:
        document.add(("part",), f"{part.name}, which names no pin table", "a part with pin_table in the board file")
        raise FileProblems(document.problems)
    table = table_of(board, note)
    fixed = {part.ground_pin or "", *part.values.get("supply", {})}
    pins: dict[str, PinFacts] = {
        pin: table.pin(name_in_table(table, note, pin))
        for pin, net in part.pins.items()
        if pin not in fixed and (net in needs.needs or len(_others(board.parts, part.name, net)) == 0)
    }
    now = {net: pin for pin, net in part.pins.items() if net in needs.needs}
    functions = [
        Function(name, each.kind, each.quiet, each.five_volt, each.debugging, each.current)
        for name, each in needs.needs.items()
    ]
    return assigned(functions, pins, now, note.options)


def _others(parts: object, name: str, net: str) -> list[str]:
    """Other parts on a net: a pin whose net leads to another part is not free."""
    assert hasattr(parts, "values")
    return [each.name for each in parts.values() if each.name != name and net in each.pins.values()]
