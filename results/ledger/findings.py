"""Findings: oddities that a person keeps, with evidence, explanation, mending, and what to change in the next revision.

A finding moves on by rows of its own (open, explained, mended, carried); nothing said of it is ever lost.
"""

from __future__ import annotations

import getpass
import json
import time
import uuid
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import sqlalchemy as sa

from wakeboard.results.ledger import text as ledger_text
from wakeboard.results.ledger.records import CAUSES, STATES, Evidence, Finding, FindingEvent
from wakeboard.results.records import RunRecord
from wakeboard.results.store import read as store_read
from wakeboard.results.store import schema
from wakeboard.results.store import text as store_text
from wakeboard.results.store.errors import StoreError
from wakeboard.results.store.store import Store


def operator() -> str:
    """Who is writing: the login name, or nothing where the system does not tell."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return ""


def new_row(*, text: str, by: str | None, **more: object) -> dict[str, Any]:
    """What every row of the ledger has: a UUID, the time, who writes, and a text."""
    name = operator() if by is None else by
    cleaned = {key: store_text.clean(value) if isinstance(value, str) else value for key, value in more.items()}
    return {
        "uuid": uuid.uuid4().hex,
        "at": time.time(),
        "by": store_text.clean(name),
        "text": store_text.clean(text.strip()),
        **cleaned,
    }


def row_key(table: sa.Table, row: dict[str, object]) -> sa.Select[Any]:
    return sa.select(table.c.id).where(table.c.uuid == row["uuid"])


def said(text: str, what: str) -> str:
    if not text.strip():
        raise StoreError(f"say {what}: the text is empty", kind="usage")
    return text.strip()


def ignore(_result: object) -> None:
    """For lambdas that write."""


def _named(evidence: Iterable[Evidence]) -> list[tuple[Evidence, str]]:
    return [(item, uuid.uuid4().hex) for item in evidence]


class Findings:
    """The findings of an open store."""

    def __init__(self, store: Store) -> None:
        self.store = store

    def add_finding(
        self, board: str, title: str, text: str = "", evidence: Iterable[Evidence] = (), *, by: str | None = None
    ) -> Finding:
        """Keeps an oddity. Its evidence must be runs of this store."""
        row = new_row(text=text, by=by, board=board, title=said(title, "the finding"))
        linked = _named(evidence)

        def act(connection: sa.Connection) -> None:
            made = sa.insert(schema.finding).returning(schema.finding.c.id)
            finding_id = connection.execute(made, row).scalar_one()
            self._put_evidence(connection, finding_id, linked)

        self.store.write(act, key=row_key(schema.finding, row))
        return self.finding(row["uuid"])

    def add_evidence(self, ref: int | str, evidence: Iterable[Evidence]) -> Finding:
        """Links more evidence to a finding."""
        finding = self.finding(ref)
        linked = _named(evidence)
        if linked:
            written = row_key(schema.finding_evidence, {"uuid": linked[0][1]})
            self._append(finding, lambda c, finding_id: self._put_evidence(c, finding_id, linked), written)
        return self.finding(finding.uuid)

    def explain(
        self, ref: int | str, text: str, faults: Iterable[str] = (), cause: str = "", *, by: str | None = None
    ) -> Finding:
        """Says why. `cause` is "design", "assembly", "part" or "bench"."""
        if cause not in CAUSES:
            raise StoreError(f"no cause {cause!r}; known: {', '.join(CAUSES[1:])}", kind="usage")
        return self._move(ref, "explained", said(text, "the explanation"), by, faults=list(faults), cause=cause)

    def mend(self, ref: int | str, text: str, *, by: str | None = None) -> Finding:
        """Says how units are mended."""
        return self._move(ref, "mended", said(text, "how it was mended"), by)

    def carry(self, ref: int | str, text: str, revision: str = "", *, by: str | None = None) -> Finding:
        """Puts it on the list for the next revision: what to change."""
        return self._move(ref, "carried", said(text, "what to change"), by, revision=revision)

    def reopen(self, ref: int | str, text: str = "", *, by: str | None = None) -> Finding:
        """Takes it back to open: the explanation was wrong, or the mending did not hold."""
        return self._move(ref, "open", text, by)

    def findings(self, board: str | None = None, state: str | None = None) -> list[Finding]:
        """Findings by number. `state` is one of STATES; "carried" means on the list for the next revision."""
        if state is not None and state not in STATES:
            raise StoreError(f"no state {state!r}; known: {', '.join(STATES)}", kind="usage")
        with self.store.database.reading() as connection:
            found = self._load_findings(connection)
        return [
            finding
            for finding in found
            if (board is None or finding.board == board)
            and (state is None or finding.state == state or (state == "carried" and finding.carried))
        ]

    def finding(self, ref: int | str) -> Finding:
        """A finding by number, or by its UUID or first letters of it."""
        found = self.findings()
        text = str(ref)
        hits = [finding for finding in found if str(finding.number) == text]
        hits = hits or [finding for finding in found if len(text) >= 4 and finding.uuid.startswith(text)]
        if len(hits) == 1:
            return hits[0]
        known = f"1 to {len(found)}" if found else "none yet"
        raise StoreError(
            f"{self.store.name} has no finding {text}; known: {known}", kind="usage", store=self.store.name
        )

    def revision_list(self, board: str) -> str:
        """The list for the next revision, as Markdown."""
        findings = self.findings(board)
        return ledger_text.revision_markdown(board, findings, self.evidence_runs(findings))

    def evidence_runs(self, findings: Iterable[Finding]) -> dict[str, RunRecord]:
        """The runs that findings rest on, by id."""
        wanted = {item.run for finding in findings for item in finding.evidence}
        return {run: self.store.run(run, blobs=False) for run in sorted(wanted)}

    # -- below

    def _move(
        self,
        ref: int | str,
        state: str,
        text: str,
        by: str | None,
        *,
        faults: Sequence[str] = (),
        cause: str = "",
        revision: str = "",
    ) -> Finding:
        finding = self.finding(ref)
        row = new_row(text=text, by=by, state=state, faults=json.dumps(list(faults)), cause=cause, revision=revision)
        insert = sa.insert(schema.finding_event)
        self._append(
            finding,
            lambda c, finding_id: ignore(c.execute(insert, {"finding_id": finding_id, **row})),
            row_key(schema.finding_event, row),
        )
        return self.finding(finding.uuid)

    def _append(self, finding: Finding, act: Callable[[sa.Connection, int], None], key: sa.Select[Any]) -> None:
        """Runs act(connection, key of the finding) in a transaction of its own."""

        def write(connection: sa.Connection) -> None:
            query = sa.select(schema.finding.c.id).where(schema.finding.c.uuid == finding.uuid)
            act(connection, connection.execute(query).scalar_one())

        self.store.write(write, key=key)

    def _put_evidence(
        self, connection: sa.Connection, finding_id: int, evidence: Sequence[tuple[Evidence, str]]
    ) -> None:
        for item, name in evidence:
            run_id = store_read.find_run(connection, item.run, self.store.name)
            self._must_hold(connection, run_id, item)
            row = {
                "uuid": name,
                "finding_id": finding_id,
                "at": time.time(),
                "run_id": run_id,
                "step": item.step,
                "position": item.position,
                "text": store_text.clean(item.text),
            }
            connection.execute(sa.insert(schema.finding_evidence), row)

    def _must_hold(self, connection: sa.Connection, run_id: int, item: Evidence) -> None:
        """A link to a step or a reading that is not there would be no evidence."""
        if item.step is None:
            return
        step, reading = schema.step, schema.reading
        here = sa.select(step.c.id).where(step.c.run_id == run_id, step.c.number == item.step)
        step_id = connection.scalar(here)
        if step_id is None:
            last = connection.scalar(sa.select(sa.func.max(step.c.number)).where(step.c.run_id == run_id)) or 0
            raise StoreError(f"run {item.run[:8]} has no step {item.step}; its last is {last}", kind="usage")
        if item.position is not None:
            count = connection.scalar(sa.select(sa.func.count()).where(reading.c.step_id == step_id)) or 0
            if not 0 <= item.position < count:
                raise StoreError(
                    f"step {item.step} of run {item.run[:8]} has {count} readings, no number {item.position}",
                    kind="usage",
                )

    def _load_findings(self, connection: sa.Connection) -> list[Finding]:
        events: dict[int, list[FindingEvent]] = {}
        for row in connection.execute(sa.select(schema.finding_event).order_by(schema.finding_event.c.id)):
            event = FindingEvent(
                row.state, row.text, row.at, row.by, ledger_text.parse_faults(row.faults), row.cause, row.revision
            )
            events.setdefault(row.finding_id, []).append(event)
        evidence: dict[int, list[Evidence]] = {}
        query = (
            sa.select(schema.finding_evidence, schema.run.c.uuid.label("run_uuid"), schema.unit.c.serial)
            .join(schema.run, schema.run.c.id == schema.finding_evidence.c.run_id)
            .join(schema.unit, schema.unit.c.id == schema.run.c.unit_id)
            .order_by(schema.finding_evidence.c.id)
        )
        for row in connection.execute(query):
            item = Evidence(row.run_uuid, row.step, row.position, row.text, row.serial)
            evidence.setdefault(row.finding_id, []).append(item)
        rows = connection.execute(sa.select(schema.finding).order_by(schema.finding.c.id))
        return [
            Finding(
                number=number,
                uuid=row.uuid,
                board=row.board,
                title=row.title,
                text=row.text,
                at=row.at,
                by=row.by,
                events=events.get(row.id, []),
                evidence=evidence.get(row.id, []),
            )
            for number, row in enumerate(rows, 1)
        ]
