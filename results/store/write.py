"""Writing runs and steps: plain functions on a connection inside a transaction. Rows are only ever added.

Text from an instrument may hold NUL or undecodable bytes; databases refuse those, so they become U+FFFD here, before
hashing, and the original traffic keeps them (it is stored as JSON inside a blob).
"""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from wakeboard.results.records import InstrumentUsed, Reading, Rework, RunStart, Step, Trip
from wakeboard.results.store import blobs as store_blobs
from wakeboard.results.store import schema
from wakeboard.results.store.digest import digest_of
from wakeboard.results.store.errors import StoreError
from wakeboard.results.store.text import clean, number

UNITS: Final = uuid.UUID(
    "3f0d5c52-6a0f-5c0b-9a57-0c1a6f7f4d11"
)  # namespace: a unit's UUID follows from board and serial


@dataclass
class Known:
    """Keys of rows that repeat, remembered between steps. Dropped whenever a transaction fails."""

    runs: dict[str, int] = field(default_factory=dict)
    measurands: dict[tuple[object, ...], int] = field(default_factory=dict)
    terms: dict[tuple[object, ...], int] = field(default_factory=dict)

    def forget(self) -> None:
        self.runs.clear()
        self.measurands.clear()
        self.terms.clear()


def digest(content: object) -> str:
    """128 bits of SHA-256 over canonical JSON, as 32 hex digits: a key for rows that repeat."""
    text = json.dumps(content, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def add_new(connection: sa.Connection, table: sa.Table, rows: Sequence[Mapping[str, object]]) -> None:
    """Inserts the rows whose unique key is not there yet."""
    if not rows:
        return
    insert: Any = (postgresql if connection.dialect.name == "postgresql" else sqlite).insert
    connection.execute(insert(table).on_conflict_do_nothing(), list(rows))


# -- what a run refers to


def put_document(connection: sa.Connection, kind: str, text: str) -> str:
    text = clean(text)
    key = hashlib.sha256(text.encode()).hexdigest()
    add_new(connection, schema.document, [{"sha256": key, "kind": kind, "text": text}])
    return key


def unit_uuid(board: str, serial: str) -> str:
    """The same on every bench: two benches that meet the same unit agree on it without asking each other."""
    return uuid.uuid5(UNITS, f"{board}\0{serial}").hex


def put_unit(connection: sa.Connection, board: str, serial: str, at: float) -> int:
    board, serial = clean(board), clean(serial)
    row = {"uuid": unit_uuid(board, serial), "board": board, "serial": serial, "at": at}
    add_new(connection, schema.unit, [row])
    found = connection.scalar(sa.select(schema.unit.c.id).where(schema.unit.c.uuid == row["uuid"]))
    assert found is not None
    return int(found)


def put_instruments(connection: sa.Connection, run_id: int, used: Iterable[InstrumentUsed]) -> None:
    links = []
    for position, item in enumerate(used):
        row = {
            "name": clean(item.name),
            "kind": clean(item.kind),
            "maker": clean(item.maker),
            "model": clean(item.model),
            "serial": clean(item.serial),
            "firmware": clean(item.firmware),
            "address": clean(item.address),
            "dialect": clean(item.dialect),
            "calibrated": item.calibrated,
            "calibration_due": item.calibration_due,
        }
        key = digest(row)
        add_new(connection, schema.instrument, [{"digest": key, **row}])
        found = connection.scalar(sa.select(schema.instrument.c.id).where(schema.instrument.c.digest == key))
        links.append({"run_id": run_id, "position": position, "instrument_id": found})
    add_new(connection, schema.run_instrument, links)


# -- runs


@dataclass(frozen=True)
class RunStamp:
    """What the store itself knows of a run that begins."""

    run: str
    started: float
    process: str
    engine: str
    host: str
    software: str


def put_run(connection: sa.Connection, start: RunStart, stamp: RunStamp, unit_id: int, rework: list[Rework]) -> None:
    row = {
        "uuid": stamp.run,
        "unit_id": unit_id,
        "revision": clean(start.revision),
        "board_sha256": put_document(connection, "board", start.board_text),
        "sequence": clean(start.sequence_title),
        "sequence_sha256": put_document(connection, "sequence", start.sequence_text),
        "bench_sha256": put_document(connection, "bench", start.bench_text),
        "operator": clean(start.operator),
        "software": clean(start.software or stamp.software),
        "host": clean(start.host or stamp.host),
        "process": stamp.process,
        "engine": stamp.engine,
        "virtual": int(start.virtual),
        "plants": json.dumps(list(start.plants)),
        "started": stamp.started,
        "rework": json.dumps([{"uuid": r.uuid, "text": r.text, "faults": list(r.faults)} for r in rework]),
    }
    run_id = connection.execute(sa.insert(schema.run).returning(schema.run.c.id), row).scalar_one()
    put_instruments(connection, run_id, start.instruments)


def put_end(connection: sa.Connection, run_id: int, row: Mapping[str, object], trip: Trip | None) -> None:
    tripped = {
        "trip_rule": trip.rule if trip else None,
        "trip_step": trip.step if trip else None,
        "trip_supply": trip.supply if trip else None,
        "trip_volts": number(trip.volts) if trip else None,
        "trip_amps": number(trip.amps) if trip else None,
    }
    connection.execute(sa.insert(schema.run_end), {"run_id": run_id, **row, **tripped})


# -- steps


@dataclass(frozen=True)
class PackedStep:
    """A step ready to be written: hashing and compression happen before the lock is taken."""

    step: Step
    digest: str
    detail: str
    blobs: Mapping[str, bytes]


def pack(step: Step) -> PackedStep:
    raw: dict[str, bytes] = {}
    if step.trace is not None:
        raw["trace"] = store_blobs.trace_bytes(step.trace)
    if step.traffic:
        raw["traffic"] = store_blobs.traffic_bytes(step.traffic)
    return PackedStep(
        step=step,
        digest=digest_of(step, raw),
        detail=json.dumps(dict(step.detail), separators=(",", ":")) if step.detail else "{}",
        blobs={kind: store_blobs.squeeze(data) for kind, data in raw.items()},
    )


def put_step(connection: sa.Connection, run_id: int, packed: PackedStep, known: Known) -> None:
    step = packed.step
    row = {
        "run_id": run_id,
        "number": step.number,
        "name": clean(step.name),
        "kind": step.kind,
        "outcome": step.outcome,
        "started": float(step.started),
        "ended": float(step.ended),
        "says": clean(step.says),
        "detail": packed.detail,
        "digest": packed.digest,
    }
    step_id = connection.execute(sa.insert(schema.step).returning(schema.step.c.id), row).scalar_one()
    if packed.blobs:
        blobs = [{"step_id": step_id, "kind": kind, "data": data} for kind, data in packed.blobs.items()]
        connection.execute(sa.insert(schema.step_blob), blobs)
    if step.readings:
        connection.execute(sa.insert(schema.reading), _reading_rows(connection, step_id, step.readings, known))


def _reading_rows(
    connection: sa.Connection, step_id: int, readings: Sequence[Reading], known: Known
) -> list[dict[str, object]]:
    measured = [(clean(r.of), r.quantity, r.unit, clean(r.state)) for r in readings]
    terms = [(number(r.low), number(r.high), r.limits_from, r.instrument, number(r.range)) for r in readings]
    _learn(connection, schema.measurand, ("of", "quantity", "unit", "state"), measured, known.measurands)
    _learn(connection, schema.terms, ("low", "high", "limits_from", "instrument", "range"), terms, known.terms)
    return [
        {
            "step_id": step_id,
            "position": position,
            "measurand_id": known.measurands[what],
            "terms_id": known.terms[against],
            "value": number(r.value),
            "u": number(r.u),
            "outcome": r.outcome,
            "time": float(r.time),
            "says": clean(r.says) or None,
        }
        for position, (r, what, against) in enumerate(zip(readings, measured, terms, strict=True))
    ]


def _learn(
    connection: sa.Connection,
    table: sa.Table,
    names: tuple[str, ...],
    wanted: Iterable[tuple[object, ...]],
    known: dict[tuple[object, ...], int],
) -> None:
    """Makes sure that every wanted tuple has a row and that its key is known."""
    missing = {content: digest(content) for content in wanted if content not in known}
    if not missing:
        return
    add_new(connection, table, [{"digest": key, **dict(zip(names, c, strict=True))} for c, key in missing.items()])
    query = sa.select(table.c.digest, table.c.id).where(table.c.digest.in_(list(missing.values())))
    found = {row.digest: row.id for row in connection.execute(query)}
    for content, key in missing.items():
        known[content] = found[key]


def step_digest(connection: sa.Connection, run: str, step_number: int) -> str | None:
    """The digest of a committed step, or None: the look-up that follows an unknown commit."""
    query = (
        sa.select(schema.step.c.digest)
        .join(schema.run, schema.run.c.id == schema.step.c.run_id)
        .where(schema.run.c.uuid == run, schema.step.c.number == step_number)
    )
    return connection.scalar(query)


def run_key(connection: sa.Connection, run: str, known: Known, store: str) -> int:
    """The store's own key of a run."""
    if run not in known.runs:
        found = connection.scalar(sa.select(schema.run.c.id).where(schema.run.c.uuid == run))
        if found is None:
            raise StoreError(f"{store} has no run {run}", kind="usage", store=store)
        known.runs[run] = int(found)
    return known.runs[run]
