"""The sequences of a board rehearsed on both revisions, and what of a sequence has to change with the board.

found = rehearsed(beside, "first-power-on.toml")      raises FileProblems, NoRehearsal
"""

from __future__ import annotations

import dataclasses
import multiprocessing
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from wakeboard.harness.describe.load import load_sequence
from wakeboard.harness.describe.sequence.checks import check_sequence
from wakeboard.harness.describe.sequence.sequence import step_tables
from wakeboard.harness.describe.toml.document import read, read_text
from wakeboard.harness.rehearse.rehearsal import rehearse

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.describe.sequence.sequence import Sequence
    from wakeboard.harness.rehearse.rehearsal import Rehearsal
    from wakeboard.harness.revise.judging import Beside


@dataclass(frozen=True)
class Rehearsals:
    """One sequence on A and on B. to_do: what the sequence must have changed, in sentences. after: None where the
    sequence does not fit B at all."""

    sequence: str
    before: Rehearsal
    after: Rehearsal | None
    to_do: list[str] = field(default_factory=list)

    @property
    def caught_now(self) -> list[str]:
        return self._now("escaped", "caught")

    @property
    def escapes_now(self) -> list[str]:
        return self._now("caught", "escaped")

    @property
    def burns_now(self) -> list[str]:
        if self.after is None:
            return []
        return sorted({each.fault for each in self.after.burned} - {each.fault for each in self.before.burned})

    def _now(self, was: str, now: str) -> list[str]:
        if self.after is None:
            return []
        before = {each.fault for each in getattr(self.before, was)}
        return sorted(before & {each.fault for each in getattr(self.after, now)})

    @property
    def at_least(self) -> bool:
        """Whether B's boards are guarded as well as A's: no smaller share caught, nothing more burned."""
        if self.after is None:
            return False
        shares = (self.before.coverage or 0.0, self.after.coverage or 0.0)
        return shares[1] >= shares[0] and not self.burns_now

    def as_json(self) -> dict[str, object]:
        return {
            "sequence": self.sequence,
            "coverage": [self.before.coverage, self.after.coverage if self.after else None],
            "faults": [self.before.faults, self.after.faults if self.after else None],
            "outcome_as_drawn": [self.before.good.outcome, self.after.good.outcome if self.after else None],
            "caught_now": self.caught_now, "escapes_now": self.escapes_now, "burns_now": self.burns_now,
            "at_least": self.at_least, "to_do": self.to_do,
        }  # fmt: skip


def rehearsed(beside: Beside, file: str) -> Rehearsals:
    """Raises FileProblems for a sequence that does not fit A, NoRehearsal where the virtual bench has no answer."""
    drawn = load_sequence(file)
    workers = None if multiprocessing.get_start_method() == "fork" else 1  # other processes would read A's file again
    before = rehearse(dataclasses.replace(drawn, board=beside.before.board), workers=workers, save=False)
    wrong = _misfits(file, beside.after.board)
    if wrong:
        return Rehearsals(drawn.title, before, None, wrong)
    after = rehearse(dataclasses.replace(drawn, board=beside.after.board), workers=workers, save=False)
    return Rehearsals(drawn.title, before, after, list(_to_do(drawn, beside, before, after)))


def _misfits(file: str, board: Board) -> list[str]:
    """What the sequence names and B has not."""
    document = read(file)
    check_sequence(step_tables(document), document, board)
    return [f"line {each.line}, {each.key}: {each.found} (allowed: {each.allowed})" for each in document.problems]


def _to_do(sequence: Sequence, beside: Beside, before: Rehearsal, after: Rehearsal) -> Iterator[str]:
    """Readings that B as drawn no longer passes, those that it passes only now, and what nothing reads yet."""
    here, there = before.good, after.good
    for key, outcome in there.readings.items():
        number, of, quantity, _ = key
        was = here.readings.get(key)
        if outcome in ("fail", "marginal") and was == "pass":
            yield f"step {number} ({there.names[number]}): {of}, {quantity}: B as drawn is {outcome} there; its limits"
    for number, outcome in there.steps.items():
        if outcome not in ("pass", "skipped") and here.steps.get(number) == "pass" and not _told(there, number):
            yield f"step {number} ({there.names[number]}): B as drawn ends {outcome} there"
    read_nets = {_net(beside.after.board, of) for _, of, _, _ in there.readings}
    old = beside.before.board
    for table in ("supplies", "rails", "lines"):
        for name, row in getattr(beside.after.board, table).items():
            if name not in getattr(old, table) and row.net not in read_nets:
                yield f"{name} is new, and no step of {sequence.title} reads it"


def _told(trial: Any, number: int) -> bool:
    return any(key[0] == number and outcome in ("fail", "marginal") for key, outcome in trial.readings.items())


def _net(board: Board, name: str) -> str:
    try:
        return board.net_of(name)
    except KeyError:
        return name


def sequence_text(text: str, board: str) -> str:
    """A sequence's text, made to name another board file."""
    import tomlkit

    file = tomlkit.parse(read_text(text, "sequence").text)
    file["board"] = board
    return tomlkit.dumps(file)
