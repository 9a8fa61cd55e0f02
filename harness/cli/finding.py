"""`wakeboard finding …`: oddities worth keeping, from first sight to the next revision."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from wakeboard.harness.cli.exits import Exit
from wakeboard.harness.cli.opened import (
    board_name,
    board_option,
    by_option,
    checked_faults,
    only_board,
    opened,
    the_board,
)
from wakeboard.harness.cli.options import Common, common_options, group
from wakeboard.results.visible import visible

if TYPE_CHECKING:
    from wakeboard.results.ledger.ledger import Evidence, Finding, Ledger
    from wakeboard.results.store.store import Store

_EVIDENCE = "RUN[/STEP[/READING]]"
_EXAMPLES = (
    'wakeboard finding add "radio reset sits at 2.7 V" --evidence latest/7/RADIO_RST',
    'wakeboard finding explain 1 "the radio pulls it up, about 13 kΩ" --fault U5.NRST:pull_up=13k --cause design',
    'wakeboard finding mend 1 "1 kΩ across R31"',
    'wakeboard finding carry 1 "R31: 1 kΩ instead of 47 kΩ" --revision B',
    "wakeboard finding revision -o revision-b.md",
)


@group(_EXAMPLES)
def command() -> None:
    """Keep an oddity with its evidence, explain it, mend it, carry it to the next revision.

    Every change is a new row: what was thought before stays readable.
    """


def evidence_option(function: Any) -> Any:
    return click.option(
        "--evidence",
        "evidence",
        metavar=_EVIDENCE,
        multiple=True,
        help="A run ('latest', first letters, or a unit), one of its steps, or one reading by name. Again for more.",
    )(function)


@command.sub("add", 'wakeboard finding add "radio reset sits at 2.7 V" --evidence latest/7/RADIO_RST')
@click.argument("title")
@click.option("--text", default="", help="More words.")
@evidence_option
@board_option
@by_option
@common_options
def add(common: Common, title: str, text: str, evidence: tuple[str, ...], board: str | None, by: str | None) -> int:
    """Keep an oddity. The board is that of the evidence."""
    name = board_name(board)
    with opened(common, board, write=True) as store:
        linked = [read_evidence(store, item) for item in evidence]
        if name is None and linked:
            name = store.run(linked[0].run, blobs=False).board
        finding = _ledger(store).add_finding(only_board(store, name), title, text, linked, by=by)
        _show(common, store, finding)
    return Exit.GOOD


@command.sub("list", "wakeboard finding list --state open")
@click.option("--state", metavar="STATE", help="Only: open, explained, mended, carried.")
@board_option
@common_options
def list_findings(common: Common, state: str | None, board: str | None) -> int:
    """List findings."""
    with opened(common, board) as store:
        found = _ledger(store).findings(board_name(board), state)
    common.emit({"findings": [finding.as_json() for finding in found]})
    if not found:
        common.say("No finding.")
    for finding in found:
        units = ", ".join(sorted({item.unit for item in finding.evidence}))
        seen = f"  (units {units})" if units else ""
        common.say(visible(f"{finding.number:3}  {_state(finding):18}  {finding.board}: {finding.title}{seen}"))
    return Exit.GOOD


@command.sub("show", "wakeboard finding show 1")
@click.argument("number")
@common_options
def show(common: Common, number: str) -> int:
    """Show one finding with all that was said of it."""
    with opened(common) as store:
        _show(common, store, _ledger(store).finding(number))
    return Exit.GOOD


@command.sub(
    "explain", 'wakeboard finding explain 1 "the radio pulls it up" --fault U5.NRST:pull_up=13k --cause design'
)
@click.argument("number")
@click.argument("text")
@click.option(
    "--fault", "faults", metavar="FAULT", multiple=True, help="The explanation as a fault text. Again for more."
)
@click.option("--cause", default="", metavar="CAUSE", help="One of: design, assembly, part, bench.")
@board_option
@by_option
@common_options
def explain(
    common: Common,
    number: str,
    text: str,
    faults: tuple[str, ...],
    cause: str,
    board: str | None,
    by: str | None,
) -> int:
    """Say why it is so."""
    with opened(common, board, write=True) as store:
        ledger = _ledger(store)
        design = the_board(store, board, ledger.finding(number).board) if faults else None
        _show(common, store, ledger.explain(number, text, checked_faults(faults, design), cause, by=by))
    return Exit.GOOD


@command.sub("mend", 'wakeboard finding mend 1 "1 kΩ across R31"')
@click.argument("number")
@click.argument("text")
@by_option
@common_options
def mend(common: Common, number: str, text: str, by: str | None) -> int:
    """Say how units are mended. (What was done to which unit: `wakeboard rework`.)"""
    with opened(common, write=True) as store:
        _show(common, store, _ledger(store).mend(number, text, by=by))
    return Exit.GOOD


@command.sub("carry", 'wakeboard finding carry 1 "R31: 1 kΩ instead of 47 kΩ" --revision B')
@click.argument("number")
@click.argument("text")
@click.option("--revision", default="", metavar="REV", help="The revision that shall have it.")
@by_option
@common_options
def carry(common: Common, number: str, text: str, revision: str, by: str | None) -> int:
    """Put it on the list for the next revision: what to change."""
    with opened(common, write=True) as store:
        _show(common, store, _ledger(store).carry(number, text, revision, by=by))
    return Exit.GOOD


@command.sub("reopen", 'wakeboard finding reopen 1 "it came back on unit 005"')
@click.argument("number")
@click.argument("text", default="")
@by_option
@common_options
def reopen(common: Common, number: str, text: str, by: str | None) -> int:
    """Take it back to open: the explanation was wrong, or the mending did not hold."""
    with opened(common, write=True) as store:
        _show(common, store, _ledger(store).reopen(number, text, by=by))
    return Exit.GOOD


@command.sub("evidence", "wakeboard finding evidence 1 3f2a/7 latest")
@click.argument("number")
@click.argument("evidence", metavar=f"{_EVIDENCE}…", nargs=-1, required=True)
@common_options
def add_evidence(common: Common, number: str, evidence: tuple[str, ...]) -> int:
    """Link more evidence to a finding."""
    with opened(common, write=True) as store:
        linked = [read_evidence(store, item) for item in evidence]
        _show(common, store, _ledger(store).add_evidence(number, linked))
    return Exit.GOOD


@command.sub("revision", "wakeboard finding revision -o revision-b.md")
@click.option("-o", "--output", metavar="FILE", help="Write there instead of showing it.")
@board_option
@common_options
def revision(common: Common, output: str | None, board: str | None) -> int:
    """The list for the next revision, as Markdown."""
    with opened(common, board) as store:
        name = only_board(store, board_name(board))
        ledger = _ledger(store)
        text = ledger.revision_list(name)
        carried = ledger.findings(name, "carried")
    if output is not None:
        from wakeboard.results.export import whole_file

        with whole_file(output) as draft:
            draft.write_text(text, encoding="utf-8")
        common.note(f"written: {output}")
    else:
        common.say(text)
    common.emit({"board": name, "markdown": text, "carried": [finding.as_json() for finding in carried]})
    return Exit.GOOD


# -- below


def _ledger(store: Store) -> Ledger:
    from wakeboard.results.ledger.ledger import Ledger

    return Ledger(store)


def read_evidence(store: Store, text: str) -> Evidence:
    """RUN, RUN/STEP or RUN/STEP/READING; READING is a name as the run shows it, or its place from 1."""
    from wakeboard.results.ledger.ledger import Evidence

    run_text, _, rest = text.partition("/")
    step_text, _, reading_text = rest.partition("/")
    record = store.run(None if run_text in ("", "latest") else run_text, blobs=False)
    if not step_text:
        return Evidence(record.id)
    if not step_text.isdigit():
        raise click.UsageError(f"{text!r}: a step is a number, as in {record.id[:8]}/3")
    step = next((step for step in record.steps if step.number == int(step_text)), None)
    if step is None or not reading_text:
        return Evidence(record.id, int(step_text))
    names = [reading.of for reading in step.readings]
    if reading_text in names:
        return Evidence(record.id, step.number, names.index(reading_text))
    if reading_text.isdigit() and 1 <= int(reading_text) <= len(names):
        return Evidence(record.id, step.number, int(reading_text) - 1)
    import difflib

    known = list(dict.fromkeys(names))
    near = difflib.get_close_matches(reading_text, known, n=3) or known[:8]
    raise click.UsageError(f"{text!r}: step {step.number} has no reading {reading_text!r}; known: {', '.join(near)}")


def _state(finding: Finding) -> str:
    return finding.state if finding.state == "carried" or not finding.carried else f"{finding.state}, carried"


def _show(common: Common, store: Store, finding: Finding) -> None:
    common.emit(finding.as_json())
    for line in _lines(_ledger(store), finding):
        common.say(visible(line))


def _lines(ledger: Ledger, finding: Finding) -> Sequence[str]:
    from wakeboard.results.ledger.text import evidence_line, faults_text, when

    shown = ledger.evidence_runs([finding])
    lines = [f"{finding.number}. {finding.title}  [{finding.board}, {_state(finding)}]"]
    if finding.text:
        lines.append(f"   {finding.text}")
    lines.append(f"   {when(finding.at)}  seen" + (f" by {finding.by}" if finding.by else ""))
    for event in finding.events:
        cause = f" [{event.cause}]" if event.cause else ""
        target = f" [revision {event.revision}]" if event.revision else ""
        lines.append(f"   {when(event.at)}  {event.state}: {event.text}{faults_text(event.faults)}{cause}{target}")
    lines += [f"   evidence: {evidence_line(finding, place, shown)}" for place in range(len(finding.evidence))]
    return lines
