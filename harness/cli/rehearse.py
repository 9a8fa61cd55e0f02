"""`wakeboard rehearse`: prove the sequence before the boards arrive."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from wakeboard.harness.cli.exits import Exit
from wakeboard.harness.cli.fitting import wrapped
from wakeboard.harness.cli.options import Common, common_options
from wakeboard.harness.cli.options import command as wakeboard_command
from wakeboard.results.counted import count

if TYPE_CHECKING:
    from wakeboard.harness.describe.sequence.sequence import Sequence as StepSequence
    from wakeboard.harness.rehearse.reach import Sight
    from wakeboard.harness.rehearse.rehearsal import Escaped, Rehearsal
    from wakeboard.instruments.virtual.circuit import Fault

EXAMPLES = [
    "wakeboard rehearse first-power-on.toml",
    "wakeboard rehearse bring-up.toml --plant D3:reversed --plant R14:missing",
    "wakeboard rehearse bring-up.toml --pairs 500 --seed 1",
    "wakeboard rehearse bring-up.toml --bench bench.toml",
    "wakeboard rehearse bring-up.toml --triples 5000 --on tcp://host:8786 --keep triples.jsonl",
]


@wakeboard_command(examples=EXAMPLES)
@click.argument("sequence")
@click.option("--plant", "plants", multiple=True, metavar="FAULT", help="Only this fault; give it again for more.")
@click.option("--pairs", type=click.IntRange(min=1), metavar="N", help="Two faults at a time, N pairs drawn at random.")
@click.option("--triples", type=click.IntRange(min=1), metavar="N", help="Three at a time, N sets drawn at random.")
@click.option("--seed", type=int, metavar="N", default=1, show_default=True, help="Which pairs or triples are drawn.")
@click.option("--workers", type=click.IntRange(min=1), metavar="N", help="Processes. Default: one a core.")
@click.option("--on", metavar="WHERE", help='"local", or a Dask scheduler: tcp://host:8786.')
@click.option("--keep", metavar="FILE", help="Keep what is done; the same command goes on from there.")
@click.option("--bench", metavar="FILE", help="The bench that will do it: has it a bleed resistor?")
@common_options
def command(
    common: Common,
    sequence: str,
    plants: tuple[str, ...],
    pairs: int | None,
    triples: int | None,
    seed: int,
    workers: int | None,
    on: str | None,
    keep: str | None,
    bench: str | None,
) -> int:
    """Plant each fault that a board could have, run the whole sequence on it, and say what is caught.

    Caught: at which step. Escaped: the sequence passes; the cheapest measurement that would show it. Equivalent: no
    reading that can be reached changes. Burned: a part went past an absolute maximum before the power was cut, and
    what would have saved it. Exit code 1 when a fault escapes or a part burns.
    """
    from wakeboard.harness.describe.load import load_sequence
    from wakeboard.harness.rehearse.rehearsal import rehearse

    loaded = load_sequence(sequence)
    if not loaded.board.parts:
        raise click.UsageError(
            f"the board of {sequence} has no [parts]: without a circuit there is nothing to rehearse"
        )
    planted = _planted(loaded, plants, pairs, triples, seed)
    progress = _progress if sys.stderr.isatty() and not common.json else None
    result = rehearse(
        loaded, planted, workers=workers, progress=progress, on=on, keep=keep, bleed=_bleed(loaded, bench, on, keep)
    )
    if progress:
        click.echo("\r" + " " * 40 + "\r", nl=False, err=True)
    _show(common, result)
    common.emit(result.as_json())
    return Exit.FAILED if result.escaped or result.burned else Exit.GOOD


def _bleed(sequence: StepSequence, bench: str | None, on: str | None, keep: str | None) -> bool:
    """Whether the bench of a file has a bleed resistor; the virtual one has. UsageError with --on or --keep."""
    from wakeboard.harness.describe.load import load_bench

    if bench is None:
        return True
    if on is not None or keep is not None:
        raise click.UsageError("--bench goes with neither --on nor --keep")
    return load_bench(bench, sequence.board).probing.bleed is not None


def _planted(
    sequence: StepSequence, plants: tuple[str, ...], pairs: int | None, triples: int | None, seed: int
) -> list[list[Fault]] | None:
    """The sets of faults asked for; None: every single one. UsageError for a fault that the board cannot have."""
    from wakeboard.harness.rehearse.rehearsal import drawn_sets

    if sum((bool(plants), pairs is not None, triples is not None)) > 1:
        raise click.UsageError("--plant names faults, --pairs and --triples draw them: give one of the three")
    if plants:
        return [[_fitting(sequence, text)] for text in plants]
    if pairs is not None:
        return drawn_sets(sequence.board, pairs, 2, seed)
    return drawn_sets(sequence.board, triples, 3, seed) if triples is not None else None


def _fitting(sequence: StepSequence, text: str) -> Fault:
    from wakeboard.harness.describe.board.circuit import board_circuit
    from wakeboard.instruments.virtual.circuit import CircuitError, parse_fault
    from wakeboard.instruments.virtual.circuit.faults.effects import effects

    try:
        fault = parse_fault(text)
        effects(board_circuit(sequence.board), fault)
    except CircuitError as error:
        raise click.UsageError(f"--plant {text}: {error}") from None
    return fault


def _progress(done: int, total: int) -> None:
    click.echo(f"\r{done} of {total} rehearsed", nl=False, err=True)


def _show(common: Common, result: Rehearsal) -> None:
    share = "" if result.coverage is None else f"; of those that show, {100 * result.coverage:.1f} % are caught"
    _tell(common, f"{result.sequence}: {count(result.faults, 'fault')} in {result.seconds:.1f} s{share}", "")
    if result.good.outcome != "pass":
        bad = [
            f"{n}, {result.good.names[n]}" for n, each in result.good.steps.items() if each not in ("pass", "skipped")
        ]
        _tell(
            common, f"the board as drawn ends with {result.good.outcome} (step {'; '.join(bad)}): "
            "what it shows there counts for no fault", "",
        )  # fmt: skip
    for name, found in (
        ("caught", result.caught), ("escaped", result.escaped), ("equivalent", result.equivalent),
        ("burned", result.burned), ("not solved", result.broken),
    ):  # fmt: skip
        if found or name != "not solved":
            common.say(f"{name:11}{len(found):4d}")
    _caught(common, result)
    _escaped(common, result)
    _equivalent(common, result.equivalent)
    _burned(common, result)
    if result.broken:
        common.say("\nNot solved: the virtual bench has no answer")
    for fault, says in result.broken:
        _tell(common, f"  {fault}: {says}", "    ")


MOST_EQUIVALENT = 12  # that nothing can be done about: more would hide what can be


def _tell(common: Common, text: str, indent: str) -> None:
    """A paragraph within 80 columns."""
    common.say(wrapped(text, 79, indent))


def _equivalent(common: Common, faults: Sequence[str]) -> None:
    if not faults:
        return
    common.say("\nEquivalent: no reading that can be reached changes")
    more = len(faults) - MOST_EQUIVALENT
    some = ", ".join(faults[:MOST_EQUIVALENT])
    _tell(common, f"  {some}" + (f", and {more} more: --json has them" if more > 0 else ""), "  ")


def _caught(common: Common, result: Rehearsal) -> None:
    counts: dict[tuple[int, str], int] = {}
    for caught in result.caught:
        counts[caught.step, caught.name] = counts.get((caught.step, caught.name), 0) + 1
    if counts:
        common.say("\nCaught, by the step that shows it first")
    for (step, name), number in sorted(counts.items()):
        _tell(common, f"{number:6d}  step {step}, {name}", "        ")


def _escaped(common: Common, result: Rehearsal) -> None:
    """Grouped by the measurement that would catch them, the one that catches most first."""
    if result.escaped:
        common.say("\nEscaped, by the cheapest measurement that shows them")
    groups: dict[Sight | None, list[Escaped]] = {}
    for escaped in result.escaped:
        groups.setdefault(escaped.cheapest, []).append(escaped)
    for sight, members in sorted(groups.items(), key=lambda group: -len(group[1])):
        if sight is not None:
            _tell(common, f"{len(members):6d}  {_advice(sight, members[0].read_at)}", "        ")
        _tell(common, "        " + ", ".join(each.fault for each in members), "        ")


def _advice(sight: Sight, read_at: int | None) -> str:
    from wakeboard.instruments.quantity import show
    from wakeboard.results.report.text import state_words

    unit = "A" if sight.quantity == "current" else "V"
    good = f"good boards: {show(sight.within[0], unit)} .. {show(sight.within[1], unit)}" if sight.within else ""
    off = "nothing powered, " if sight.state.startswith("off") else ""
    state = state_words(sight.state).removeprefix("off; ")
    what = f"{sight.quantity} at {sight.point}, {off}{state}".removesuffix(", ")
    if read_at is not None:
        return f"step {read_at} reads it already, {what}: a tighter limit" + (f" ({good})" if good else "")
    return f"add {what}" + (f" ({good})" if good else "")


def _burned(common: Common, result: Rehearsal) -> None:
    from wakeboard.instruments.quantity import show

    if result.burned:
        common.say("\nBurned before the power was cut")
    for burned in result.burned:
        burn = burned.burn
        unit = {"voltage": "V", "current": "A", "power": "W"}[burn.rating.split()[0]]
        saved = f"saved by {burned.saved_by}" if burned.saved_by else "nothing that was tried saves it"
        _tell(
            common, f"  {burned.fault}: {burn.part} at {show(burn.reached, unit)} of {show(burn.allowed, unit)} "
            f"in step {burn.step}, {burned.name}; {saved}", "    ",
        )  # fmt: skip
