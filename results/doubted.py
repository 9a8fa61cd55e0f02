"""What a reading by hand has to say for good: a key took it, and the meter had not seen the lead get there.

doubts(step)        ["TP3 taken by Enter: the lead was not seen to move from TP1, and it reads as VIN did"]
of_run(record)      the same of all steps, each with its step
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from wakeboard.results.told import Notes

if TYPE_CHECKING:
    from wakeboard.results.records import RunRecord, Step

ALIKE: Final = "read alike both ways: were the leads reversed?"
"""Of nets: a resistor reads so, and so do leads that nobody turned; no meter tells."""


def doubts(step: Step) -> list[str]:
    """In words, one a reading."""
    notes = Notes.of(step)
    alike = [f"{', '.join(notes.alike)} {ALIKE}"] if notes.alike else []
    return [*taken_by_key(step), *alike]


def taken_by_key(step: Step) -> list[str]:
    """Those alone that a key took against what the meter saw."""
    return list(dict.fromkeys((Notes.of(step).by_key or {}).values()))


def of_run(record: RunRecord) -> list[str]:
    """What a key took against what the meter saw, of all steps."""
    return [f"step {step.number} {step.name}: {said}" for step in record.steps for said in taken_by_key(step)]
