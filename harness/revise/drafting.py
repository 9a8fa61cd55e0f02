"""A first plan out of what is known: findings in the ledger, and the concerns of the review.

    plan = from_findings(board, store, "B")      every finding whose cause is the design, or that is carried
    plan = from_review(board, "B")               every concern that has a usual way out
    text = written(plan)                         revision-b.toml, to be edited by hand

A finding that blames a pull inside a part becomes known of that part (`learned`); the line that lost against it gets
the resistor of its bodge, with the worst case, from the readings that are its evidence. For the rest of a finding's
nets the review is asked, with what was learned, and its concerns are mended as usual (menders.py). What stays open is
told in the file.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import tomlkit

from wakeboard.harness.explain.lines.of_run import findings as line_findings
from wakeboard.harness.explain.unit.cases import net_of
from wakeboard.harness.revise.apply import revised
from wakeboard.harness.revise.menders import mends, pull_change
from wakeboard.harness.revise.plan import Change, Plan
from wakeboard.harness.revise.words import PULLS
from wakeboard.instruments.virtual.circuit.errors import CircuitError
from wakeboard.instruments.virtual.circuit.faults.fault import parse_fault

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.review.concern import Concern
    from wakeboard.results.ledger.ledger import Finding
    from wakeboard.results.store.store import Store


@dataclass
class Drafted:
    """A plan, and what it leaves to a person."""

    plan: Plan
    left: list[str] = field(default_factory=list)


def from_review(board: Board, revision: str, file: str = "board.toml") -> Drafted:
    """Every concern of a design with the change that usually mends it. Raises CircuitError, FileProblems."""
    from wakeboard.harness.review.review import review_board

    drafted = _Drafting(board, revision, file)
    for concern in review_board(board):
        drafted.mend(concern, ())
    return drafted.done()


def from_findings(board: Board, store: Store, revision: str, file: str = "board.toml") -> Drafted:
    """Every finding of the board that is the design's. Raises CircuitError, FileProblems, StoreError."""
    from wakeboard.results.ledger.ledger import Ledger

    drafted = _Drafting(board, revision, file)
    found = [each for each in Ledger(store).findings(board.name) if each.carried or each.cause == "design"]
    for finding in found:
        drafted.learn(finding)
    asked = [_Asked.of(board, store, finding) for finding in found]
    for each in asked:
        drafted.pulls(store, each)
    drafted.concerns(asked)
    return drafted.done()


@dataclass(frozen=True)
class _Asked:
    """A finding with the nets that it is about and its evidence in words."""

    finding: Finding
    nets: tuple[str, ...]
    evidence: tuple[str, ...]

    @classmethod
    def of(cls, board: Board, store: Store, finding: Finding) -> _Asked:
        find = net_of(board)
        nets = [find(reading) for reading in _readings_of(store, finding)]
        for text in finding.faults:
            fault = parse_fault(text)
            if fault.part in board.parts:
                pins = board.parts[fault.part].pins
                nets += [pins[fault.pin]] if fault.pin in pins else list(pins.values())
        kept = dict.fromkeys(net for net in nets if net and net != board.ground)
        return cls(finding, tuple(kept), tuple(_evidence(store, finding)))


def _readings_of(store: Store, finding: Finding) -> Iterator[str]:
    """What the readings are of that a finding rests on: one, a step's, or those of a run that were not good."""
    for item in finding.evidence:
        for step in store.run(item.run, blobs=False).steps:
            for place, reading in enumerate(step.readings):
                named = item.position == place or (item.position is None and reading.outcome in ("fail", "marginal"))
                if item.step in (None, step.number) and named:
                    yield reading.of


def _evidence(store: Store, finding: Finding) -> Iterator[str]:
    from wakeboard.results.ledger.text import tell_reading

    for item in finding.evidence:
        record = store.run(item.run, blobs=False)
        text = f"{item.unit or record.unit}, run {item.run[:8]}"
        step = next((step for step in record.steps if step.number == item.step), None)
        if step is not None:
            text += f", step {step.number}"
            if item.position is not None:
                text += f": {tell_reading(step.readings[item.position])}"
        yield text
    for serial in dict.fromkeys(item.unit for item in finding.evidence if item.unit):
        yield from _rework(store, serial, finding)


def _rework(store: Store, serial: str, finding: Finding) -> Iterator[str]:
    """What was done to the units of the evidence and is in force: a bodge that holds is evidence too."""
    from wakeboard.results.ledger.ledger import Ledger

    for done in Ledger(store).reworks(serial, finding.board):
        if done.undone_at is None:
            yield f"{serial}, rework: {done.text}"


class _Drafting:
    """A plan while it grows. What stands twice is kept once, with both findings."""

    def __init__(self, board: Board, revision: str, file: str) -> None:
        self.board, self.revision, self.file = board, revision, file
        self.changes: list[Change] = []
        self.learned: list[str] = []
        self.left: list[str] = []

    def plan(self) -> Plan:
        plan = Plan(board=self.file, revision=self.revision, learned=tuple(self.learned), change=self.changes)
        return plan

    def done(self) -> Drafted:
        return Drafted(self.plan(), self.left)

    def learn(self, finding: Finding) -> None:
        for text in finding.faults:
            fault = parse_fault(text)
            part = self.board.parts.get(fault.part)
            if fault.kind in PULLS and part is not None and part.kind == "chip" and text not in self.learned:
                self.learned.append(text)

    def add(self, change: Change, asked: Sequence[_Asked]) -> None:
        numbers = tuple(dict.fromkeys(each.finding.number for each in asked))
        evidence = tuple(dict.fromkeys(text for each in asked for text in each.evidence))
        for place, known in enumerate(self.changes):
            if set(change.do) & set(known.do) or _targets(change) & _targets(known):
                more = {
                    "findings": tuple(dict.fromkeys((*known.findings, *numbers))),
                    "evidence": tuple(dict.fromkeys((*known.evidence, *evidence))),
                }
                self.changes[place] = known.model_copy(update=more)
                return
        self.changes.append(change.model_copy(update={"findings": numbers, "evidence": evidence}))

    def pulls(self, store: Store, asked: _Asked) -> None:
        """The bodges of a finding's lines, from its own evidence, drawn."""
        lines = {line.name: line for line in self.board.lines.values() if line.net in asked.nets}
        for run in dict.fromkeys(item.run for item in asked.finding.evidence):
            for found in line_findings(self.board, store.run(run)):
                if found.name in lines and found.bodge is not None and found.bodge.fit_ohms is not None:
                    line, bodge = lines.pop(found.name), found.bodge
                    self.add(
                        pull_change(
                            self.board, line, bodge.across, bodge.fit_ohms or 0.0, bodge.replace_ohms, bodge.to,
                            asked.finding.title, bodge.says,
                        ),
                        [asked],
                    )  # fmt: skip

    def concerns(self, asked: Sequence[_Asked]) -> None:
        """What the review says of the findings' nets, with what was learned and the changes so far."""
        from wakeboard.harness.review.review import review_board

        if not asked:
            return
        try:
            board = revised(self.board, self.plan())
            found = review_board(board)
        except CircuitError as error:
            self.left.append(f"the board with these changes has no answer: {error}")
            return
        about = {id(each): [one for one in asked if _touches(each, one)] for each in found}
        for concern in found:
            if about[id(concern)]:
                self.mend(concern, about[id(concern)], board)
        for each in asked:
            if not any(each.finding.number in change.findings for change in self.changes):
                self.left.append(f"finding {each.finding.number}, {each.finding.title}: no change known for it")

    def mend(self, concern: Concern, asked: Sequence[_Asked], board: Board | None = None) -> None:
        ways = mends(board or self.board, concern)
        if ways:
            self.add(ways[0], asked)
        else:
            self.left.append(f"{concern.rule}: {concern.says}; {concern.do}")


def _targets(change: Change) -> set[tuple[str, str]]:
    return {(fault.target, fault.kind) for fault in map(parse_fault, change.do)}


def _touches(concern: Concern, asked: _Asked) -> bool:
    nets = {*concern.nets, *(net for each in concern.also for net in each.nets)}
    return bool(nets & set(asked.nets))


# --- as a file ------------------------------------------------------------------------------------------------------
def written(drafted: Drafted) -> str:
    """The plan as TOML, with what is left to a person as comments."""
    plan = drafted.plan
    file = tomlkit.document()
    file.add(tomlkit.comment(f"What becomes of {plan.board} in revision {plan.revision}. Edit it; then"))
    file.add(tomlkit.comment("`wakeboard revise judge` says what each change mends, and whether it breaks anything."))
    for text in drafted.left:
        file.add(tomlkit.comment(f"left to you: {' '.join(text.split())}"))
    file["board"], file["revision"] = plan.board, plan.revision
    if plan.learned:
        file["learned"] = list(plan.learned)
        file["learned"].comment("what the units showed of parts as they are")
    rows = tomlkit.aot()
    for change in plan.changes:
        rows.append(_row(change))
    if plan.changes:
        file["change"] = rows
    return tomlkit.dumps(file)


def _row(change: Change) -> tomlkit.items.Table:
    row = tomlkit.table()
    row["title"] = change.title
    if change.why:
        row["why"] = change.why
    for key in ("do", "mends", "findings", "evidence"):
        value = list(getattr(change, key))
        if value:
            row[key] = value
    for key in ("add", "swap", "put"):
        tables = dict(getattr(change, key))
        if tables:
            row[key] = tables
    return row
