"""What happened, from three records that do not trust each other: the instrument's, the processes' and the store.

verdict = judge(evidence)
verdict.left_on, verdict.lost, verdict.wrong, verdict.off_after, verdict.told
"""

from __future__ import annotations

import ast
import json
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy.exc import DatabaseError

from tests.campaign.nursery import digest
from wakeboard.results.store.errors import StoreError
from wakeboard.results.store.store import Store

SLACK = 0.002  # s: a message is noted a moment before it is sent and a moment after it came


@dataclass(frozen=True)
class Event:
    """A line of the instrument's record. what: ">", "<" or "out"."""

    time: float
    name: str
    what: str
    text: str


@dataclass
class Verdict:
    """Of one run. left_on: supplies on at the end; off_after: s from the fault until nothing was on, None where
    nothing was on; told: the record or exit code says that outputs are not confirmed off; falsely: it says that they
    are, and they are not."""

    left_on: list[str] = field(default_factory=list)
    off_after: float | None = None
    lost: int = 0
    doubled: int = 0
    wrong: int = 0
    replies: int = 0
    told: bool = False
    falsely: bool = False
    code: int | None = None
    unseen: bool = False  # what came on after the fault was off again before anybody could have been answered
    notes: list[str] = field(default_factory=list)
    odd: bool = False  # anything that nobody planned: a traceback

    @property
    def bad(self) -> bool:
        return bool(self.lost or self.doubled or self.wrong or self.falsely or self.odd)


def record(path: Path, start: int = 0) -> list[Event]:
    """The instrument's record from a place in its file."""
    with path.open("rb") as stream:
        stream.seek(start)
        whole = stream.read().rpartition(b"\n")[0]  # a line may be half written while it is read
    fields = (line.split("\t", 3) for line in whole.decode().split("\n") if line)
    return [Event(float(at), name, what, ast.literal_eval(text)) for at, name, what, text in fields]


def said(path: Path) -> list[dict[str, Any]]:
    """What the processes noted."""
    if not path.exists():
        return []
    return [json.loads(line) for line in path.read_text().splitlines() if line.endswith("}")]


def judge(events: Sequence[Event], notes: Sequence[dict[str, Any]], db: Path, code: int | None, out: str,
          fault_at: float | None) -> Verdict:  # fmt: skip
    verdict = Verdict(code=code)
    on = _still_on(events)
    verdict.left_on = sorted(on)
    verdict.off_after = off_after(events, fault_at)
    verdict.unseen = unseen(events, fault_at)
    result = next((each for each in notes if each["what"] == "result"), None)
    verdict.told = code == 6 or (code is not None and code < 0)
    if result is not None:
        confirmed = all(state == "off" for state in result["off"].values())
        verdict.falsely = confirmed and bool(on)
        verdict.notes.append(f"{result['outcome']}, {result['error']}: {result['says']}")
    verdict.notes += [f"{each['kind']}: {each['says']}" for each in notes if each["what"] == "refused"]
    if "Traceback" in out:
        verdict.odd = True
        verdict.notes.append(out[-1500:])
    _steps(verdict, notes, db)
    _replies(verdict, events, notes)
    return verdict


def _still_on(events: Sequence[Event]) -> set[str]:
    on: set[str] = set()
    for event in events:
        if event.what == "out":
            (on.add if event.text == "on" else on.discard)(event.name)
    return on


def off_after(events: Sequence[Event], fault_at: float | None) -> float | None:
    """Seconds from the fault until no output was on, where one was on at the fault or came on after it."""
    if fault_at is None:
        return None
    on: set[str] = set()
    dark: float | None = None
    for event in events:
        if event.what != "out":
            continue
        was = bool(on)
        (on.add if event.text == "on" else on.discard)(event.name)
        if was and not on and event.time >= fault_at:
            dark = event.time - fault_at
    return dark


def unseen(events: Sequence[Event], fault_at: float | None) -> bool:
    """Whether outputs came on after the fault, and each was off again, by a command that was on its way, before the
    supply answered anything: no program can tell of that."""
    came = [k for k, e in enumerate(events) if fault_at is not None and e.time >= fault_at and _is(e, "on")]
    for k in came:
        ends = next(
            (n for n in range(k, len(events)) if events[n].name == events[k].name and _is(events[n], "off")), None
        )
        if ends is None or any(e.what == "<" and e.name == "supply" for e in events[k:ends]):
            return False
    return bool(came)


def _is(event: Event, state: str) -> bool:
    return event.what == "out" and event.text == state


def _steps(verdict: Verdict, notes: Sequence[dict[str, Any]], db: Path) -> None:
    """Every acknowledged step is there, once and whole; no step that was never begun."""
    acknowledged = {each["step"]: each["digest"] for each in notes if each["what"] == "ack"}
    begun = next((each["run"] for each in notes if each["what"] == "begun"), None)
    if begun is None:
        return
    try:
        with Store.open(db, create=False) as store:
            store.mark_abandoned()
            found = store.run(begun)
            with store.database.reading() as connection:
                if connection.exec_driver_sql("PRAGMA integrity_check").scalar() != "ok":
                    verdict.odd = True
                    verdict.notes.append("the store is damaged")
                rows = connection.exec_driver_sql("SELECT run_id, number, count(*) FROM step GROUP BY 1, 2").all()
    except (StoreError, DatabaseError) as error:
        kept = _beside(db)
        verdict.odd = True
        verdict.lost = len(set(acknowledged) - kept)
        verdict.notes.append(f"the store cannot be read: {error}; beside it: steps {sorted(kept)}")
        return
    verdict.doubled = sum(count - 1 for _, _, count in rows)
    there = {step.number: digest(step) for step in found.steps}
    verdict.lost = sum(1 for number, mark in acknowledged.items() if there.get(number) != mark)
    if len(there) > len(acknowledged) + 1:
        verdict.odd = True
        verdict.notes.append(f"more steps than were begun: {sorted(there)} after {sorted(acknowledged)}")
    if found.outcome is None:
        verdict.odd = True
        verdict.notes.append("a run without an end is not marked")


def _beside(db: Path) -> set[int]:
    """Numbers of the steps that the runner kept in a file of their own."""
    files = db.parent.glob(f"{db.name}.kept-*.jsonl")
    return {json.loads(line)["number"] for path in files for line in path.read_text().splitlines()}


def exchanges(events: Sequence[Event]) -> dict[str, list[tuple[float, float, str, str]]]:
    """instrument -> [(question began, reply left, question, reply)], in the instrument's order."""
    found: dict[str, list[tuple[float, float, str, str]]] = defaultdict(list)
    asked: dict[str, Event] = {}
    for event in events:
        if event.what == ">":
            asked[event.name] = event
        elif event.what == "<" and event.name in asked:  # else: asked in the run before, to nobody any more
            found[event.name].append((asked[event.name].time, event.time, asked[event.name].text, event.text))
    return found


def taken(notes: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """The replies that a driver used."""
    kept: list[dict[str, Any]] = []
    last: dict[tuple[str, str], int] = {}
    for each in notes:
        if each["what"] == "took":
            last[each["role"], each["name"]] = len(kept)
            kept.append(each)
        elif each["what"] == "void" and (place := last.get((each["role"], each["name"]))) is not None:
            kept[place] = {**kept[place], "void": True}
    return [each for each in kept if "void" not in each]


def _replies(verdict: Verdict, events: Sequence[Event], notes: Sequence[dict[str, Any]]) -> None:
    """Each reply that was used is the instrument's reply to that very question, asked and answered in that time."""
    answered = exchanges(events)
    used: set[tuple[str, int]] = set()
    for took in taken(notes):
        verdict.replies += 1
        for place, (began, left, question, reply) in enumerate(answered.get(took["name"], ())):
            if left < took["started"] - SLACK or (took["name"], place) in used:
                continue
            if began > took["time"] + SLACK:
                verdict.wrong += 1
                verdict.notes.append(f"{took['name']}: {took['line']!r} took {took['reply']!r}")
                break
            if began >= took["started"] - SLACK and question == took["line"].strip() and reply == took["reply"]:
                used.add((took["name"], place))
                break
        else:
            verdict.wrong += 1
            verdict.notes.append(f"{took['name']}: {took['line']!r} took {took['reply']!r}, which was never said")
