"""What the units of a board have taught of its parts, nothing weighed: what all show otherwise than drawn.

    found = learnt(store, board)
    found.values          Learnt, the surest first;  found.units: whose runs told

Nothing of it is kept beside the runs: it is worked out of the latest run of each unit, in a second or two, and so is
never older than they are.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wakeboard.harness.describe.board.parts import value_unit
from wakeboard.harness.explain.evidence.freedom import SCALES
from wakeboard.harness.explain.evidence.roughness import Learnt
from wakeboard.harness.explain.rank.modelfit import learnt_values
from wakeboard.harness.explain.unit.cases import BoardModel, CannotExplain, Case
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.parts import kind_of
from wakeboard.results.records import ASKED

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.results.records import RunRecord
    from wakeboard.results.store.store import Store

LEAST_UNITS = 2  # what one unit shows may be that unit's own
MOST_UNITS = 12
"""Latest units that are read."""
MOST_VALUES = 40  # a bound on the report's length, not on what is fitted
COVERS = 2.0
"""Standard deviations that the tolerance of a written value stands for (GUM, k = 2)."""


@dataclass(frozen=True, slots=True)
class Taught:
    """units: whose latest runs told; scale: by how much the table's spreads fit best; values: what was learnt."""

    units: tuple[str, ...]
    scale: float
    values: tuple[Learnt, ...]


def learnt(store: Store, board: Board) -> Taught:
    """What the latest runs of a board's units tell of its parts.

    Raises StoreError, and CannotExplain where fewer than two units were measured with this very board file.
    """
    model = BoardModel.of(board)
    cases = [case for run in _latest(store, board) if (case := Case(run, model)).observations]
    if len(cases) < LEAST_UNITS:
        raise CannotExplain(
            f"{board.name} {board.revision}: {len(cases)} of its units has readings taken with this board file; "
            f"what a type of part does shows from {LEAST_UNITS} units on"
        )
    widest = max(cases, key=lambda case: len(case.observations))
    likelihood = widest.taught_by(cases)
    k = int(np.argmax(likelihood.weights[: len(SCALES)]))  # of those that were taught
    values = learnt_values(likelihood.unknowns, likelihood.freedoms[k], SCALES[k].parts, MOST_VALUES)
    return Taught(tuple(sorted(case.unit for case in cases)), SCALES[k].parts, values)


def _latest(store: Store, board: Board) -> Iterable[RunRecord]:
    """The latest run of each unit that was measured with this board file."""
    seen: set[str] = set()
    for summary in store.runs(board=board.name):
        if summary.unit in seen or summary.sequence == ASKED or summary.revision != board.revision:
            continue
        run = store.run(summary.id, blobs=False)
        if run.start.board_text == board.text and run.readings():
            seen.add(summary.unit)
            yield run
        if len(seen) >= MOST_UNITS:
            return


def as_keys(board: Board, value: Learnt) -> Mapping[str, object] | None:
    """The keys of a board file that state a learnt value, as nested tables; None where no key does."""
    name, _, tail = value.path.partition(".")
    part = board.parts.get(name)
    if part is None:
        return None
    text = written(value, value_unit(part, tail))
    head, dot, last = tail.partition(".")
    if not dot:
        return {"parts": {name: {tail: text}}} if tail in kind_of(part).values else None
    table = next((table for table in ("io", "supply") if head in part.values.get(table, {})), None)
    return {"parts": {name: {table: {head: {last: text}}}}} if table is not None else None


def written(value: Learnt, unit: str) -> str:
    """A learnt value as a board file states it: with its expanded uncertainty as tolerance, in whole percent."""
    percent = max(1, round(100 * COVERS * value.u / abs(value.value) + 0.499))
    return f"{show(value.value, unit, 3)} ± {percent} %"
