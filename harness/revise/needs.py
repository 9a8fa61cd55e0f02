"""The file of needs: what each function on a processor asks of its pin.

board = "board.toml"
part = "U1"
[needs.RADIO_RST]                  # the net of the function, as the board has it, or a new one
kind = "output"                    # input, output, analogue
quiet = true                       # no strap
five_volt = true
debugging = true                   # works while a debugger is attached: not on the debug port
current = "8 mA"
[needs.SENS_SDA]
role = "I2C.SDA"                   # a signal of a port of the pin table
port = "sensors"                   # with whom it shares the port; not given: all of its kind are one port

`while_debugging = true` at the top asks that of every function which does not say `debugging = false`.
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
from wakeboard.harness.revise.assigning import Assignment, Function, Ports, assigned, kind_of_port

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.pin_tables import PinFacts
    from wakeboard.harness.describe.toml.document import Document


class Need(Table):
    kind: Literal["input", "output", "analogue"] = "output"
    quiet: bool = False
    five_volt: bool = False
    debugging: bool | None = None
    current: Amps = 0.0
    role: str = Field("", pattern=r"^([A-Za-z0-9]+\.[A-Za-z0-9]+)?$", description='a signal of a port, "I2C.SDA"')
    port: str = ""


class PinNeeds(Table):
    board: str = Field(min_length=1, description='the board file, "board.toml"')
    part: str = Field(min_length=1, description="the processor")
    while_debugging: bool = False
    needs: dict[str, Need] = Field(min_length=1, description="at least one [needs.NET]")


def pins_for(file: str) -> Assignment:
    """The fewest moves for the needs of a file. The pins are those that the part has on the board, under the board's
    names, and those of its package that the board file does not show, under the pin table's. Raises
    FileProblems, NoAssignment."""
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
    own = {name_in_table(table, note, pin): pin for pin in part.pins}
    undrawn = [pin for pin in table.free(note.package) if pin not in own]
    own |= {pin: pin for pin in undrawn}
    pins |= {pin: table.pin(pin) for pin in undrawn}
    ports = {
        port: [{s: tuple(own[pin] for pin in some if pin in own) for s, some in way.items()} for way in ways]
        for port, ways in table.ports.items()
    }
    _known_roles(document, needs, ports)
    functions = [_function(name, each, needs.while_debugging) for name, each in needs.needs.items()]
    return assigned(functions, pins, now, note.options, ports=ports, undrawn=undrawn)


def _function(name: str, need: Need, while_debugging: bool) -> Function:
    debugging = while_debugging if need.debugging is None else need.debugging
    return Function(name, need.kind, need.quiet, need.five_volt, debugging, need.current, need.role, need.port)


def _known_roles(document: Document, needs: PinNeeds, ports: Ports) -> None:
    """Raises FileProblems for a signal that no port of the pin table has."""
    roles = sorted({f"{kind_of_port(port)}.{signal}" for port, ways in ports.items() for way in ways for signal in way})
    for name, each in needs.needs.items():
        if each.role and each.role not in roles:
            allowed = one_of(roles, 30) if roles else "none: the pin table has no [ports]"
            document.add(("needs", name, "role"), f'"{each.role}"', allowed, nearest(each.role, roles))
    if document.problems:
        raise FileProblems(document.problems)


def _others(parts: object, name: str, net: str) -> list[str]:
    """Other parts on a net: a pin whose net leads to another part is not free."""
    assert hasattr(parts, "values")
    return [each.name for each in parts.values() if each.name != name and net in each.pins.values()]
