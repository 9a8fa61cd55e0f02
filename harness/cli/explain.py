"""`wakeboard explain`: what accounts for the odd readings of a run, what to measure next, and which bodge mends it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from wakeboard.harness.cli.exits import Exit
from wakeboard.harness.cli.options import Common, common_options
from wakeboard.harness.cli.options import command as wakeboard_command
from wakeboard.results.visible import visible

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.explain.ask.loop import Asked
    from wakeboard.harness.explain.choose.least_effort import Choice
    from wakeboard.harness.explain.evidence.in_time import InTime
    from wakeboard.harness.explain.explanation import Explanation
    from wakeboard.results.store.store import Store


@wakeboard_command(
    examples=[
        "wakeboard explain",
        "wakeboard explain 3f2a --why",
        "wakeboard explain --ask",
        "wakeboard explain --ask --bench bench.toml",
        "wakeboard explain --ask --virtual",
        "wakeboard explain --reference SK-A-000",
        "wakeboard explain --json --board board.toml",
    ]
)
@click.argument("run", metavar="[RUN]", required=False)
@click.option("--why", is_flag=True, help="Show the arithmetic, so that it can be checked by hand.")
@click.option("--ask", is_flag=True, help="Go on: take the measurement that tells most, look again, until one is left.")
@click.option("--bench", "bench_file", metavar="BENCH", help="With --ask: the bench measures; its bench file.")
@click.option("--virtual", is_flag=True, help="With --ask: the virtual bench measures, with the run's own plants.")
@click.option(
    "--energise",
    is_flag=True,
    help="With --ask --bench: stands for the key before power goes on.",
)
@click.option("--operator", "operator_name", metavar="NAME", help="Who is at the bench. Default: the user's name.")
@click.option("--reference", metavar="SN", help="A unit known to be good: what it shows too is the bench.")
@click.option("--alone", is_flag=True, help="Leave the board's other units out of it.")
@click.option("--one", is_flag=True, help="Look for one fault only, not for two.")
@click.option("--board", metavar="FILE", help="The board file: says where the results are, and whether it was edited.")
@common_options
def command(
    common: Common,
    run: str | None,
    why: bool,
    ask: bool,
    bench_file: str | None,
    virtual: bool,
    energise: bool,
    operator_name: str | None,
    reference: str | None,
    alone: bool,
    one: bool,
    board: str | None,
) -> int:
    """Rank what explains a run's odd readings, say what to measure next, and which bodge mends it.

    RUN is an id, its first letters, a unit (its latest run), or nothing for the latest. The faults are ranked by
    likelihood times prior; "none" and "not in this model" are always among them. Runs of the board's other units are
    used together: what they share is the design, not assembly. It never says that a board is safe: it says what the
    readings tell.

    --ask goes on. Without a bench each value is typed in. With one, the board is brought into the proposed state under
    the limits of the run's own sequence, and the readings are kept for later explanations of the run.
    """
    if (bench_file or virtual) and not ask:
        raise click.UsageError("--bench and --virtual go with --ask: they say who measures.")
    if bench_file and virtual:
        raise click.UsageError("--bench or --virtual: one bench at a time.")
    from wakeboard.harness.cli.opened import opened
    from wakeboard.harness.explain.explaining import explain_run

    at_bench = ask and bool(bench_file or virtual)
    with opened(common, board, write=at_bench) as store:
        explanation = explain_run(
            store, run, board=_board(board), together=not alone, pairs=not one, reference=reference
        )  # fmt: skip
        if at_bench:
            return _at_bench(common, store, explanation, bench_file, operator_name, pairs=not one, energise=energise)
    from wakeboard.harness.explain.in_time_told import document_of, late_of

    late = late_of(explanation)
    if ask:
        from wakeboard.harness.explain.ask.loop import go_on
        from wakeboard.results.report.cautions import CAUTIONS

        for line in CAUTIONS:
            common.caution(line)
        _say_late_first(common, late)
        explanation = go_on(explanation, common, pairs=not one)
    elif not common.json:
        _say_late_first(common, late)
        _say(common, explanation, why)
    common.emit(document_of(explanation, late))
    if not common.json:
        _say_late(common, explanation, late)
    return Exit.GOOD


def _say_late_first(common: Common, late: list[InTime]) -> None:
    from wakeboard.harness.explain.in_time_told import tell_first

    for line in tell_first(late):
        common.say(visible(line))


def _say_late(common: Common, explanation: Explanation, late: list[InTime]) -> None:
    from wakeboard.harness.explain.in_time_told import tell_in_time

    if explanation.case is not None:
        for line in tell_in_time(late, explanation.case.model.circuit):
            common.say(visible(line))


def _board(given: str | None) -> Board | None:
    from wakeboard.harness.cli.opened import board_file

    file = board_file(given)
    if file is None:
        return None
    from wakeboard.harness.describe.load import load_board

    return load_board(file)


def _say(common: Common, explanation: Explanation, why: bool = False) -> None:
    from wakeboard.harness.explain.telling import tell

    for line in tell(explanation, why=why):
        common.say(visible(line))


# --- with a bench ---------------------------------------------------------------------------------------------------
def _at_bench(
    common: Common,
    store: Store,
    explanation: Explanation,
    bench_file: str | None,
    operator_name: str | None,
    *,
    pairs: bool,
    energise: bool,
) -> int:
    from wakeboard.harness.cli.run import caution, operator_there, tell_abandoned
    from wakeboard.harness.cli.signals import as_interrupt
    from wakeboard.harness.describe.load import load_bench
    from wakeboard.harness.explain.ask.loop import at_bench
    from wakeboard.harness.explain.in_time_told import document_of, late_of
    from wakeboard.harness.run.live import PlainObserver

    board = explanation.case.model.board if explanation.case is not None else None
    described = load_bench(bench_file, board) if bench_file else None
    operator = operator_there(common)
    late = late_of(explanation)
    if explanation.case is not None:
        _say_late_first(common, late)
        _say(common, explanation)
    with as_interrupt():
        tell_abandoned(common, store)
        asked = at_bench(
            explanation,
            store=store,
            described=described,
            operator=operator,
            tell=lambda each, choice: _ranking(common, each, choice),
            pairs=pairs,
            observer=PlainObserver(common.say),
            before=lambda bench: caution(common, bench, operator),
            operator_name=operator_name,
            energise=energise,
        )
    common.emit({**document_of(asked.explanation, late), "asked": asked.as_json()})
    code = _conclude(common, asked)
    _say_late(common, explanation, late)
    return code


def _ranking(common: Common, explanation: Explanation, choice: Choice | None) -> None:
    """The likeliest three in a line each, and what is measured now."""
    from wakeboard.harness.explain.telling import choice_text, percent

    common.say("")
    for place, group in enumerate(explanation.groups[:3], start=1):
        common.say(f"{place:2}. {percent(group.probability):>6}  {group.says}")
    if choice is not None:
        common.say(f"now: {choice_text(choice)}")


def _conclude(common: Common, asked: Asked) -> int:
    """What it came to, and the exit code of the run that was made of it; odd readings alone are no failure here."""
    if asked.result is None:
        common.note("nothing is left to ask: the bench was not touched")
        return Exit.GOOD
    from wakeboard.harness.cli.run import loud
    from wakeboard.harness.run.session import exit_code

    result = asked.result
    code = Exit(exit_code(result))
    if code is Exit.INTERNAL and result.error is not None:
        raise result.error
    if code is Exit.OUTPUTS_ON:
        loud(result)
    common.say("")
    _say(common, asked.explanation)
    for why, times in asked.refused.items():
        common.note(f"{times} proposals were not measured: {why}")
    if result.record.says:
        common.note(("error: " if code in (Exit.BENCH, Exit.USAGE) else "") + result.record.says)
    if result.off.confirmed:
        common.say(f"kept as run {result.record.id[:8]}; outputs confirmed off")
    return Exit.GOOD if code is Exit.FAILED and result.record.trip is None else code
