"""`wakeboard push`: copy results to a shared server."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from wakeboard.harness.cli.exits import Exit
from wakeboard.harness.cli.opened import opened
from wakeboard.harness.cli.options import Common, common_options
from wakeboard.harness.cli.options import command as wakeboard_command
from wakeboard.results.counted import count

if TYPE_CHECKING:
    from wakeboard.results.push.push import Progress, Pushed
    from wakeboard.results.store.store import Store


@wakeboard_command(
    examples=[
        "wakeboard push postgresql://bench@server/wakeboard",
        "wakeboard push postgresql://bench@server/wakeboard --verify",
    ]
)
@click.argument("url")
@click.option("--verify", is_flag=True, help="Afterwards compare row by row; exit code 1 where something differs.")
@common_options
def command(common: Common, url: str, verify: bool) -> int:
    """Copy what a shared PostgreSQL lacks. The local store stays as it is and stays complete.

    Push again after an interruption: what is there already is not copied twice. Several benches may push at once. The
    password is best left to the server's own means (PGPASSWORD, or a password file), so that it is in no history.
    """
    from wakeboard.results.push.push import push

    with opened(common, write=False) as store:
        pushed = push(store, url, progress=_progress(common))
        differing = _verify(store, url) if verify else None
    _show(common, pushed, differing)
    return Exit.FAILED if differing else Exit.GOOD


def _progress(common: Common) -> Progress | None:
    if not sys.stderr.isatty():
        return None

    def show(done: int, wanted: int) -> None:
        click.echo(f"\r{done} of {count(wanted, 'run')}", err=True, nl=done >= wanted)

    return show


def _verify(store: Store, url: str) -> list[str]:
    from wakeboard.results.push.proof import differences
    from wakeboard.results.store.store import Store

    with Store.open(url) as server:
        return differences(store, server)


def _show(common: Common, pushed: Pushed, differing: list[str] | None) -> None:
    had = f"; {count(pushed.had_runs, 'run was', 'runs were')} there already" if pushed.had_runs else ""
    common.say(
        f"{pushed.to}: copied {count(pushed.runs, 'run')} with {count(pushed.readings, 'reading')} and "
        f"{count(pushed.ledger_rows, 'row')} of the ledger in {pushed.seconds:.1f} s{had}"
    )
    if differing is not None:
        common.say("compared row by row: equal" if not differing else "compared row by row, it differs:")
        for line in differing:
            common.say(f"  {line}")
    common.emit(
        {
            "to": pushed.to,
            "runs": pushed.runs,
            "steps": pushed.steps,
            "readings": pushed.readings,
            "ledger_rows": pushed.ledger_rows,
            "had_runs": pushed.had_runs,
            "seconds": pushed.seconds,
            "readings_per_s": pushed.readings_per_s,
            "equal": None if differing is None else not differing,
            "differences": differing,
        }
    )
