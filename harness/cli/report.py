"""`wakeboard report`: one self-contained HTML file."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from wakeboard.harness.cli.options import Common, common_options
from wakeboard.harness.cli.options import command as wakeboard_command

if TYPE_CHECKING:
    from markupsafe import Markup

    from wakeboard.results.records import RunRecord
    from wakeboard.results.store.store import Store


@wakeboard_command(
    examples=[
        "wakeboard report",
        "wakeboard report 3f2a -o unit-4.html",
        "wakeboard report --board board.toml",
        "wakeboard report --board board.toml --batch -o batch.html",
    ]
)
@click.argument("run", required=False)
@click.option("--board", metavar="BOARD", help="The units of a board side by side, instead of one run.")
@click.option("--batch", is_flag=True, help="With --board: yield, capability and charts over all its runs.")
@click.option("--sequence", metavar="TITLE", help="With --batch: only runs of this sequence.")
@click.option("--reference", metavar="SN", help="With --board: a unit known to be good.")
@click.option("--explain", "asked", is_flag=True, help="Work out what explains the odd readings, and show it.")
@click.option("-o", "--output", metavar="FILE", help="Where to write; - for standard output.")
@common_options
def command(
    common: Common,
    run: str | None,
    board: str | None,
    batch: bool,
    sequence: str | None,
    reference: str | None,
    asked: bool,
    output: str | None,
) -> None:
    """Write what was measured as one HTML file that needs no network and no script.

    RUN is a run's id, its first letters, a unit (its latest run), or nothing for the latest. The same run gives the
    same bytes.
    """
    if board and run:
        raise click.UsageError("give a run or --board, not both")
    if (batch or reference or sequence) and not board:
        raise click.UsageError("--batch, --reference and --sequence go with --board")
    if common.json and output == "-":
        raise click.UsageError("--json and -o - both want standard output")
    if board:
        kind, name, html = _board(common, board, batch, sequence, reference, asked)
    else:
        kind, name, html = _run(common, run, asked)
    _write(common, kind, output or f"{name}.html", html)


def _run(common: Common, ref: str | None, asked: bool) -> tuple[str, str, str]:
    from wakeboard.harness.cli.opened import opened
    from wakeboard.results.report import render_run
    from wakeboard.results.report.render import photos_of

    with opened(common) as store:
        record = store.run(ref)
        explained = _explained(store, record.id) if asked else None
        photos = photos_of(store, record.unit, record.board)
    return (
        "run",
        f"report-{_plain(record.unit)}-{record.id[:8]}",
        render_run(record, explained, maps=_maps(common, record, explained), photos=photos),
    )


def _board(
    common: Common, board: str, batch: bool, sequence: str | None, reference: str | None, asked: bool
) -> tuple[str, str, str]:
    from wakeboard.harness.cli.board_ref import board_of, must_have
    from wakeboard.harness.cli.opened import opened
    from wakeboard.results.report import report_batch, report_board

    name, file = board_of(board)
    with opened(common, str(file) if file else None) as store:
        must_have(store, name)
        if batch:
            return "batch", f"batch-{_plain(name)}", report_batch(store, name, sequence=sequence)
        reviewed = None if file is None else _reviewed(file)
        explained = _explained_units(store, name, reference) if asked else None
        maps = _review_maps(file, reviewed)
        html = report_board(store, name, explain=explained, review=reviewed, reference=reference, maps=maps)
    return "board", f"report-{_plain(name)}", html


def _maps(common: Common, record: RunRecord, explained: dict[str, object] | None) -> list[tuple[str, Markup]]:
    """Where what is odd is, with the places beside the results; none where the drawing was never read."""
    from wakeboard.harness.drawings.places.maps import beside, run_figures

    found = beside(Path(common.database()).parent)
    return run_figures(record, *found, explained) if found and found[0].name == record.board else []


def _review_maps(file: Path | None, reviewed: dict[str, object] | None) -> list[tuple[str, Markup]]:
    from wakeboard.harness.drawings.places.maps import beside, review_figures

    found = beside(file.parent) if file else None
    return review_figures(*found, reviewed) if found else []


def _plain(text: str) -> str:
    """A piece of a file name out of a serial number or a name that came from anywhere."""
    return re.sub(r"[^\w.-]+", "_", text).strip("._") or "unnamed"


def _write(common: Common, kind: str, output: str, html: str) -> None:
    if output == "-":
        sys.stdout.buffer.write(html.encode("utf-8"))
        return
    path = Path(output)
    try:
        path.write_text(html, encoding="utf-8", newline="\n")
    except OSError as error:
        raise click.UsageError(f"cannot write {path}: {error.strerror}") from None
    common.say(f"{kind} report: {path} ({len(html.encode('utf-8')) / 1024:.0f} KiB)")
    common.emit({"report": str(path), "kind": kind})


def _explained(store: Store, run: str, reference: str | None = None) -> dict[str, object] | None:
    """The explanation of a run, held against the reference unit where there is one; None where there is nothing to
    explain with."""
    from wakeboard.harness.explain.explaining import explain_run
    from wakeboard.harness.explain.in_time_told import document_of
    from wakeboard.harness.explain.unit.cases import CannotExplain

    try:
        return document_of(explain_run(store, run, reference=reference))
    except CannotExplain:
        return None if reference is None else _explained(store, run)


MOST_EXPLAINED = 12  # units of a board report; each takes seconds


def _explained_units(store: Store, board: str, reference: str | None) -> dict[str, dict[str, object]]:
    """The explanation of the latest run of each unit that did not pass."""
    from wakeboard.results.records import ASKED

    latest: dict[str, str] = {}
    for summary in store.runs(board=board):
        if summary.outcome not in (None, "pass", "error") and summary.sequence != ASKED:
            latest.setdefault(summary.unit, summary.id)
    found = {
        unit: _explained(store, run, reference if unit != reference else None)
        for unit, run in list(latest.items())[:MOST_EXPLAINED]
    }
    return {unit: document for unit, document in found.items() if document is not None}


def _reviewed(file: Path) -> dict[str, object] | None:
    """The review of the board file as it is now; None where it has no circuit or does not load."""
    from wakeboard.harness.describe.load import load_board
    from wakeboard.harness.review.review import as_json, review_board

    design = load_board(file)
    return as_json(design, review_board(design)) if design.parts else None
