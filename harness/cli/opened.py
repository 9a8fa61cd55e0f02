"""What the commands of the ledger share: which store and which board are meant, and whether a fault text fits.

`--board` takes a board's name, its file or its folder; a file also says where its store is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from wakeboard.harness.cli.board_ref import board_of

if TYPE_CHECKING:
    from wakeboard.harness.cli.options import Common
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.results.store.store import Store


def board_option(function: Callable[..., object]) -> Callable[..., object]:
    """--board: the board's name, its file or its folder."""
    return click.option("--board", metavar="BOARD", help="The board: its file or folder, or its name.")(function)


def by_option(function: Callable[..., object]) -> Callable[..., object]:
    """--by: who writes; the login name where it is not given."""
    return click.option("--by", metavar="NAME", help="Who says so. Default: the login name.")(function)


def serial_of(text: str) -> str:
    """A serial number as it was typed. click.UsageError where it could not be read back from a label or a screen."""
    from wakeboard.harness.run.production import BadSerial, serial_number

    if not text.strip():
        raise click.UsageError("a unit needs a serial number.")
    try:
        return serial_number(text)
    except BadSerial as error:
        raise click.UsageError(str(error)) from None


def board_file(board: str | None) -> Path | None:
    """The file that --board names, or None where it is a name."""
    return board_of(board)[1] if board is not None else None


def board_name(board: str | None) -> str | None:
    """The board's name; None where none was given."""
    return board_of(board)[0] if board is not None else None


@contextmanager
def opened(common: Common, board: str | None = None, *, create: bool = False, write: bool = False) -> Iterator[Store]:
    """The store that is meant. For looking only, a store that cannot be written is opened all the same."""
    from wakeboard.results.store.errors import StoreError
    from wakeboard.results.store.store import Store

    place = common.database(board_file(board))
    try:
        store = Store.open(place, create=create)
    except StoreError as error:
        if write or error.kind != "read-only":
            raise
        store = Store.open(place, create=False, read_only=True)
    with store:
        yield store


def only_board(store: Store, board: str | None) -> str:
    """The board that is meant, where a store usually holds one."""
    if board is not None:
        return board
    boards = store.boards()
    if len(boards) == 1:
        return boards[0]
    if not boards:
        raise click.UsageError(f"{store.name} knows no board yet: say which with --board BOARD")
    raise click.UsageError(f"{store.name} holds several boards ({', '.join(boards)}): say which with --board BOARD")


def checked_faults(texts: Sequence[str], board: Board | None) -> list[str]:
    """Fault texts in canonical form. Raises CircuitError for one that cannot be read or that the board cannot have."""
    from wakeboard.instruments.virtual.circuit import parse_fault

    faults = [parse_fault(text) for text in texts]
    if board is not None and board.parts:
        from wakeboard.harness.describe.board.circuit import board_circuit
        from wakeboard.instruments.virtual.circuit.faults.effects import effects

        circuit = board_circuit(board)
        for fault in faults:
            effects(circuit, fault)
    return [str(fault) for fault in faults]


def board_in_store(store: Store, name: str, unit: str | None = None) -> Board | None:
    """The board as the latest run used it; None where no run tells, or where its file can no longer be read."""
    from wakeboard.harness.describe import load
    from wakeboard.harness.describe.toml.document import read_text

    runs = store.runs(board=name, unit=unit, limit=1) or store.runs(board=name, limit=1)
    if not runs:
        return None
    document = read_text(store.run(runs[0].id, blobs=False).start.board_text, f"board of run {runs[0].id[:8]}")
    board = load.board_of(document)
    return None if document.problems else board


def the_board(store: Store, given: str | None, name: str, unit: str | None = None) -> Board | None:
    """The board of --board's file, else as the store knows it."""
    file = board_file(given)
    if file is None:
        return board_in_store(store, name, unit)
    from wakeboard.harness.describe.load import load_board

    return load_board(file)
