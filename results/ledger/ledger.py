"""The ledger: what was done to which unit, and what was found.

    ledger = Ledger(store)
    ledger.add_rework("004", "R31 fitted across C12: 1k", faults=["R31:value=1k"])
    finding = ledger.add_finding("Skep", "radio reset floats at 2.7 V", evidence=[Evidence(run_id, step=7)])
    ledger.explain(finding.number, "the radio pulls it up with about 13 kΩ", cause="design")
    ledger.carry(finding.number, "1 kΩ instead of 47 kΩ", revision="B")

Append-only: a rework that is taken back gets a later row that says so, a finding moves on by rows of its own. Rework is
numbered within its unit and findings within the store, in the order in which they were entered, so that a number once
told never changes; a UUID names each row in every store it is copied to.
"""

from __future__ import annotations

import difflib
import json
import time
from collections.abc import Iterable, Sequence
from typing import Any

import sqlalchemy as sa

from wakeboard.results.ledger import photos
from wakeboard.results.ledger import text as ledger_text
from wakeboard.results.ledger.findings import Findings, ignore, new_row, row_key, said
from wakeboard.results.ledger.photos import Photo
from wakeboard.results.ledger.records import CAUSES, STATES, Event, Evidence, Finding, FindingEvent, Note, Unit
from wakeboard.results.records import ASKED, Rework
from wakeboard.results.store import read as store_read
from wakeboard.results.store import schema
from wakeboard.results.store import write as store_write
from wakeboard.results.store.errors import StoreError

__all__ = ["CAUSES", "STATES", "Event", "Evidence", "Finding", "FindingEvent", "Ledger", "Note", "Photo", "Unit"]


class Ledger(Findings):
    """The ledger of an open store: units, rework, notes, history, and the findings."""

    # -- units

    def add_unit(self, serial: str, board: str) -> None:
        """Enters a unit before its first run; one that is there already is left alone."""
        if not serial.strip() or not board.strip():
            raise StoreError("a unit needs a serial number and a board", kind="usage", store=self.store.name)
        key = sa.select(schema.unit.c.id).where(schema.unit.c.uuid == store_write.unit_uuid(board, serial))
        self.store.write(lambda c: ignore(store_write.put_unit(c, board, serial, time.time())), key=key)

    def unit_key(self, connection: sa.Connection, serial: str, board: str | None = None) -> tuple[int, str]:
        """(key, board) of a unit; StoreError with the nearest known serial numbers where there is none."""
        query = sa.select(schema.unit.c.id, schema.unit.c.board).where(schema.unit.c.serial == serial)
        if board is not None:
            query = query.where(schema.unit.c.board == board)
        rows = connection.execute(query).all()
        if len(rows) == 1:
            return int(rows[0].id), str(rows[0].board)
        if rows:
            boards = ", ".join(sorted(row.board for row in rows))
            raise StoreError(f"several boards have a unit {serial!r} ({boards}): say which board", kind="usage")
        raise self._no_unit(connection, serial, board)

    def board_of(self, serial: str, board: str | None = None) -> str:
        """The board that a unit is of. StoreError where there is no such unit, or several."""
        with self.store.database.reading() as connection:
            return self.unit_key(connection, serial, board)[1]

    def _no_unit(self, connection: sa.Connection, serial: str, board: str | None) -> StoreError:
        known = list(connection.scalars(sa.select(schema.unit.c.serial).order_by(schema.unit.c.id)))
        near = difflib.get_close_matches(serial, known, n=3) or known[:8]
        hint = f"; known: {', '.join(near)}" if near else "; no unit has been run yet"
        of = f" of {board}" if board else ""
        return StoreError(f"{self.store.name} has no unit {serial!r}{of}{hint}", kind="usage", store=self.store.name)

    def units(self, board: str | None = None) -> list[Unit]:
        """All units, in the order they were first seen."""
        last: dict[tuple[str, str], Any] = {}
        count: dict[tuple[str, str], int] = {}
        for run in self.store.runs(board=board):
            if run.sequence == ASKED:
                continue
            place = (run.board, run.unit)
            last.setdefault(place, run)
            count[place] = count.get(place, 0) + 1
        query = sa.select(schema.unit).order_by(schema.unit.c.id)
        if board is not None:
            query = query.where(schema.unit.c.board == board)
        with self.store.database.reading() as connection:
            rows = connection.execute(query).all()
            reworked = set(connection.scalars(sa.select(schema.rework.c.unit_id).distinct()))
            rework = {row.id: store_read.in_force(connection, row.id) for row in rows if row.id in reworked}
        found = []
        for row in rows:
            place = (row.board, row.serial)
            latest = last.get(place)
            found.append(
                Unit(
                    board=row.board,
                    serial=row.serial,
                    first_seen=row.at,
                    runs=count.get(place, 0),
                    last_run=latest.id if latest else "",
                    last_started=latest.started if latest else None,
                    outcome=(latest.word or None) if latest else None,
                    rework=[done.text for done in rework.get(row.id, [])],
                )
            )
        return found

    # -- rework and notes

    def add_rework(
        self, serial: str, text: str, faults: Iterable[str] = (), *, board: str | None = None, by: str | None = None
    ) -> Rework:
        """Notes what was done to a unit; `faults` tell the circuit of it. Returns it with its number."""
        row = new_row(text=said(text, "what was done"), by=by, faults=json.dumps(list(faults)))

        def act(connection: sa.Connection) -> None:
            key, _ = self.unit_key(connection, serial, board)
            connection.execute(sa.insert(schema.rework), {"unit_id": key, **row})

        self.store.write(act, key=row_key(schema.rework, row))
        return next(done for done in self.reworks(serial, board) if done.uuid == row["uuid"])

    def undo_rework(
        self, serial: str, number: int, text: str = "", *, board: str | None = None, by: str | None = None
    ) -> Rework:
        """Notes that a rework was taken back. The rework stays in the history."""
        row = new_row(text=text, by=by)
        with self.store.database.reading() as connection:
            key, _ = self.unit_key(connection, serial, board)
            done = store_read.reworks(connection, key)
        wanted = next((rework for rework in done if rework.number == number), None)
        if wanted is None:
            known = ", ".join(str(rework.number) for rework in done) or "none"
            raise StoreError(f"unit {serial} has no rework {number}; known: {known}", kind="usage")
        if wanted.undone_at is not None:
            raise StoreError(
                f"rework {number} of unit {serial} was undone {ledger_text.when(wanted.undone_at)}", kind="usage"
            )

        def act(connection: sa.Connection) -> None:
            rework_id = connection.scalar(sa.select(schema.rework.c.id).where(schema.rework.c.uuid == wanted.uuid))
            connection.execute(sa.insert(schema.rework_undo), {"rework_id": rework_id, **row})

        self.store.write(act, key=row_key(schema.rework_undo, row))
        return next(rework for rework in self.reworks(serial, board) if rework.number == number)

    def reworks(self, serial: str, board: str | None = None) -> Sequence[Rework]:
        """All rework of a unit, oldest first, with what was undone."""
        with self.store.database.reading() as connection:
            key, _ = self.unit_key(connection, serial, board)
            return store_read.reworks(connection, key)

    def add_note(self, serial: str, text: str, *, board: str | None = None, by: str | None = None) -> None:
        row = new_row(text=said(text, "the note"), by=by)

        def act(connection: sa.Connection) -> None:
            key, _ = self.unit_key(connection, serial, board)
            connection.execute(sa.insert(schema.note), {"unit_id": key, **row})

        self.store.write(act, key=row_key(schema.note, row))

    def notes(self, serial: str, board: str | None = None) -> list[Note]:
        with self.store.database.reading() as connection:
            key, _ = self.unit_key(connection, serial, board)
            query = sa.select(schema.note).where(schema.note.c.unit_id == key).order_by(schema.note.c.id)
            return [Note(row.text, row.at, row.by) for row in connection.execute(query)]

    # -- photos

    def add_photo(
        self, serial: str, data: bytes, text: str = "", *, board: str | None = None, by: str | None = None
    ) -> Photo:
        """Raises PhotoRefused for what is no photo, and StoreError for a unit that there is not."""
        large, small, (width, height) = photos.rendered(data)
        row = new_row(text=text, by=by, width=width, height=height)

        def act(connection: sa.Connection) -> None:
            key, _ = self.unit_key(connection, serial, board)
            photos.put(connection, key, row, large, small)

        self.store.write(act, key=row_key(schema.photo, row))
        return Photo(row["uuid"], row["at"], row["by"], row["text"], width, height)

    def photos(self, serial: str, board: str | None = None) -> list[Photo]:
        """Of a unit, oldest first, without the pictures."""
        with self.store.database.reading() as connection:
            key, _ = self.unit_key(connection, serial, board)
            return photos.of_unit(connection, key)

    def picture(self, uuid: str, *, small: bool = False) -> bytes | None:
        """A photo as JPEG; None where there is no such photo."""
        with self.store.database.reading() as connection:
            return photos.picture(connection, uuid, small)

    # -- history

    def history(self, serial: str, board: str | None = None) -> list[Event]:
        """Everything that happened to a unit, oldest first."""
        with self.store.database.reading() as connection:
            key, board = self.unit_key(connection, serial, board)
            seen = connection.scalar(sa.select(schema.unit.c.at).where(schema.unit.c.id == key))
            runs = [
                store_read.load_run(connection, run_id, blobs=False)
                for run_id in connection.scalars(sa.select(schema.run.c.id).where(schema.run.c.unit_id == key))
            ]
        events = [Event(run.started, "run", ledger_text.tell_run(run), run.id, run.start.operator) for run in runs]
        for done in self.reworks(serial, board):
            text = f"rework {done.number}: {done.text}{ledger_text.faults_text(done.faults)}"
            events.append(Event(done.at, "rework", text, by=done.by))
            if done.undone_at is not None:
                events.append(Event(done.undone_at, "undone", f"rework {done.number} undone: {done.text}"))
        events += [Event(note.at, "note", f"note: {note.text}", by=note.by) for note in self.notes(serial, board)]
        events += [Event(each.at, "photo", each.says, by=each.by) for each in self.photos(serial, board)]
        events += self._finding_events(serial, board)
        if not runs or (seen is not None and seen < min(run.started for run in runs) - 1):
            events.append(Event(float(seen or 0), "seen", "entered in the ledger"))
        return sorted(events, key=lambda event: event.at)

    def _finding_events(self, serial: str, board: str) -> list[Event]:
        events = []
        for finding in self.findings(board):
            if not any(item.unit == serial for item in finding.evidence):
                continue
            run = next(item.run for item in finding.evidence if item.unit == serial)
            events.append(Event(finding.at, "finding", f"finding {finding.number}: {finding.title}", run, finding.by))
            events += [
                Event(e.at, "finding", f"finding {finding.number} {e.state}: {e.text}", by=e.by)
                for e in finding.events
                if e.state != "open" or e.text
            ]
        return events
