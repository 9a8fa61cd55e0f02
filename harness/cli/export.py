"""`wakeboard export`: readings, runs and circuits for other programs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from wakeboard.harness.cli.exits import Exit
from wakeboard.harness.cli.opened import board_name, board_option, checked_faults, only_board, opened, the_board
from wakeboard.harness.cli.options import Common, common_options
from wakeboard.harness.cli.options import command as wakeboard_command

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.results.records import RunSummary
    from wakeboard.results.store.store import Store


@wakeboard_command(
    examples=[
        "wakeboard export --csv readings.csv",
        "wakeboard export --parquet readings.parquet --board Skep --latest",
        "wakeboard export --junit results.xml --run 3f2a",
        "wakeboard export --spice skep.cir --board board.toml --state 'USB=5V@120mA'",
        "wakeboard export --drawing skep-drawing --board board.toml",
    ]
)
@click.option(
    "--csv", "csv_file", metavar="FILE", help="Readings in long form; FILE.columns beside it says what is what."
)
@click.option("--parquet", "parquet_file", metavar="FILE", help="The same as Parquet, the dictionary in its metadata.")
@click.option("--junit", "junit_file", metavar="FILE", help="Runs as JUnit XML: a suite a run, a case a step.")
@click.option("--spice", "spice_file", metavar="FILE", help="The board's circuit as a SPICE netlist.")
@click.option("--drawing", metavar="DIR", help="Netlist (IPC-D-356A), list of parts and part book of a board.")
@click.option("--run", "run", metavar="RUN", help="Only this run (an id, its first letters, a unit, or 'latest').")
@click.option("--unit", "unit", metavar="SN", help="Only this unit; with --spice: with its rework.")
@click.option("--sequence", metavar="TITLE", help="Only runs of this sequence.")
@click.option("--latest", is_flag=True, help="Only the latest run of each unit and sequence.")
@click.option("--state", default="", metavar="STATE", help="With --spice: the bench state, as a reading shows it.")
@click.option("--plant", "plants", metavar="FAULT", multiple=True, help="With --spice: a fault in it. Again for more.")
@board_option
@common_options
def command(
    common: Common,
    csv_file: str | None,
    parquet_file: str | None,
    junit_file: str | None,
    spice_file: str | None,
    drawing: str | None,
    run: str | None,
    unit: str | None,
    sequence: str | None,
    latest: bool,
    state: str,
    plants: tuple[str, ...],
    board: str | None,
) -> int:
    """Write readings as CSV or Parquet, runs as JUnit XML, the circuit as SPICE. Several at once is fine."""
    if not (csv_file or parquet_file or junit_file or spice_file or drawing):
        raise click.UsageError("say what to write: --csv, --parquet, --junit or --spice FILE, or --drawing DIR")
    if (state or plants) and not spice_file:
        raise click.UsageError("--state and --plant go with --spice")
    name = board_name(board)
    written: dict[str, Any] = {}
    if csv_file or parquet_file or junit_file:
        with opened(common, board) as store:
            wanted = _Wanted(name, unit, sequence, store.run(None, blobs=False).id if run == "latest" else run, latest)
            if csv_file or parquet_file:
                written.update(_tables(store, wanted, csv_file, parquet_file))
            if junit_file:
                written["junit"] = _junit(store, wanted, junit_file)
    if spice_file:
        written["spice"] = _spice(common, board, name, spice_file, unit, state, plants)
    if drawing:
        written["drawing"] = _drawing(board, drawing)
    for kind, what in written.items():
        common.say(f"{kind}: {what['file']}" + (f" ({what['rows']} {what['of']})" if "rows" in what else ""))
    common.emit(written)
    return Exit.GOOD


class _Wanted(NamedTuple):
    """Which runs."""

    board: str | None
    unit: str | None
    sequence: str | None
    run: str | None
    latest: bool


def _tables(store: Store, wanted: _Wanted, csv_file: str | None, parquet_file: str | None) -> dict[str, object]:
    from wakeboard.results import export, frames

    table = frames.frame(store, **wanted._asdict())
    written: dict[str, object] = {}
    if csv_file:
        beside = export.write_csv(table, csv_file)
        written["csv"] = {"file": csv_file, "columns": str(beside), "rows": len(table), "of": "readings"}
    if parquet_file:
        export.write_parquet(table, parquet_file)
        written["parquet"] = {"file": parquet_file, "rows": len(table), "of": "readings"}
    return written


def _junit(store: Store, wanted: _Wanted, file: str) -> dict[str, object]:
    from wakeboard.results.export_junit import write_junit

    runs = store.runs(wanted.board, wanted.unit, wanted.sequence)
    if wanted.run:
        ids = [store.run(wanted.run, blobs=False).id]
    elif wanted.latest:
        ids = _latest(runs)
    else:
        ids = [run.id for run in runs]
    write_junit((store.run(one, blobs=False) for one in reversed(ids)), file)
    return {"file": file, "rows": len(ids), "of": "runs"}


def _latest(runs: Sequence[RunSummary]) -> list[str]:
    """The latest ended run of each unit and sequence, latest first."""
    first: dict[tuple[str, str, str], str] = {}
    for run in runs:
        if run.outcome is not None:
            first.setdefault((run.board, run.unit, run.sequence), run.id)
    return list(first.values())


def _spice(
    common: Common,
    board: str | None,
    name: str | None,
    file: str,
    unit: str | None,
    state: str,
    plants: tuple[str, ...],
) -> dict[str, object]:
    from wakeboard.harness.cli.opened import board_file
    from wakeboard.harness.describe.load import load_board

    rework: list[str] = []
    path = board_file(board)
    if path is not None and unit is None:
        design: Board | None = load_board(path)
    else:
        with opened(common, board) as store:
            known = only_board(store, name)
            design = the_board(store, board, known, unit)
            if unit is not None:
                rework = [fault for done in store.rework_in_force(unit, known) for fault in done.faults]
    if design is None or not design.parts:
        raise click.UsageError("there is no circuit to write: give a board file with [parts] as --board")
    text = netlist(design, state, [*rework, *plants])
    from wakeboard.results.export import whole_file

    with whole_file(file) as draft:
        draft.write_text(text, encoding="utf-8")
    return {"file": file, "faults": [*rework, *plants], "state": state}


def _drawing(board: str | None, folder: str) -> dict[str, object]:
    """The files of a board file's drawing; what is there already is written anew."""
    from pathlib import Path

    from wakeboard.harness.cli.opened import board_file
    from wakeboard.harness.describe.load import load_board
    from wakeboard.harness.drawings.boardfile.export import drawing_of
    from wakeboard.results.export import whole_file

    path = board_file(board)
    if path is None:
        raise click.UsageError("there is no board to write: give a board file as --board")
    design = load_board(path)
    if not design.parts:
        raise click.UsageError(f"{path} has no [parts]: there is no drawing to write")
    texts = drawing_of(design)
    for name, text in texts.items():
        target = Path(folder) / name
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise click.UsageError(f"cannot write {target.parent}: {error.strerror}") from None
        with whole_file(target) as draft:
            draft.write_text(text, encoding="utf-8", newline="\n")
    return {"file": folder, "rows": len(texts), "of": "files", "files": list(texts)}


def netlist(board: Board, state: str, faults: list[str]) -> str:
    """The board's circuit in a bench state as a SPICE netlist. Raises CircuitError, and UsageError for a bad state."""
    from wakeboard.harness.describe.board.circuit import on_supplies
    from wakeboard.harness.describe.state import BenchState, StateError
    from wakeboard.instruments.virtual.circuit import Variant, parse_fault
    from wakeboard.instruments.virtual.circuit.bench.state import state_values
    from wakeboard.instruments.virtual.circuit.spice.write import write_netlist

    try:
        bench = BenchState.parse(state or "off")
    except StateError as error:
        raise click.UsageError(f"--state: {error}") from error
    unknown = sorted(set(bench.supplies) - set(board.supplies))
    if unknown:
        raise click.UsageError(f"--state: {board.name} has no supply {unknown[0]}; known: {', '.join(board.supplies)}")
    planted = tuple(parse_fault(text) for text in checked_faults(faults, board))
    variant = Variant(planted, state_values(bench))
    title = f"{board.name} revision {board.revision}, {bench.key}" + (f", {', '.join(faults)}" if faults else "")
    return write_netlist(on_supplies(board), variant, title)
