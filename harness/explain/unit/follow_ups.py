"""Measurements that an explanation asked for: kept as a run of their own, which names the run that it explains.

They are kept for the same unit under the title `wakeboard.results.records.ASKED`. A later explanation of that run takes
them in, as long as the unit carries the same rework: a reworked board is another circuit.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from wakeboard.harness.explain.evidence.observe import CURRENT, VOLTS, Observation, observations
from wakeboard.results.records import ASKED, Step

if TYPE_CHECKING:
    from wakeboard.harness.explain.unit.cases import BoardModel
    from wakeboard.results.records import RunRecord
    from wakeboard.results.store.store import Store


def sequence_text(run: RunRecord) -> str:
    """The text that stands for the sequence of a run of asked measurements."""
    return (
        f"# What `explain` asked to be measured, one step after the other.\ntitle = {json.dumps(ASKED)}\n"
        f"explains = {json.dumps(run.id)}\n"
    )


def explains(run: RunRecord) -> str:
    """The id of the run that a run of asked measurements explains; "" for any other run."""
    if run.sequence != ASKED:
        return ""
    try:
        return str(tomllib.loads(run.start.sequence_text).get("explains", ""))
    except tomllib.TOMLDecodeError:
        return ""


def explained_run(store: Store, ref: str | None) -> RunRecord:
    """The run that is meant: of a run of asked measurements the one that it explains. Raises StoreError."""
    run = store.run(ref, blobs=False)
    meant = explains(run)
    return store.run(meant, blobs=False) if meant else run


def readings_since(store: Store, run: RunRecord, model: BoardModel) -> list[Observation]:
    """What was asked for and measured of this run since, oldest first; nothing from before or after a rework."""
    known = set(model.circuit.nets)
    found: list[Observation] = []
    for summary in reversed(store.runs(board=run.board, unit=run.unit, sequence=ASKED)):
        kept = store.run(summary.id, blobs=False)
        if explains(kept) == run.id and _same_board(kept, run):
            found += [o for o in observations(kept, model.net_of) if o.quantity == CURRENT or o.of in known]
    return found


def with_readings(run: RunRecord, made: Sequence[Observation]) -> RunRecord:
    """The run with volts that were read since as a last step of it: a second load of a line tells what pulls it."""
    readings = [each.reading for each in made if each.quantity == VOLTS]
    if not readings:
        return run
    number = max((step.number for step in run.steps), default=0) + 1
    return replace(run, steps=[*run.steps, Step(number, ASKED, "line", "pass", 0.0, 0.0, readings)])


def _same_board(one: RunRecord, other: RunRecord) -> bool:
    rework = [[(each.text, tuple(each.faults)) for each in run.rework] for run in (one, other)]
    return rework[0] == rework[1] and one.start.board_text == other.start.board_text
