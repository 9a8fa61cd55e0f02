"""The sequence file: a title, the board, and the steps in order.

    sequence = load_sequence("first-power-on.toml")
    sequence.board.name, sequence.title
    for number, step in enumerate(sequence.steps, 1): ...      # each a step kind's own model

The kinds of step are asked of the runner's registry; each brings the model of its table. What depends on the order of
the steps is checked in `sequence_checks`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel, Field

from wakeboard.harness.describe.board.board import Board
from wakeboard.harness.describe.problems import nearest, one_of, quoted
from wakeboard.harness.describe.sequence.steps import step_kinds
from wakeboard.harness.describe.toml.collect import validated
from wakeboard.harness.describe.toml.document import Document
from wakeboard.harness.describe.toml.fields import Table


class SequenceHead(Table):
    """All but the steps."""

    title: str = Field(min_length=1, description="what the sequence is called")
    board: str = Field(min_length=1, description='the board file, such as "board.toml"')
    says: str = ""


@dataclass(frozen=True)
class Sequence:
    """A checked sequence. `steps` are models of their kinds; `lines` has the line of each in the file."""

    title: str
    board: Board
    steps: tuple[Any, ...]
    lines: tuple[int, ...] = ()
    says: str = ""
    file: str = ""
    text: str = ""


def read_head(document: Document) -> SequenceHead | None:
    """Title and board; what is wrong with them is added to the document."""
    data = {key: value for key, value in document.data.items() if key != "step"}
    return validated(SequenceHead, Document(document.file, document.text, data, document.lines, document.problems))


def step_tables(document: Document) -> list[dict[str, object]]:
    """The tables [[step]]; an empty list where there is none, which is a problem."""
    steps = document.data.get("step")
    if not isinstance(steps, list) or not steps:
        document.add(("step",), "nothing" if steps is None else quoted(steps), "[[step]] tables, at least one")
        return []
    return [step if isinstance(step, dict) else {} for step in steps]


def read_steps(document: Document, tables: list[dict[str, object]]) -> list[Any]:
    """A model for each step, None for one with problems, which are added to the document."""
    return [_step(document, index, table) for index, table in enumerate(tables)]


def _step(document: Document, index: int, table: dict[str, object]) -> BaseModel | None:
    known = step_kinds()
    do = table.get("do")
    kind = known.get(do) if isinstance(do, str) else None
    if kind is None:
        found = "nothing" if do is None else quoted(do)
        document.add(("step", index, "do"), found, one_of(map(quoted, known), 30), nearest(do, known) if do else "")
        return None
    return validated(kind.Model, document, ("step", index))
