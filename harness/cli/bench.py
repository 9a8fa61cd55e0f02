"""`wakeboard bench`: finds and identifies the instruments, holds them against the bench file, checks them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from harness.cli.exits import Exit
from harness.cli.options import Common, common_options
from harness.cli.options import command as wakeboard_command

if TYPE_CHECKING:
    from harness.run.selfcheck import Checked


@wakeboard_command(examples=["wakeboard bench", "wakeboard bench bench.toml", "wakeboard bench bench.toml --json"])
@click.argument("bench", required=False, type=click.Path(dir_okay=False))
@common_options
def command(common: Common, bench: str | None) -> int | None:
    """Ask every instrument who it is, and whether it is what the bench file says.

    Without a bench file: whatever answers on the ports of this computer. Nothing is switched on or off.
    """
    from harness.run.selfcheck import check_instruments, find_instruments

    if bench is None:
        found = find_instruments()
        if not found:
            common.note("no instrument answers on USB or serial ports; one on the LAN is reached by its address in a "
                        "bench file")  # fmt: skip
        for each in found:
            _show(common, each)
        ok = any(each.ok for each in found)
        common.emit({"instruments": [each.as_json() for each in found], "ok": ok})
        return Exit.GOOD if ok else Exit.BENCH
    from harness.describe.load import load_bench

    checked = []
    for each in check_instruments(load_bench(bench)):
        checked.append(each)
        _show(common, each)
    ok = all(each.ok for each in checked)
    common.emit({"instruments": [each.as_json() for each in checked], "ok": ok})
    return Exit.GOOD if ok else Exit.BENCH


def _show(common: Common, each: Checked) -> None:
    if common.json:
        return
    word: Any = (
        click.style("ok   ", fg="green")
        if each.ok
        else click.style("FAILS" if each.name else "?    ", fg="red", bold=True)
    )
    common.say(f"{word} {each.name or each.address}  {each.identity}")
    if each.name:
        common.say(f"      {each.kind} at {each.address}, dialect {each.dialect or 'unknown'}")
    for text in each.says:
        if text:
            common.say(f"      {text}")
