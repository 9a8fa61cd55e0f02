"""Copying a store to a shared PostgreSQL server. The local store stays what counts; the server only gains rows.

Idempotent: every row is known by a UUID or a natural key (run + step number, content digest), so pushing again copies
only what is missing. Resumable: runs travel in batches, each batch in one transaction, and what is still missing is
asked of the server anew; nothing about progress is kept on this side that could be wrong. Several benches may push at
once: batches take turns by an advisory lock, which also keeps them from deadlocking over rows that they share.

Readings travel by COPY. A run that is still going on is copied as far as it is, and completed by a later push.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any, Final

import sqlalchemy as sa

from wakeboard.results.passwords import safe_url
from wakeboard.results.push.ledger import push_ledger
from wakeboard.results.push.rows import SharedRows, copy_in, copy_tuples, fetch, fetch_tuples, reserve
from wakeboard.results.store import schema
from wakeboard.results.store.engine import parse_place
from wakeboard.results.store.errors import StoreError
from wakeboard.results.store.store import Store

PUSH_LOCK: Final = 0x57414B46  # advisory lock number: one batch at a time
BATCH_READINGS: Final = 20_000  # a transaction: what was copied before a failure stays


@dataclass(frozen=True)
class Pushed:
    """What a push copied, and what the server had already."""

    to: str
    runs: int
    steps: int
    readings: int
    ledger_rows: int
    had_runs: int
    seconds: float

    @property
    def readings_per_s(self) -> float:
        return self.readings / self.seconds if self.seconds > 0 else 0.0


@dataclass(frozen=True)
class Extent:
    """How much of a run there is: counts of steps and ends. Rows are only ever added, so equal counts mean equal."""

    steps: int
    ends: int


Progress = Callable[[int, int], None]  # (runs done, runs to do)


def push(store: Store, url: str, *, progress: Progress | None = None, batch_readings: int = BATCH_READINGS) -> Pushed:
    """Copies what the server lacks. StoreError if it cannot be reached; what was copied before stays copied."""
    if parse_place(url).dialect != "postgresql":
        raise StoreError(f"{safe_url(url)} is no server: push goes to postgresql://USER@HOST/DATABASE", kind="usage")
    began = time.monotonic()
    with Store.open(url) as server:
        local = extents(store)
        there = extents(server, list(local))
        waiting = [run for run, extent in local.items() if there.get(run) != extent]
        shared = SharedRows()
        runs = steps = readings = 0
        for batch in _batches(store, waiting, batch_readings):
            try:
                copied = _push_batch(store, server, batch, local, shared)
            except StoreError as error:
                raise _half_way(error, runs, len(waiting)) from error
            runs, steps, readings = runs + len(batch), steps + copied[0], readings + copied[1]
            if progress is not None:
                progress(runs, len(waiting))
        ledger_rows = push_ledger(store, server, PUSH_LOCK)
        return Pushed(
            server.name, runs, steps, readings, ledger_rows, len(local) - len(waiting), time.monotonic() - began
        )


def _half_way(error: StoreError, runs: int, wanted: int) -> StoreError:
    says = f"{error.says} ({runs} of {wanted} runs were copied; push again to go on)"
    return StoreError(says, kind=error.kind, store=error.store)


# -- what is where


def extents(store: Store, only: Sequence[str] | None = None) -> dict[str, Extent]:
    """Extent of each run (or of those named) by its id, oldest first."""
    steps = _counted(schema.step.c.run_id)
    ends = _counted(schema.run_end.c.run_id)
    query = (
        sa.select(schema.run.c.uuid, sa.func.coalesce(steps.c.n, 0), sa.func.coalesce(ends.c.n, 0))
        .outerjoin(steps, steps.c.run_id == schema.run.c.id)
        .outerjoin(ends, ends.c.run_id == schema.run.c.id)
        .order_by(schema.run.c.id)
    )
    with store.database.reading() as connection:
        if only is not None:
            query = query.where(schema.run.c.uuid == sa.any_(sa.literal(list(only), sa.ARRAY(sa.Text()))))
        return {uuid: Extent(int(n_steps), int(n_ends)) for uuid, n_steps, n_ends in connection.execute(query)}


def _counted(column: sa.Column[Any]) -> sa.Subquery:
    return sa.select(column, sa.func.count().label("n")).group_by(column).subquery()


def _batches(store: Store, runs: Iterable[str], readings: int) -> Iterator[list[str]]:
    """Runs in groups of about that many readings."""
    query = (
        sa.select(schema.run.c.uuid, sa.func.count())
        .join(schema.step, schema.step.c.run_id == schema.run.c.id)
        .join(schema.reading, schema.reading.c.step_id == schema.step.c.id)
        .group_by(schema.run.c.uuid)
    )
    waiting = iter(runs)
    while chunk := list(islice(waiting, 2000)):
        with store.database.reading() as connection:
            sizes = {row[0]: row[1] for row in connection.execute(query.where(schema.run.c.uuid.in_(chunk)))}
        batch: list[str] = []
        size = 0
        for run in chunk:
            batch.append(run)
            size += sizes.get(run, 0)
            if size >= readings:
                yield batch
                batch, size = [], 0
        if batch:
            yield batch


# -- one batch, one transaction


def _push_batch(
    store: Store, server: Store, batch: list[str], local: dict[str, Extent], shared: SharedRows
) -> tuple[int, int]:
    """Copies the runs of a batch, whole or not at all; returns how many steps and readings."""
    with store.database.reading() as source:
        rows = fetch(source, sa.select(schema.run).where(schema.run.c.uuid.in_(batch)).order_by(schema.run.c.id))
        keys = [row["id"] for row in rows]
        ends = fetch(source, sa.select(schema.run_end).where(schema.run_end.c.run_id.in_(keys)))
        used = fetch(source, sa.select(schema.run_instrument).where(schema.run_instrument.c.run_id.in_(keys)))
        try:
            with server.database.writing() as target:
                target.exec_driver_sql(f"SELECT pg_advisory_xact_lock({PUSH_LOCK})")
                run_keys, new = _put_runs(source, target, rows, shared)
                shared.put(source, target, schema.instrument, {row["instrument_id"] for row in used})
                copy_in(target, schema.run_instrument, _instrument_links(used, new, run_keys, shared))
                steps, readings = _put_steps(source, target, run_keys, shared)
                _put_ends(target, ends, run_keys)
        except BaseException:
            shared.forget()  # what it learned may have been rolled back
            raise
    return steps, readings


def _put_runs(
    source: sa.Connection, target: sa.Connection, rows: list[dict[str, Any]], shared: SharedRows
) -> tuple[dict[int, int], set[int]]:
    """Local key -> server key of every run of the batch, and the local keys of those that were not there."""
    have = sa.select(schema.run.c.uuid, schema.run.c.id).where(schema.run.c.uuid.in_([row["uuid"] for row in rows]))
    there = {row.uuid: row.id for row in target.execute(have)}
    missing = [row for row in rows if row["uuid"] not in there]
    files = {row[name] for row in missing for name in ("board_sha256", "sequence_sha256", "bench_sha256")}
    shared.put_documents(source, target, files)
    shared.put(source, target, schema.unit, {row["unit_id"] for row in missing})
    run_keys = {row["id"]: int(there[row["uuid"]]) for row in rows if row["uuid"] in there}
    for row, key in zip(missing, reserve(target, schema.run, len(missing)), strict=True):
        run_keys[row["id"]] = key
    units = shared.keys[schema.unit.name]
    copy_in(
        target,
        schema.run,
        ({**row, "id": run_keys[row["id"]], "unit_id": units[row["unit_id"]]} for row in missing),
    )
    return run_keys, {row["id"] for row in missing}


def _instrument_links(
    used: Iterable[dict[str, Any]], new: set[int], run_keys: dict[int, int], shared: SharedRows
) -> Iterator[dict[str, object]]:
    keys = shared.keys[schema.instrument.name]
    for row in used:
        if row["run_id"] in new:
            yield {**row, "run_id": run_keys[row["run_id"]], "instrument_id": keys[row["instrument_id"]]}


def _put_steps(
    source: sa.Connection, target: sa.Connection, run_keys: dict[int, int], shared: SharedRows
) -> tuple[int, int]:
    step, reading, blob = schema.step, schema.reading, schema.step_blob
    have = sa.select(step.c.run_id, step.c.number).where(step.c.run_id.in_(list(run_keys.values())))
    there = {(row.run_id, row.number) for row in target.execute(have)}
    rows = fetch(source, sa.select(step).where(step.c.run_id.in_(list(run_keys))).order_by(step.c.id))
    rows = [row for row in rows if (run_keys[row["run_id"]], row["number"]) not in there]
    if not rows:
        return 0, 0
    step_keys = dict(zip((row["id"] for row in rows), reserve(target, step, len(rows)), strict=True))
    copy_in(target, step, ({**row, "id": step_keys[row["id"]], "run_id": run_keys[row["run_id"]]} for row in rows))
    # Steps of one run lie together, so the batch's readings and blobs are found by its runs and sifted here.
    mine = sa.select(step.c.id).where(step.c.run_id.in_({row["run_id"] for row in rows}))
    blobs = fetch_tuples(source, sa.select(blob).where(blob.c.step_id.in_(mine)))
    copy_tuples(target, blob, ((step_keys[row[0]], *row[1:]) for row in blobs if row[0] in step_keys))
    readings = fetch_tuples(source, sa.select(reading).where(reading.c.step_id.in_(mine)))
    readings = [row for row in readings if row[0] in step_keys]
    shared.put(source, target, schema.measurand, {row[2] for row in readings})
    shared.put(source, target, schema.terms, {row[3] for row in readings})
    what, against = shared.keys[schema.measurand.name], shared.keys[schema.terms.name]
    moved = ((step_keys[key], place, what[m], against[t], *rest) for key, place, m, t, *rest in readings)
    copy_tuples(target, reading, moved)
    return len(rows), len(readings)


def _put_ends(target: sa.Connection, ends: list[dict[str, Any]], run_keys: dict[int, int]) -> None:
    have = sa.select(schema.run_end.c.uuid).where(schema.run_end.c.uuid.in_([row["uuid"] for row in ends]))
    there = set(target.scalars(have))
    missing = [row for row in ends if row["uuid"] not in there]
    keys = reserve(target, schema.run_end, len(missing))
    copy_in(
        target,
        schema.run_end,
        ({**row, "id": key, "run_id": run_keys[row["run_id"]]} for row, key in zip(missing, keys, strict=True)),
    )
