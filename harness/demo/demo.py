"""Skep's five units: review, first power-on of each, comparison, explanation, one report, in a folder to play with."""

from __future__ import annotations

import os
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field, replace
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

if TYPE_CHECKING:
    from wakeboard.harness.explain.unit.cases import Case
    from wakeboard.results.records import RunRecord
    from wakeboard.results.store.store import Store

FILES: Final = ("board.toml", "first-power-on.toml", "bring-up.toml", "units.toml")
SEQUENCE: Final = "first-power-on.toml"
DATABASE: Final = "wakeboard.db"
REPORT: Final = "report.html"
Done = TypeVar("Done")
Take = Callable[[str], "RunRecord"]


class FolderTaken(Exception):
    """The folder holds something already, or cannot be written."""


@dataclass
class Demo:
    """What the demo found: JSON documents of its steps, and the path of the report."""

    folder: Path
    review: dict[str, Any] = field(default_factory=dict)
    runs: list[dict[str, Any]] = field(default_factory=list)
    compare: dict[str, Any] = field(default_factory=dict)
    explain: dict[str, Any] = field(default_factory=dict)

    @property
    def report(self) -> Path:
        return self.folder / REPORT

    def as_json(self) -> dict[str, object]:
        """The document of `wakeboard demo --json`."""
        return {
            "folder": str(self.folder),
            "review": self.review,
            "runs": self.runs,
            "compare": self.compare,
            "explain": self.explain,
            "report": str(self.report),
        }


def lay_out(folder: Path) -> None:
    """Copy Skep's files into a folder that is new or empty. Raises FolderTaken, for one that cannot be written too."""
    source = resources.files("wakeboard.sequences").joinpath("demo", "skep")
    try:
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise FolderTaken(f"{folder} is not empty; name another folder: wakeboard demo {folder.name}-2")
        folder.mkdir(parents=True, exist_ok=True)
        for name in FILES:
            (folder / name).write_text(source.joinpath(name).read_text(encoding="utf-8"), encoding="utf-8")
    except OSError as error:
        raise FolderTaken(f"{folder} cannot be written ({error.strerror}); name another folder") from None


def first_look(demo: Demo) -> Iterator[dict[str, Any]]:
    """Where the solver has to be compiled first: begin that, and yield what can be said of the design meanwhile."""
    from wakeboard.harness.review.first_look import begin, seen
    from wakeboard.instruments.virtual.circuit.compiled import ahead

    if ahead.begin() and (document := seen(begin(demo.folder / "board.toml"))):
        yield document


def review(demo: Demo) -> dict[str, object]:
    """The design on paper."""
    from wakeboard.harness.describe.load import load_board
    from wakeboard.harness.review.review import as_json, review_board

    board = load_board(demo.folder / "board.toml")
    demo.review = as_json(board, review_board(board))
    return demo.review


def run_units(demo: Demo) -> Generator[tuple[str, str, RunRecord]]:
    """(unit, what is planted in it in words, its run) in order, as they end; each is then in the folder's store.

    They run in processes, and this one alone writes: of two that do, SQLite may damage the file (sharing_caution).
    """
    global _take
    from wakeboard.harness.describe.load import load_units
    from wakeboard.results.store.store import Store

    _take = _taker(demo.folder)  # before the processes part, so that it is made once
    units = load_units(demo.folder / "units.toml").units
    with closing(_each(_run, list(units), _begin_to_run, demo.folder)) as runs:
        for (name, unit), run in zip(units.items(), runs, strict=True):
            with Store.open(str(demo.folder / DATABASE)) as store:
                record = _kept(store, run)
            demo.runs.append(record.as_json())
            yield name, unit.says, record


def explain_units(demo: Demo) -> Generator[tuple[str, dict[str, Any]]]:
    """(unit, what explains its run, as `explain --json` has it) in order, as they are found."""
    global _company
    runs = [run["run"] for run in demo.runs]
    _company = _gathered(demo.folder, runs)
    units = [case.unit for case in _company]
    with closing(_each(_explain, units, _begin_to_explain, demo.folder, runs)) as explained:
        for unit, document in zip(units, explained, strict=True):
            demo.explain[unit] = document
            yield unit, document


def conclude(demo: Demo) -> None:
    """Compare the units, write the report."""
    from wakeboard.results.compare.compare import compare_store
    from wakeboard.results.report.render import report_board
    from wakeboard.results.store.store import Store

    board = demo.review["board"]
    with Store.open(str(demo.folder / DATABASE)) as store:
        demo.compare = compare_store(store, board).as_json()
        page = report_board(store, board, explain=demo.explain, review=demo.review)
    demo.report.write_text(page, encoding="utf-8")


# --- on as many processes as there are processors -------------------------------------------------------------------
_take: Take | None = None
_company: list[Case] = []
"""Of this process: inherited from the one that started it, or made as it begins."""


def _each(
    work: Callable[[str], Done], units: Sequence[str], begin: Callable[..., None], *values: object
) -> Generator[Done]:
    """What `work` gives of each unit, in order."""
    from wakeboard.harness.rehearse.pool import under_way

    count = min(os.cpu_count() or 1, len(units))
    if count == 1:
        yield from map(work, units)
        return
    with under_way(count, work, [(unit,) for unit in units], begin, values) as futures:
        for future in futures:
            yield future.result()


def _begin_to_run(folder: Path) -> None:
    global _take
    _take = _take or _taker(folder)


def _taker(folder: Path) -> Take:
    """Takes a unit through the sequence and keeps nothing. One compiled circuit and one table of predictions serve
    all."""
    from wakeboard.harness.describe.load import load_sequence, load_units
    from wakeboard.harness.run.bench.virtual import prepare_board
    from wakeboard.harness.run.predict import CircuitLimits
    from wakeboard.harness.run.session import take_unit

    sequence, units = load_sequence(folder / SEQUENCE), load_units(folder / "units.toml")
    prepared, predictor = prepare_board(sequence.board), CircuitLimits(sequence.board)

    def take(unit: str) -> RunRecord:
        return take_unit(
            sequence, unit=unit, plants=units.plants(unit), predictor=predictor, prepared=prepared,
            operator_name="demo",
        ).record  # fmt: skip

    return take


def _run(unit: str) -> RunRecord:
    assert _take is not None
    return _take(unit)


def _kept(store: Store, record: RunRecord) -> RunRecord:
    run = store.begin_run(record.start)
    for step in record.steps:
        store.commit_step(run, step)
    store.end_run(
        run, record.outcome or "error", outputs_off=record.outputs_off, energised_s=record.energised_s or 0.0,
        trip=record.trip, says=record.says,
    )  # fmt: skip
    return replace(record, id=run)


def _begin_to_explain(folder: Path, runs: list[str]) -> None:
    global _company
    _company = _company or _gathered(folder, runs)


def _gathered(folder: Path, runs: Sequence[str]) -> list[Case]:
    """The units beside each other; what the drawn board does to their readings is solved once."""
    from wakeboard.harness.explain.explaining import company
    from wakeboard.results.store.store import Store

    with Store.open(str(folder / DATABASE), read_only=True) as store:
        return company(store, runs)


def _explain(unit: str) -> dict[str, Any]:
    from wakeboard.harness.explain.explaining import explain_case

    (case,) = [each for each in _company if each.unit == unit]
    return explain_case(case, [other for other in _company if other is not case]).as_json()
