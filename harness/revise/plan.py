"""The file of changes, `revision-b.toml`: what becomes of a board in its next revision.

plan = load_plan("revision-b.toml")      raises FileProblems
plan.changes[0].do                       ("R31:value=1k",)     in the words of faults and rework
plan.learned                             ("U5.NRST:pull_up=13k",)    what the units showed of parts as drawn
"""

from __future__ import annotations

import os
from typing import Any

from pydantic import Field, PrivateAttr

from wakeboard.harness.describe.load import beside
from wakeboard.harness.describe.problems import FileProblems
from wakeboard.harness.describe.toml.collect import validated
from wakeboard.harness.describe.toml.document import Document, read
from wakeboard.harness.describe.toml.fields import Names, Table
from wakeboard.instruments.virtual.circuit.errors import CircuitError

SECTIONS = ("board", "supplies", "rails", "lines", "points", "parts", "links", "target")


class Change(Table):
    """One change. do: fault texts as a design can follow them; add, swap: parts by name as a board file has them; put:
    any other keys of the board file; mends: concerns that it is meant to mend, as "rule" or "rule NET"."""

    title: str = Field(min_length=1, description="what is changed, in a line")
    why: str = ""
    do: Names = ()
    add: dict[str, object] = Field(default_factory=dict)
    swap: dict[str, object] = Field(default_factory=dict)
    put: dict[str, object] = Field(default_factory=dict)
    mends: Names = ()
    findings: tuple[int, ...] | list[int] = ()
    evidence: Names = ()

    @property
    def empty(self) -> bool:
        return not (self.do or self.add or self.swap or self.put)


class Plan(Table):
    """A revision. learned: pulls inside parts that the units of the board showed; they are as true of the next."""

    board: str = Field(min_length=1, description='the board file that the changes start from, "board.toml"')
    revision: str = Field(min_length=1, description="the new revision, in quotes")
    says: str = ""
    learned: Names = ()
    changes: list[Change] = Field(default_factory=list, alias="change")
    _file: str = PrivateAttr("")

    def comes_from(self, file: str) -> None:
        """Where it was read."""
        self._file = file

    @property
    def file(self) -> str:
        return self._file

    @property
    def board_file(self) -> str:
        return str(beside(self._file, self.board))


def load_plan(file: str | os.PathLike[str]) -> Plan:
    """The changes that a file lists. Raises FileProblems."""
    document = read(file)
    plan = plan_of(document)
    if plan is None:
        raise FileProblems(document.problems)
    return plan


def plan_of(document: Document) -> Plan | None:
    """The plan of a document; None where it has problems, which are then in the document."""
    plan = validated(Plan, document) if document.readable else None
    if plan is None:
        return None
    for index, change in enumerate(plan.changes):
        _check(document, index, change)
    for index, text in enumerate(plan.learned):
        _check_words(document, ("learned", index), text, pulls=True)
    if document.problems:
        return None
    plan.comes_from(document.file)
    return plan


def _check(document: Document, index: int, change: Change) -> None:
    if change.empty:
        document.add(("change", index), "a change that changes nothing", "do, add, swap or put")
    for place, text in enumerate(change.do):
        _check_words(document, ("change", index, "do", place), text, pulls=False)
    for key in change.put:
        if key not in SECTIONS:
            document.add(("change", index, "put", key), f'"{key}"', f"a table of a board file: {', '.join(SECTIONS)}")


def _check_words(document: Document, path: tuple[Any, ...], text: str, *, pulls: bool) -> None:
    from wakeboard.harness.revise.words import check_word
    from wakeboard.instruments.virtual.circuit.faults.fault import parse_fault

    try:
        check_word(parse_fault(text), pulls=pulls)
    except CircuitError as error:
        document.add(path, f'"{text}"', str(error))
