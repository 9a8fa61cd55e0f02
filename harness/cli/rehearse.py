"""`wakeboard rehearse`: prove the sequence before the boards arrive."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from harness.cli.exits import Exit
from harness.cli.options import Common, common_options
from harness.cli.options import command as wakeboard_command

if TYPE_CHECKING:
    from harness.describe.sequence import Sequence as StepSequence
    from harness.rehearse.rehearsal import Rehearsal
    from instruments.virtual.circuit import Fault

EXAMPLES = [
    "wakeboard rehearse first-power-on.toml",
    "wakeboard rehearse bring-up.toml --plant D3:reversed --plant R14:missing",
    "wakeboard rehearse bring-up.toml --pairs 500 --seed 1",
]


@wakeboard_command(examples=EXAMPLES)
@click.argument("sequence")
@click.option("--plant", "plants", multiple=True, metavar="FAULT", help="Only this fault; give it again for more.")
@click.option("--pairs", type=click.IntRange(min=1), metavar="N", help="Two faults at a time, N pairs drawn at random.")
@click.option("--seed", type=int, default=1, show_default=True, help="Which pairs are drawn.")
@click.option("--workers", type=click.IntRange(min=1), help="Processes. Default: one a core.")
@common_options
def command(
    common: Common, sequence: str, plants: tuple[str, ...], pairs: int | None, seed: int, workers: int | None
) -> int:
    """Plant each fault that a board could have, run the whole sequence on it, and say what is caught.

    Caught: at which step. Escaped: the sequence passes; the cheapest measurement that would show it. Equivalent: no
    reading that can be reached changes. Burned: a part went past an absolute maximum before the power was cut, and
    what would have saved it. Exit code 1 when a fault escapes or a part burns.
    """
    from harness.describe.load import load_sequence
    from harness.rehearse.rehearsal import rehearse

    loaded = load_sequence(sequence)
    if not loaded.board.parts:
        raise click.UsageError(f"the board of {sequence} has no [parts]: without a circuit there is nothing to rehearse")
    planted = _planted(loaded, plants, pairs, seed)
    progress = _progress if sys.stderr.isatty() and not common.json else None
    result = rehearse(loaded, planted, workers=workers, progress=progress)
    if progress:
        click.echo("\r" + " " * 40 + "\r", nl=False, err=True)
    _show(common, result)
    common.emit(result.as_json())
    return Exit.FAILED if result.escaped or result.burned else Exit.GOOD


def _planted(
    sequence: StepSequence, plants: tuple[str, ...], pairs: int | None, seed: int
) -> list[list[Fault]] | None:
    from instruments.virtual.circuit import parse_fault

    if plants:
        return [[parse_fault(text)] for text in plants]
    if pairs is None:
        return None
    import random

    from harness.rehearse.reach import fault_library

    library = fault_library(sequence.board)
    drawn = random.Random(seed)
    return [drawn.sample(library, 2) for _ in range(pairs)]


def _progress(done: int, total: int) -> None:
    click.echo(f"\r{done} of {total} rehearsed", nl=False, err=True)


def _show(common: Common, result: Rehearsal) -> None:
    share = "" if result.coverage is None else f", {100 * result.coverage:.1f} % of those that show are caught"
    common.say(f"{result.sequence}: {result.faults} faults in {result.seconds:.1f} s{share}")
    if result.good.outcome not in ("pass", "marginal"):
        common.say(f"the board as drawn already ends with {result.good.outcome}; what it shows counts for no fault")
    common.say(
        f"caught {len(result.caught)} · escaped {len(result.escaped)} · equivalent {len(result.equivalent)} "
        f"· burned {len(result.burned)}" + (f" · not solved {len(result.broken)}" if result.broken else "")
    )
    _by_step(common, result)
    for escaped in result.escaped:
        add = f"measure {escaped.cheapest.quantity} at {escaped.cheapest.point} in {escaped.cheapest.state}" if escaped.cheapest else ""
        common.say(f"  escaped  {escaped.fault}: {add}")
    for burned in result.burned:
        burn = burned.burn
        unit = {"voltage": "V", "current": "A", "power": "W"}[burn.rating.split()[0]]
        from instruments.quantity import show

        saved = f"saved by {burned.saved_by}" if burned.saved_by else "nothing tried saves it"
        common.say(
            f"  burned   {burned.fault}: {burn.part} at {show(burn.reached, unit)} of {show(burn.allowed, unit)} "
            f"in step {burn.step} ({burned.name}); {saved}"
        )
    for fault, says in result.broken:
        common.say(f"  not solved  {fault}: {says}")


def _by_step(common: Common, result: Rehearsal) -> None:
    counts: dict[tuple[int, str], int] = {}
    for caught in result.caught:
        counts[caught.step, caught.name] = counts.get((caught.step, caught.name), 0) + 1
    for (step, name), count in sorted(counts.items()):
        common.say(f"  caught {count:4d} in step {step}, {name}")
