"""Units of Skep with something planted, each through the whole bring-up, and what `explain` makes of their readings.

A unit's parts are drawn within their tolerances and its instruments have their errors, both by its serial number. The
runner, its steps and its decisions are those of every run; the instruments are the virtual hardware itself, without
their command languages (harness/rehearse/direct.py), which tests/rehearse/test_same_as_run.py holds to be the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from wakeboard.harness.describe.board.board import Board
from wakeboard.harness.describe.load import board_of, load_sequence
from wakeboard.harness.describe.sequence.sequence import Sequence
from wakeboard.harness.describe.toml.document import read_text
from wakeboard.harness.explain.explaining import Explanation
from wakeboard.harness.explain.rank.suspects import AT_REST, Suspect
from wakeboard.harness.explain.unit.cases import BoardModel, Case
from wakeboard.harness.rehearse.direct import Facts, open_direct
from wakeboard.harness.rehearse.reach import Reach, fault_library
from wakeboard.harness.run.bench.virtual import prepare_board, target_spec, virtual_bench
from wakeboard.harness.run.predict import CircuitLimits as Limits
from wakeboard.harness.run.runner import Runner
from wakeboard.instruments.virtual.bench import VirtualBench
from wakeboard.instruments.virtual.circuit import Fault, parse_fault
from wakeboard.results.records import RunRecord, RunStart

ROOT = Path(__file__).parent.parent.parent
SKEP = ROOT / "sequences" / "demo" / "skep" / "bring-up.toml"


@dataclass
class Line:
    """A production of units of one board on the virtual bench, their parts and instruments drawn by serial number.

    built: the board as it is really built, where that differs from the drawing that the sequence and explain know.
    """

    sequence: Sequence
    built: Board
    limits: Limits | None = None

    def __post_init__(self) -> None:
        self.prepared = prepare_board(self.built)
        self.target = target_spec(self.built)
        self.limits = self.limits or Limits(self.sequence.board)
        bench = virtual_bench(self.built, unit="tables", prepared=self.prepared, drawn=False)
        self.facts = Facts.of(bench)

    @classmethod
    def of(cls, file: Path = SKEP) -> Line:
        sequence = load_sequence(file)
        return cls(sequence, sequence.board)

    def run(self, plants: list[str], unit: str) -> RunRecord:
        """One unit through the whole sequence."""
        board = self.sequence.board
        start = RunStart(
            unit, board.name, board.revision, board.text, self.sequence.title, self.sequence.text,
            plants=plants, virtual=True,
        )  # fmt: skip
        virtual = VirtualBench(
            self.prepared, unit=unit, faults=[parse_fault(text) for text in plants], target=self.target,
            transients=False,
        )  # fmt: skip
        with open_direct(self.built, virtual, self.facts) as bench:
            return Runner(self.sequence, bench, start, predictor=self.limits).run().record

    @cached_property
    def model(self) -> BoardModel:
        return BoardModel.of(self.sequence.board)

    def case(self, plants: list[str], unit: str) -> Case:
        """A run's case; the circuit's answers are kept for all units of the line."""
        return Case(self.run(plants, unit), self.model)


def edited(line: Line, old: str, new: str) -> Line:
    """A line that builds another board than the drawing says."""
    text = line.sequence.board.text
    if old not in text:
        raise ValueError(f"{old!r} is not in the board file")
    document = read_text(text.replace(old, new, 1), "as built")
    board = board_of(document)
    if board is None or document.problems:
        raise ValueError("; ".join(str(problem) for problem in document.problems))
    return Line(line.sequence, board, line.limits)


def not_equivalent(board: Board) -> list[Fault]:
    """Faults that a bench could see at all, as a rehearsal has it: some reading that can be reached moves by more than
    tolerances and the meter do. Whether the sequence takes that reading is another matter."""
    library = fault_library(board)
    shows = Reach(board).shows([[fault] for fault in library])
    return [fault for fault, margins in zip(library, shows, strict=True) if margins.max() > 1]


# --- what is right --------------------------------------------------------------------------------------------------
@dataclass
class Outcome:
    """One trial: the rank of the true group (0: not named), its probability, and all (probability, was it true)."""

    fault: str
    rank: int
    probability: float
    named: list[tuple[float, bool]]
    seconds: float
    first: str = ""


def target(text: str) -> str:
    """A fault without its value."""
    return text if "stuck=" in text or "net=" in text or "variant=" in text else text.partition("=")[0]


def matches(suspects: list[Suspect], truth: Fault, text: str) -> bool:
    """Whether a named fault is the planted one, or one that does the same to the circuit.

    The same pull in another part, or a bridge between the two nets that a pull joins.
    """
    if target(text) == target(str(truth)):
        return True
    key = {target(s.write(s.low)): frozenset(_ends(s.same_as)) for s in suspects if s.same_as != AT_REST and s.same_as}
    a, b = key.get(target(str(truth))), key.get(target(text))
    return a is not None and a == b


def _ends(same_as: str) -> tuple[str, ...]:
    """The two nets of a pull ("net>rail") or of a bridge ("+3V3+GND", whose names may begin with a sign)."""
    if ">" in same_as:
        return tuple(same_as.split(">"))
    middle = same_as.find("+", 1)
    if middle < 0:  # a place whose members predict the same for another reason than two nets joined
        return (same_as,)
    return same_as[:middle], same_as[middle + 1 :]


def judge(model: BoardModel, truth: Fault, found: Explanation, seconds: float) -> Outcome:
    """Where the true fault stands. A group is right where one of its members is the planted fault, alone. Among those
    that no reading shows, beside the drawn board, it is not found, though what is said there is right."""
    named: list[tuple[float, bool]] = []
    place, mine = 0, 0.0
    for k, group in enumerate(found.groups, start=1):
        texts = [list(group.faults), *(text.split(" and ") for text, _ in group.same)]
        true = any(len(t) == 1 and matches(model.suspects, truth, t[0]) for t in texts)
        named.append((group.probability, true))
        if true and not place and group.faults:
            place, mine = k, group.probability
    return Outcome(str(truth), place, mine, named, seconds, found.groups[0].name)


def blamed(found: Explanation, guilty: tuple[str, ...]) -> float:
    """The largest probability on a group none of whose faults touches a guilty part or net."""
    worst = 0.0
    for group in found.groups:
        texts = [*group.faults, *(piece for text, _ in group.same for piece in text.split(" and "))]
        if group.faults and not any(touches(text, guilty) for text in texts):
            worst = max(worst, group.probability)
    return worst


def touches(text: str, guilty: tuple[str, ...]) -> bool:
    """Whether a fault's text names one of the parts or nets."""
    place = text.rpartition(":")[0]
    part = place.partition(".")[0]
    ends = tuple(net for net in guilty if place.startswith(f"{net}+") or place.endswith(f"+{net}"))
    return place in guilty or part in guilty or bool(ends)


# --- the page -------------------------------------------------------------------------------------------------------
PAGE = ROOT / "harness" / "explain" / "reliability.md"


def put(page: Path, heading: str, text: str) -> None:
    """Write one section of the page, leaving the others as they are."""
    before = page.read_text(encoding="utf-8") if page.exists() else "# How often is `explain` right?\n"
    head, *sections = before.split("\n## ")
    kept = {s.partition("\n")[0]: s.partition("\n")[2].strip() for s in sections}
    kept[heading] = text.strip()
    body = "\n\n".join(f"## {name}\n\n{content}" for name, content in kept.items())
    page.write_text(f"{head.strip()}\n\n{body}\n", encoding="utf-8")


def table(head: list[str], rows: list[list[Any]]) -> str:
    """A Markdown table."""
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(str(cell) for cell in row) + " |" for row in lines)
