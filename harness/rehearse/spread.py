"""A job spread over machines by Dask: the same pieces as on one, so the same answer.

    judge_spread(job, planted, on="local")                 workers of this machine, started and ended here
    judge_spread(job, planted, on="tcp://host:8786")       a scheduler that runs already
    judge_spread(job, planted, on="local", keep="r.jsonl") what is done is kept; called again it goes on from there

A Job does not travel: sequence and board go as texts, once to each worker, and each makes its own Job from them. What
comes back is lean: a judgement without the readings of its trial. A worker that dies costs the pieces it held, which
the scheduler gives to others. A program that dies has lost nothing that is in `keep`. Workers must have the software
version of the client; that is asked of each piece, since workers come and go.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import json
import os
import platform
import re
import socket
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from importlib import metadata, resources
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from wakeboard.harness.rehearse.job import Job, Judged
from wakeboard.harness.rehearse.kept import Kept
from wakeboard.harness.rehearse.pool import CHUNK, Progress

if TYPE_CHECKING:
    from wakeboard.instruments.virtual.circuit import Fault

LOCAL: Final = "local"
TIMEOUT: Final = 15.0
"""s that a scheduler may take to answer."""
SILENCE: Final = 5.0
"""s between two looks at whether the scheduler is still there, while nothing comes."""
POLL: Final = 0.05
"""s between two looks at whether a piece has come: a worker has others ahead meanwhile."""
LEAN: Final = {
    "distributed.worker.profile.enabled": False,
    "distributed.admin.system-monitor.gil.enabled": False,
    "distributed.admin.system-monitor.interval": "10s",
}
"""Of workers that are started here: Dask's own look at the stack a hundred times a second is a tenth of the work."""
AHEAD: Final = 4
"""Pieces handed out per worker: enough that none waits, few enough that a million do not lie in the scheduler."""


class SpreadError(RuntimeError):
    """The machines could not be reached, or do not fit; what was done is kept where `keep` was given."""


PIECES: Final = 24
"""Of a rehearsal at least, where it is large: a few for each of a few workers, so that these end together."""
MOST: Final = 4096
"""Sets of faults of a piece at most: about a minute, which a killed worker costs."""


class Plan(NamedTuple):
    """What a worker makes its Job of."""

    sequence_text: str
    sequence_file: str
    board_text: str
    planted: tuple[tuple[str, ...], ...]
    save: bool
    version: str
    digest: str


def judge_spread(
    job: Job,
    planted: Sequence[Sequence[Fault]],
    *,
    on: str = LOCAL,
    workers: int | None = None,
    keep: str | None = None,
    progress: Progress | None = None,
) -> list[Judged]:
    """A judgement on each set of faults, in their order, as harness/rehearse/pool.py gives it but without the readings
    of its trial. progress(done, total) is called as pieces come. Raises SpreadError."""
    texts = [tuple(str(fault) for fault in faults) for faults in planted]
    size = piece_of(len(texts))
    pieces = {first: texts[first : first + size] for first in range(0, len(texts), size)}
    plan = plan_of(job, texts)
    found: dict[int, list[Judged]] = {}
    with Kept.open(keep, plan.digest) as kept:
        found.update((first, judged) for first, judged in kept.pieces.items() if first in pieces)
        _tell(progress, found, len(texts))
        left = {first: piece for first, piece in pieces.items() if first not in found}
        for first, judged in _computed(plan, left, on, workers) if left else ():
            if first not in found:  # a piece that two workers did counts once
                found[first] = judged
                kept.add(first, judged)
            _tell(progress, found, len(texts))
    return [each for first in sorted(pieces) for each in found[first]]


def piece_of(total: int) -> int:
    """Sets of faults that a worker is given at a time: always the same of as many, since what is kept is kept so.
    Client and scheduler feed 30 to 40 pieces a second (measured: 25 to 33 ms of processor each): pieces grow with the
    whole."""
    return max(CHUNK, min(total // PIECES, MOST) // CHUNK * CHUNK)


def _tell(progress: Progress | None, found: dict[int, list[Judged]], total: int) -> None:
    if progress is not None:
        progress(sum(map(len, found.values())), total)


def plan_of(job: Job, texts: Sequence[Sequence[str]]) -> Plan:
    """The plan of a job; its digest is the same for the same files, faults and software. Raises SpreadError."""
    sequence, board = job.sequence, job.sequence.board
    if board.board.own:
        raise SpreadError(
            f"{board.name} has code of its own (own = …): that runs where it was agreed to, not elsewhere"
        )
    planted = tuple(tuple(str(fault) for fault in faults) for faults in job.planted)
    told = [list(each) for each in texts]
    whole = (sequence.text, board.text, planted, told, piece_of(len(texts)), job.save, software())
    digest = hashlib.sha256(json.dumps(whole).encode()).hexdigest()
    return Plan(sequence.text, sequence.file, board.text, planted, job.save, software(), digest)


@functools.cache
def software() -> str:
    """What must be the same for the same answer: Wakeboard to the last byte of its sources and tables, and numpy."""
    import numba
    import numpy

    found = hashlib.sha256()
    for room in ("harness", "instruments", "results", "sequences"):
        folder = Path(str(resources.files(f"wakeboard.{room}")))
        for file in sorted(each for kind in ("*.py", "*.toml") for each in folder.rglob(kind)):
            found.update(str(file.relative_to(folder)).encode() + file.read_bytes())
    versions = f"numpy {numpy.__version__}, numba {numba.__version__}"
    return f"wakeboard {metadata.version('wakeboard')} ({found.hexdigest()[:12]}), {versions}"


# --- on a worker ------------------------------------------------------------------------------------------------------
_jobs: dict[str, Job] = {}


class OtherVersion(RuntimeError):
    """A worker has another version of the software."""


def work(plan: Plan, first: int, texts: Sequence[Sequence[str]]) -> tuple[int, list[Judged]]:
    """One piece, on a worker: its judgements, lean. The Job is made with the first piece and kept."""
    from wakeboard.harness.rehearse.pool import parsed
    from wakeboard.instruments.garbage import seldom_collected

    if software() != plan.version:
        raise OtherVersion(f"{_here()} has {software()}; this program has {plan.version}")
    if plan.digest not in _jobs:
        _jobs.clear()
        _jobs[plan.digest] = _job_of(plan)
    with seldom_collected():
        batches = (texts[k : k + CHUNK] for k in range(0, len(texts), CHUNK))  # as in one process
        return first, [lean(each) for batch in batches for each in _jobs[plan.digest].judge(parsed(batch))]


def given(plan: Plan) -> Plan:
    """The plan, as it lies on the workers."""
    return plan


def _job_of(plan: Plan) -> Job:
    from wakeboard.harness.describe.load import sequence_of_texts
    from wakeboard.harness.rehearse.pool import parsed

    sequence = sequence_of_texts(plan.sequence_text, plan.board_text, plan.sequence_file)
    job = Job(sequence, parsed(plan.planted), save=plan.save)
    job.reach.prepare()
    return job


def _here() -> str:
    return f"the worker on {platform.node()}, process {os.getpid()}"


def lean(judged: Judged) -> Judged:
    """Without what nobody asks of a judgement once it is made: readings, states, times; names of two steps at most."""
    named = {judged.step, judged.burn.step if judged.burn is not None else None}
    names = {number: name for number, name in judged.trial.names.items() if number in named}
    trial = replace(judged.trial, readings={}, steps={}, names=names, states=frozenset(), ended={}, burns=())
    return replace(judged, trial=trial)


# --- on the client ----------------------------------------------------------------------------------------------------
def _computed(
    plan: Plan, pieces: dict[int, list[tuple[str, ...]]], on: str, workers: int | None
) -> Iterator[tuple[int, list[Judged]]]:
    """The pieces as they come. Raises SpreadError."""
    distributed = _engine()
    try:
        with contextlib.ExitStack() as stack:
            client = stack.enter_context(_client(distributed, on, workers))
            yield from _streamed(distributed, client, plan, pieces)
    except OtherVersion as error:
        raise SpreadError(f"{error}: install the same there") from None
    except distributed.KilledWorker as error:
        raise SpreadError(f"a piece killed every worker that it was given to: {error}") from None
    except (OSError, TimeoutError, distributed.comm.CommClosedError) as error:
        raise SpreadError(_lost(on, str(error) or type(error).__name__)) from None


def _engine() -> Any:
    try:
        import distributed
    except ImportError:
        raise SpreadError("rehearsing on several machines needs Dask: pip install 'wakeboard[spread]'") from None
    return distributed


@contextlib.contextmanager
def _client(distributed: Any, on: str, workers: int | None) -> Iterator[object]:
    """A client of the scheduler; with "local" of one that ends with it."""
    if on != LOCAL:
        _find(on)
        try:
            client = distributed.Client(on, timeout=TIMEOUT, set_as_default=False)
        except Exception as error:  # noqa: BLE001  whatever a stranger's bytes make of it
            kind = type(error).__name__
            raise SpreadError(f"what answers at {on} is no Dask scheduler that fits ours ({kind})") from None
        with client:
            yield client
        return
    import dask

    count = workers or os.cpu_count() or 1
    with (
        dask.config.set(LEAN),
        distributed.LocalCluster(
            n_workers=count, threads_per_worker=1, dashboard_address=None, silence_logs=50, memory_limit=0
        ) as cluster,
        distributed.Client(cluster, set_as_default=False) as client,
    ):
        yield client


def _find(on: str) -> None:
    """Whether somebody listens at an address; the words are ours, not a library's. Raises SpreadError."""
    place = re.fullmatch(r"(?:tcp|tls)://(\[[0-9a-fA-F:.]+\]|[^\s/:@]+):(\d{1,5})/?", on)
    if place is None or not 0 < int(place[2]) < 65536:
        raise SpreadError(f'--on {on!r}: write "local", or a scheduler as tcp://host:8786')
    try:
        socket.create_connection((place[1].strip("[]"), int(place[2])), TIMEOUT).close()
    except (OSError, UnicodeError) as error:
        why = (
            "it does not answer"
            if isinstance(error, TimeoutError)
            else getattr(error, "strerror", None) or "no such name"
        )
        raise SpreadError(f"no scheduler at {on}: {why}; start one there with: dask scheduler") from None


def _streamed(
    distributed: Any, client: Any, plan: Plan, pieces: dict[int, list[tuple[str, ...]]]
) -> Iterator[tuple[int, list[Judged]]]:
    """Never more than a few pieces a worker handed out at a time; each result is let go of once it is here."""
    told = client.submit(given, plan, pure=False)  # a task and no scattered datum: it is made anew where a worker dies
    waiting = iter(pieces.items())
    coming = distributed.as_completed([], loop=client.loop)
    held = 0
    while True:
        most = AHEAD * max(1, len(client.scheduler_info(n_workers=-1)["workers"]))
        while held < most and (piece := next(waiting, None)) is not None:
            coming.add(client.submit(work, told, *piece, pure=False, retries=2))
            held += 1
        if not held:
            return
        future = _next(client, coming)
        held -= 1
        if future.status == "cancelled" or future.status == "lost":
            raise SpreadError("the scheduler has lost what it was given: it was started anew, or is gone")
        yield future.result()


def _next(client: Any, coming: Any) -> Any:
    """The next piece that is done. Raises SpreadError where the scheduler is gone."""
    while True:
        try:
            coming.timeout = None
            return _within(coming, SILENCE)
        except TimeoutError:
            if client.status != "running":
                raise SpreadError(_lost(str(client.scheduler_info()), f"its client is {client.status}")) from None


def _within(coming: Any, seconds: float) -> object:
    """The next of as_completed, or TimeoutError after so many seconds."""
    ends = time.monotonic() + seconds
    while coming.is_empty() or coming.queue.empty():
        if time.monotonic() > ends:
            raise TimeoutError
        time.sleep(POLL)
    return next(coming)


def _lost(on: str, why: str) -> str:
    return f"the scheduler at {on} is gone ({why}); with --keep FILE the same command goes on from what is done"
