"""`wakeboard run`: one unit through one sequence."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

import click

from wakeboard.harness.cli.beside import beside, page_option
from wakeboard.harness.cli.exits import Exit
from wakeboard.harness.cli.options import Common, common_options
from wakeboard.harness.cli.options import command as wakeboard_command
from wakeboard.results.visible import visible

if TYPE_CHECKING:
    from wakeboard.harness.page.link import PageLink
    from wakeboard.harness.run.bench.bench import OpenBench
    from wakeboard.harness.run.hand.operator import Operator
    from wakeboard.harness.run.runner import Result
    from wakeboard.results.records import RunRecord


@wakeboard_command(
    examples=[
        "wakeboard run first-power-on.toml --unit SK-A-001",
        "wakeboard run first-power-on.toml --unit SK-A-001 --bench bench.toml",
        "wakeboard run first-power-on.toml --unit SK-A-001 --bench bench.toml --page 192.168.7.2:8088",
        'wakeboard run bring-up.toml --unit TRY-1 --plant "D3:reversed" --json',
    ]
)
@click.argument("sequence", type=click.Path(dir_okay=False))
@click.option("--unit", required=True, metavar="SN", help="The serial number of the unit.")
@click.option("--bench", "bench_file", metavar="BENCH", help="The bench file. Without one: the virtual bench.")
@click.option(
    "--plant", "plants", multiple=True, metavar="FAULT", help="A fault in the virtual board; may be repeated."
)
@click.option("--operator", "operator_name", metavar="NAME", help="Who is at the bench. Default: the user's name.")
@click.option("--energise", is_flag=True, help="Stands for the key before power goes on, where nobody is there.")
@click.option("--verbose", is_flag=True, help="Every reading, not only those that are no pass.")
@page_option
@common_options
def command(
    common: Common,
    sequence: str,
    unit: str,
    bench_file: str | None,
    plants: tuple[str, ...],
    operator_name: str | None,
    energise: bool,
    verbose: bool,
    page_place: str | None,
) -> int | None:
    """Take one unit through one sequence, with everything off at the end.

    Without --bench the unit is on the virtual bench; what a units.toml beside the board plants in it is planted, too.
    """
    from wakeboard.harness.cli.signals import as_interrupt
    from wakeboard.harness.describe.board.twice import planted_twice
    from wakeboard.harness.describe.load import load_bench, load_sequence
    from wakeboard.harness.run.live import Both
    from wakeboard.harness.run.session import planted, take_unit
    from wakeboard.results.store.store import Store

    described_sequence = load_sequence(sequence)
    board = described_sequence.board
    described = load_bench(bench_file, board) if bench_file else None
    if described is not None and plants:
        raise click.UsageError("--plant is for the virtual bench: a board on a real one has the faults that it has.")
    from wakeboard.harness.cli.opened import serial_of

    unit = serial_of(unit)
    all_plants = planted(board, unit, plants) if described is None else ()
    for text, stands in planted_twice(board, all_plants):
        common.note(f"{text} is planted twice: in the board file {stands} already; take it out of units.toml")
    with as_interrupt(), beside(common, page_place, described_sequence, unit=unit, virtual=described is None) as page:
        operator = operator_there(common, page)
        with Store.open(common.database(board.file)) as store, _observer(common, unit, verbose) as observer:
            tell_abandoned(common, store, page)
            _connect(operator, observer)
            result = _taken(page, lambda: take_unit(
                described_sequence,
                unit=unit,
                described=described,
                plants=all_plants,
                store=store,
                observer=observer if page is None else Both(observer, page),
                operator=operator,
                before=lambda bench: caution(common, bench, operator, page),
                operator_name=operator_name,
                energise=energise,
            ))  # fmt: skip
        return conclude(common, result)


def _taken(page: PageLink | None, take: Callable[[], Result]) -> Result:
    """The run, and its end told to the page, too."""
    from wakeboard.harness.run.errors import OperatorStop

    try:
        result = take()
    except BaseException as error:
        if page is not None:
            page.broke(str(error) or type(error).__name__, stopped=isinstance(error, (KeyboardInterrupt, OperatorStop)))
        raise
    if page is not None:
        page.ended(result.record.word, result.record.says, result.off)
    return result


def conclude(common: Common, result: Result) -> int:
    """Say how it ended, loudly where outputs are not confirmed off; the exit code."""
    from wakeboard.harness.run.session import exit_code

    code = Exit(exit_code(result))
    if code is Exit.INTERNAL and result.error is not None:
        result.error.add_note(off_says(result))
        raise result.error
    record = result.record
    if code is Exit.OUTPUTS_ON:
        loud(result)
    style = {"pass": "green", "fail": "red", "tripped": "red", "marginal": "yellow", "error": "magenta"}
    if not common.json:
        outcome = click.style(record.word.upper(), fg=style.get(result.outcome), bold=True)
        common.say(f"{outcome}  unit {visible(record.unit)}, {visible(record.sequence)}, run {record.id[:8]}")
        if left_out := [f"{step.number}, {visible(step.name)}" for step in record.steps if step.outcome == "skipped"]:
            common.say(f"skipped, and no part of that word: step {'; step '.join(left_out)}")
        tell_failed(common, record)
    if record.says:
        common.note(("error: " if code is Exit.BENCH or code is Exit.USAGE else "") + record.says)
    if not common.json and result.off.confirmed:
        common.say(off_says(result))
    common.emit(record.as_json())
    return int(code)


def tell_failed(common: Common, record: RunRecord) -> None:
    """Which steps were not good, and what to type next."""
    bad = [step for step in record.steps if step.outcome in ("fail", "marginal", "tripped")]
    for step in bad:
        common.say(f"{step.outcome}: step {step.number}, {visible(step.name)}")
    if bad:
        common.say(f"next: wakeboard explain {record.id[:8]}")


def off_says(result: Result) -> str:
    """Whether the outputs are off, and how long any was on."""
    simulated = " (simulated)" if result.record.start.virtual else ""
    return f"{result.off.says()}; energised for {result.record.energised_s or 0.0:.1f} s{simulated}"


def loud(result: Result) -> None:
    from wakeboard.harness.cli.exits import OutputsNotOff
    from wakeboard.harness.cli.failure import tell

    tell(OutputsNotOff(result.off.says()), as_json=False)


def operator_there(common: Common, page: PageLink | None = None) -> Operator | None:
    """Who can be asked: at the terminal, or at the page, or at both."""
    if common.no_input or (page is None and not common.interactive):
        return None
    from wakeboard.harness.run.hand.operator import Operator

    return Operator(face=page, terminal=common.interactive)


@contextlib.contextmanager
def _observer(common: Common, unit: str, verbose: bool) -> Iterator[Any]:
    """The live view on a terminal that can show it, else plain lines."""
    from wakeboard.harness.run.live import LiveObserver, PlainObserver

    console = common.console()
    if console.is_terminal and not console.is_dumb_terminal and not verbose:
        with LiveObserver(console, f"unit {unit}") as live:
            yield live
    else:
        yield PlainObserver(common.say, verbose=verbose)


def _connect(operator: Operator | None, observer: Any) -> None:
    """A prompt takes the picture away while it waits."""
    if operator is None or not hasattr(observer, "pause"):
        return
    operator.around = (observer.pause, observer.resume)


def tell_abandoned(common: Common, store: Any, page: PageLink | None = None) -> None:
    """At the terminal; what nobody knows of the outputs stands on the page, too."""
    for run_id in store.mark_abandoned():
        common.note(f"run {run_id[:8]} was broken off when its program ended; it is marked so")
        start = store.run(run_id, blobs=False).start
        if not start.virtual:
            unknown = (
                f"nothing says that the outputs were switched off after that run (unit {start.unit}): before anyone "
                "touches that board, look at the supply's panel. This run switches everything off first"
            )
            common.caution(unknown)
            if page is not None:
                page.warns(f"Run {run_id[:8]} was broken off when its program ended; {unknown}.")
    if told := store.sharing_caution():
        common.caution(told)


def caution(common: Common, bench: OpenBench, operator: Operator | None, page: PageLink | None = None) -> None:
    """Before anything is energised; on a real bench a person who can answer confirms."""
    from wakeboard.results.report.cautions import CAUTIONS

    if page is not None:
        page.watch(bench)
    for line in CAUTIONS:
        common.caution(line)
    for name, texts in bench.cautions.items():
        for text in texts:
            common.caution(f"{name}: {text}")
    if operator is not None and bench.virtual is None:
        operator.confirm("Everything as the cautions say, and the unit on the bench?")
