"""Records of the ledger: units, history, findings. Times are wall-clock seconds since 1970-01-01 UTC."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

STATES: Final = ("open", "explained", "mended", "carried")
CAUSES: Final = ("", "design", "assembly", "part", "bench")


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit as the ledger lists it. `outcome` (as RunRecord.word) and `last_run` belong to its latest
    run."""

    board: str
    serial: str
    first_seen: float
    runs: int = 0
    last_run: str = ""
    last_started: float | None = None
    outcome: str | None = None
    rework: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class Note:
    text: str
    at: float
    by: str


@dataclass(frozen=True, slots=True)
class Event:
    """One line of a unit's history. `kind`: "seen", "run", "rework", "undone", "note", "photo" or "finding"."""

    at: float
    kind: str
    text: str
    run: str = ""
    by: str = ""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a finding rests on: a run, or one of its steps (numbered from 1), or one reading (position from 0)."""

    run: str
    step: int | None = None
    position: int | None = None
    text: str = ""
    unit: str = ""


@dataclass(frozen=True, slots=True)
class FindingEvent:
    """A finding moved on: to which state, in what words; `faults` explain it, `cause` is one of CAUSES."""

    state: str
    text: str
    at: float
    by: str
    faults: Sequence[str] = ()
    cause: str = ""
    revision: str = ""


@dataclass(frozen=True, slots=True)
class Finding:
    """An oddity that a person keeps, with all that was said of it since."""

    number: int
    uuid: str
    board: str
    title: str
    text: str
    at: float
    by: str
    events: Sequence[FindingEvent] = ()
    evidence: Sequence[Evidence] = ()

    @property
    def state(self) -> str:
        return self.events[-1].state if self.events else "open"

    @property
    def _since_opened(self) -> Sequence[FindingEvent]:
        opened = max((place for place, event in enumerate(self.events) if event.state == "open"), default=-1)
        return self.events[opened + 1 :]

    @property
    def carried(self) -> bool:
        """Whether it is on the list for the next revision; mending units afterwards does not take it off."""
        return any(event.state == "carried" for event in self._since_opened)

    @property
    def cause(self) -> str:
        return next((event.cause for event in reversed(self._since_opened) if event.cause), "")

    @property
    def faults(self) -> Sequence[str]:
        """The fault texts of the explanation in force."""
        return next((event.faults for event in reversed(self._since_opened) if event.state == "explained"), ())

    def as_json(self) -> dict[str, object]:
        return {
            "number": self.number,
            "uuid": self.uuid,
            "board": self.board,
            "title": self.title,
            "text": self.text,
            "state": self.state,
            "carried": self.carried,
            "cause": self.cause,
            "faults": list(self.faults),
            "at": self.at,
            "by": self.by,
            "events": [
                {
                    "state": e.state,
                    "text": e.text,
                    "at": e.at,
                    "by": e.by,
                    "cause": e.cause,
                    "faults": list(e.faults),
                    "revision": e.revision,
                }
                for e in self.events
            ],
            "evidence": [
                {"run": e.run, "unit": e.unit, "step": e.step, "position": e.position, "text": e.text}
                for e in self.evidence
            ],
        }
