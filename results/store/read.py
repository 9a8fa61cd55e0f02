"""Reading runs back: plain functions on a connection."""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import sqlalchemy as sa
from sqlalchemy.sql.elements import ColumnElement

from wakeboard.results.records import (
    ASKED,
    STOPPED_SAYS,
    InstrumentUsed,
    Reading,
    Rework,
    RunRecord,
    RunStart,
    RunSummary,
    Step,
    Trip,
)
from wakeboard.results.store import blobs as store_blobs
from wakeboard.results.store import digest as store_digest
from wakeboard.results.store import process as store_process
from wakeboard.results.store.errors import StoreError
from wakeboard.results.store.schema import (
    document,
    instrument,
    measurand,
    reading,
    rework,
    rework_undo,
    run,
    run_end,
    run_instrument,
    step,
    step_blob,
    terms,
    unit,
)


def last_end() -> ColumnElement[bool]:
    """True for the row that counts as a run's end: the latest, for a correction is a later row."""
    later = run_end.alias("later")
    after = sa.or_(later.c.at > run_end.c.at, sa.and_(later.c.at == run_end.c.at, later.c.id > run_end.c.id))
    return ~sa.exists().where(later.c.run_id == run_end.c.run_id, after)


def ended_as() -> ColumnElement[str | None]:
    """How a run ended, as RunRecord.word has it; None where it has not."""
    stopped = sa.and_(run_end.c.outcome == "error", run_end.c.says.startswith(STOPPED_SAYS))
    return sa.case((stopped, "stopped"), else_=run_end.c.outcome)


def find_run(connection: sa.Connection, ref: str | None, store: str) -> int:
    """The key of the run meant by an id, its first letters, a unit (its latest run), or nothing (the latest). Latest is
    what took a unit through a sequence; what an explanation asked for is found by its id."""
    if not ref:
        found = _latest(connection)
        if found is None:
            raise StoreError(f"{store} holds no run yet", kind="usage", store=store)
        return found
    typed, ref = ref, ref.strip().lower().replace("-", "")
    # Hex digits only, so that "g" is above all of them: a range that the index serves.
    query = sa.select(run.c.id, run.c.uuid).where(run.c.uuid >= ref, run.c.uuid < ref + "g").limit(6)
    rows = connection.execute(query).all() if ref.isalnum() else []
    if len(rows) == 1 or (rows and rows[0].uuid == ref):
        return int(rows[0].id)
    if not rows:
        return _of_unit(connection, typed.strip(), store)
    shown = ", ".join(row.uuid[: len(ref) + 4] for row in rows[:5])
    raise StoreError(f"{ref!r} fits several runs ({shown}, …): give more letters", kind="usage", store=store)


def _of_unit(connection: sa.Connection, serial: str, store: str) -> int:
    """A unit's latest run, where its name stands in the place of a run's id."""
    boards = connection.scalars(sa.select(unit.c.board).where(unit.c.serial == serial).order_by(unit.c.board)).all()
    if len(boards) > 1:
        says = f"several boards have a unit {serial!r} ({', '.join(boards)}): give the first letters of a run's id"
        raise StoreError(says, kind="usage", store=store)
    found = _latest(connection, unit.c.serial == serial)
    if found is None:
        near = difflib.get_close_matches(serial, connection.scalars(sa.select(unit.c.serial)).all(), n=3)
        hint = f"; near to it: {', '.join(near)}" if near else "; `wakeboard unit SN` lists a unit's runs"
        says = f"unit {serial!r} has no run yet" if boards else f"no run {serial!r}, nor a unit of that name{hint}"
        raise StoreError(f"{store}: {says}", kind="usage", store=store)
    return found


def _latest(connection: sa.Connection, *where: ColumnElement[bool]) -> int | None:
    query = sa.select(run.c.id).join(unit, unit.c.id == run.c.unit_id).where(run.c.sequence != ASKED, *where)
    found = connection.scalar(query.order_by(run.c.started.desc(), run.c.id.desc()).limit(1))
    return None if found is None else int(found)


# -- lists


def summaries(connection: sa.Connection, where: Sequence[ColumnElement[bool]], limit: int | None) -> list[RunSummary]:
    """Runs, latest first."""
    query = (
        sa.select(
            run.c.uuid,
            unit.c.serial,
            unit.c.board,
            run.c.revision,
            run.c.sequence,
            run.c.started,
            run.c.virtual,
            run_end.c.at,
            run_end.c.outcome,
            run_end.c.abandoned,
            run_end.c.says,
        )
        .join(unit, unit.c.id == run.c.unit_id)
        .outerjoin(run_end, sa.and_(run_end.c.run_id == run.c.id, last_end()))
        .where(*where)
        .order_by(run.c.started.desc(), run.c.id.desc())
        .limit(limit)
    )
    return [
        RunSummary(
            id=row.uuid,
            unit=row.serial,
            board=row.board,
            revision=row.revision,
            sequence=row.sequence,
            started=row.started,
            ended=row.at,
            outcome=row.outcome,
            abandoned=bool(row.abandoned),
            virtual=bool(row.virtual),
            says=row.says or "",
        )
        for row in connection.execute(query)
    ]


# -- one run


def load_run(connection: sa.Connection, run_id: int, *, blobs: bool = True) -> RunRecord:
    """The whole run. Without `blobs` its traces and traffic stay on the disk."""
    (head,) = load_heads(connection, [run.c.id == run_id])
    return replace(head, steps=load_steps(connection, run_id, head.id, blobs=blobs))


def load_heads(connection: sa.Connection, where: Sequence[ColumnElement[bool]]) -> list[RunRecord]:
    """Runs without their steps, oldest first; a handful of queries however many runs there are."""
    query = sa.select(run, unit.c.board, unit.c.serial).join(unit, unit.c.id == run.c.unit_id).where(*where)
    rows = connection.execute(query.order_by(run.c.started, run.c.uuid)).all()
    wanted = sa.select(run.c.id).join(unit, unit.c.id == run.c.unit_id).where(*where)
    ends = {
        row.run_id: row
        for row in connection.execute(sa.select(run_end).where(run_end.c.run_id.in_(wanted), last_end()))
    }
    texts = _documents(connection, {h for r in rows for h in (r.board_sha256, r.sequence_sha256, r.bench_sha256)})
    instruments = _instruments(connection, wanted)
    return [_head(row, ends.get(row.id), texts, instruments.get(row.id, [])) for row in rows]


def _head(row: Any, end: object, texts: Mapping[str, str], instruments: Sequence[InstrumentUsed]) -> RunRecord:
    start = RunStart(
        unit=row.serial,
        board_name=row.board,
        revision=row.revision,
        board_text=texts[row.board_sha256],
        sequence_title=row.sequence,
        sequence_text=texts[row.sequence_sha256],
        bench_text=texts[row.bench_sha256],
        operator=row.operator,
        software=row.software,
        host=row.host,
        plants=json.loads(row.plants),
        instruments=instruments,
        virtual=bool(row.virtual),
    )
    return RunRecord(
        id=row.uuid,
        start=start,
        started=row.started,
        rework=[Rework(text=r["text"], faults=r["faults"], uuid=r["uuid"]) for r in json.loads(row.rework)],
        hashes={"board": row.board_sha256, "sequence": row.sequence_sha256, "bench": row.bench_sha256},
        alive=end is not None or not store_process.is_here(row.process) or store_process.alive(row.process),
        **_end_fields(end),
    )


def _documents(connection: sa.Connection, keys: Iterable[str]) -> dict[str, str]:
    query = sa.select(document.c.sha256, document.c.text).where(document.c.sha256.in_(list(keys)))
    return {row.sha256: row.text for row in connection.execute(query)}


def _end_fields(end: Any) -> dict[str, Any]:
    if end is None:
        return {}
    trip = None
    if end.trip_rule is not None:
        trip = Trip(end.trip_rule, end.trip_step, end.trip_supply, end.trip_volts, end.trip_amps)
    return {
        "ended": end.at,
        "outcome": end.outcome,
        "outputs_off": None if end.outputs_off is None else bool(end.outputs_off),
        "energised_s": end.energised_s,
        "trip": trip,
        "abandoned": bool(end.abandoned),
        "says": end.says,
    }


def _instruments(connection: sa.Connection, runs: sa.Select[Any]) -> dict[int, list[InstrumentUsed]]:
    """Key of a run -> the instruments that it used, in order."""
    query = (
        sa.select(instrument, run_instrument.c.run_id)
        .join(run_instrument, run_instrument.c.instrument_id == instrument.c.id)
        .where(run_instrument.c.run_id.in_(runs))
        .order_by(run_instrument.c.run_id, run_instrument.c.position)
    )
    skip = {"id", "digest", "run_id"}
    found: dict[int, list[InstrumentUsed]] = {}
    for row in connection.execute(query).mappings():
        made = InstrumentUsed(**{key: value for key, value in row.items() if key not in skip})
        found.setdefault(row["run_id"], []).append(made)
    return found


def load_steps(connection: sa.Connection, run_id: int, run_name: str, *, blobs: bool = True) -> list[Step]:
    """Of a run, by its key; run_name: its id, for what is told. Steps are held against their digests, as far as they
    are read."""
    readings = _readings(connection, run_id)
    parts = _blobs(connection, run_id) if blobs else {}
    query = sa.select(step).where(step.c.run_id == run_id).order_by(step.c.number)
    steps = []
    for row in connection.execute(query):
        raw = {
            kind: store_blobs.unsqueeze(parts[row.id, kind]) for kind in ("trace", "traffic") if (row.id, kind) in parts
        }
        steps.append(
            Step(
                number=row.number,
                name=row.name,
                kind=row.kind,
                outcome=row.outcome,
                started=row.started,
                ended=row.ended,
                readings=readings.get(row.id, []),
                says=row.says,
                detail=json.loads(row.detail),
                trace=store_blobs.trace_from(raw["trace"]) if "trace" in raw else None,
                traffic=store_blobs.traffic_from(raw["traffic"]) if "traffic" in raw else (),
            )
        )
        store_digest.check(row.digest, steps[-1], raw if blobs else None, run_name)
    return steps


def _blobs(connection: sa.Connection, run_id: int) -> dict[tuple[int, str], bytes]:
    query = (
        sa.select(step_blob.c.step_id, step_blob.c.kind, step_blob.c.data)
        .join(step, step.c.id == step_blob.c.step_id)
        .where(step.c.run_id == run_id)
    )
    return {(step_id, kind): bytes(data) for step_id, kind, data in connection.execute(query)}


def _readings(connection: sa.Connection, run_id: int) -> dict[int, list[Reading]]:
    query = (
        sa.select(
            reading.c.step_id,
            measurand.c.of,
            measurand.c.quantity,
            reading.c.value,
            measurand.c.unit,
            reading.c.u,
            terms.c.low,
            terms.c.high,
            reading.c.outcome,
            measurand.c.state,
            terms.c.instrument,
            terms.c.range,
            reading.c.time,
            terms.c.limits_from,
            reading.c.says,
        )
        .join(step, step.c.id == reading.c.step_id)
        .join(measurand, measurand.c.id == reading.c.measurand_id)
        .join(terms, terms.c.id == reading.c.terms_id)
        .where(step.c.run_id == run_id)
        .order_by(reading.c.step_id, reading.c.position)
    )
    found: dict[int, list[Reading]] = {}
    for row in connection.execute(query):
        fields: list[Any] = list(row)
        fields[-1] = fields[-1] or ""
        found.setdefault(fields[0], []).append(Reading(*fields[1:]))
    return found


# -- rework


def in_force(connection: sa.Connection, unit_id: int) -> list[Rework]:
    return [done for done in reworks(connection, unit_id) if done.undone_at is None]


def reworks(connection: sa.Connection, unit_id: int) -> Sequence[Rework]:
    """All rework of a unit, oldest first, numbered from 1; what was undone says when."""
    undone = (
        sa.select(rework_undo.c.rework_id, sa.func.min(rework_undo.c.at).label("undone_at"))
        .group_by(rework_undo.c.rework_id)
        .subquery()
    )
    query = (
        sa.select(rework, undone.c.undone_at)
        .outerjoin(undone, undone.c.rework_id == rework.c.id)
        .where(rework.c.unit_id == unit_id)
        .order_by(rework.c.id)
    )
    return [
        Rework(
            text=row.text,
            faults=json.loads(row.faults),
            number=number,
            at=row.at,
            by=row.by,
            uuid=row.uuid,
            undone_at=row.undone_at,
        )
        for number, row in enumerate(connection.execute(query), 1)
    ]
