"""Skep's five units: review, first power-on of each, comparison, explanation, one report, in a folder to play with."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from wakeboard.results.records import RunRecord

FILES: Final = ("board.toml", "first-power-on.toml", "bring-up.toml", "units.toml")
SEQUENCE: Final = "first-power-on.toml"
DATABASE: Final = "wakeboard.db"
REPORT: Final = "report.html"


class FolderTaken(Exception):
    """The folder holds something already; nothing was written."""


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
    """Copy Skep's files into a folder that is new or empty. Raises FolderTaken."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise FolderTaken(f"{folder} is not empty; name another folder: wakeboard demo {folder.name}-2")
    folder.mkdir(parents=True, exist_ok=True)
    source = resources.files("wakeboard.sequences").joinpath("demo", "skep")
    for name in FILES:
        (folder / name).write_text(source.joinpath(name).read_text(encoding="utf-8"), encoding="utf-8")


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


def run_units(demo: Demo) -> Iterator[tuple[str, str, RunRecord]]:
    """(unit, what is planted in it in words, its run) as they end; each is committed to the folder's store."""
    from wakeboard.harness.describe.load import load_sequence, load_units
    from wakeboard.harness.run.bench.virtual import prepare_board
    from wakeboard.harness.run.predict import CircuitLimits
    from wakeboard.harness.run.session import take_unit
    from wakeboard.results.store.store import Store

    sequence = load_sequence(demo.folder / SEQUENCE)
    units = load_units(demo.folder / "units.toml")
    # one compiled circuit and one table of predictions serve all five units
    prepared, predictor = prepare_board(sequence.board), CircuitLimits(sequence.board)
    with Store.open(str(demo.folder / DATABASE)) as store:
        for name, unit in units.units.items():
            result = take_unit(
                sequence, unit=name, plants=units.plants(name), store=store, predictor=predictor, prepared=prepared,
                operator_name="demo",
            )  # fmt: skip
            demo.runs.append(result.record.as_json())
            yield name, unit.says, result.record


def conclude(demo: Demo) -> None:
    """Compare the units, explain each run, write the report."""
    from wakeboard.harness.explain.explaining import explain_units
    from wakeboard.results.compare.compare import compare_store
    from wakeboard.results.report.render import report_board
    from wakeboard.results.store.store import Store

    board = demo.review["board"]
    with Store.open(str(demo.folder / DATABASE)) as store:
        demo.compare = compare_store(store, board).as_json()
        explained = explain_units(store, [run["run"] for run in demo.runs])
        demo.explain = {unit: each.as_json() for unit, each in explained.items()}
        page = report_board(store, board, explain=demo.explain, review=demo.review)
    demo.report.write_text(page, encoding="utf-8")
