"""`wakeboard page`: units, runs and reports of a store, in a browser; nothing is run and nothing can be switched on."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from wakeboard.harness.cli.beside import LOOPBACK, place_of, tell_address
from wakeboard.harness.cli.opened import board_file, board_option
from wakeboard.harness.cli.options import Common, common_options
from wakeboard.harness.cli.options import command as wakeboard_command


@wakeboard_command(examples=["wakeboard page", "wakeboard page 192.168.7.2:8088", "wakeboard page --db wakeboard.db"])
@click.argument("place", metavar="[HOST:PORT]", default=LOOPBACK)
@board_option
@common_options
def command(common: Common, place: str, board: str | None) -> None:
    """Look at what is stored, in a browser: units side by side, one page a unit, reports. Ctrl-C ends it.

    On this computer only, or at one address of it for a tablet.
    """
    from wakeboard.harness.page.link import NoPage, must_be_installed

    where = place_of(place, "HOST:PORT")
    try:
        must_be_installed()
    except NoPage as error:
        raise click.UsageError(str(error)) from None
    from wakeboard.harness.page.server import serve

    file = board_file(board)
    if common.db and "://" not in common.db and not Path(common.db).is_file():
        raise click.UsageError(f"there is no file of results {common.db}")

    def told(message: dict[str, str]) -> None:
        if "address" in message:
            tell_address(common, message["address"], message["code"])
            sys.stderr.flush()

    try:
        serve(where, common.database(file), str(file or ""), live=False, say=told, inp=None)
    except OSError as error:
        raise click.UsageError(where.refused(error)) from None
