"""A job spread over processes, one a core."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from functools import partial
from typing import TYPE_CHECKING, Final, TypeVar

from wakeboard.harness.rehearse.job import Job, Judged
from wakeboard.harness.run import presses
from wakeboard.instruments.garbage import seldom_collected, seldom_from_now
from wakeboard.instruments.own_code import keep_out

if TYPE_CHECKING:
    from wakeboard.instruments.virtual.circuit import Fault

CHUNK: Final = 16
"""Sets of faults that a process is given at a time: enough that what is missed is worth a batch, few enough that both
cores end together and progress shows."""

Progress = Callable[[int, int], None]
Done = TypeVar("Done")
_job: Job | None = None
"""The job of this process: inherited from the one that made the pool, or made by `_begin`."""


def _begin(sequence_file: str, texts: Sequence[Sequence[str]], save: bool, bleed: bool = True) -> None:
    """Once a process."""
    global _job
    if _job is None:
        from wakeboard.harness.describe.load import load_sequence

        _job = Job(load_sequence(sequence_file), parsed(texts), save=save, bleed=bleed)


def _work(first: int, texts: Sequence[Sequence[str]]) -> tuple[int, list[Judged]]:
    assert _job is not None
    return first, _job.judge(parsed(texts))


def parsed(texts: Sequence[Sequence[str]]) -> list[list[Fault]]:
    from wakeboard.instruments.virtual.circuit import parse_fault

    return [[parse_fault(text) for text in planted] for planted in texts]


def judge_all(
    job: Job, planted: Sequence[Sequence[Fault]], *, workers: int | None = None, progress: Progress | None = None
) -> list[Judged]:
    """A judgement on each set of faults, in their order. progress(done, total) is called as they end.

    One worker runs in this process, so that a debugger and a coverage run see it.
    """
    global _job
    texts = [[str(fault) for fault in faults] for faults in planted]
    count = workers or os.cpu_count() or 1
    chunks = [(first, texts[first : first + CHUNK]) for first in range(0, len(texts), CHUNK)]
    _job = job
    if progress is not None:
        progress(0, len(texts))
    try:
        if count == 1 or len(chunks) <= 1:
            with seldom_collected():
                return _gathered(len(texts), (_work(*chunk) for chunk in chunks), progress)
        job.reach.prepare()  # before the processes part, so that it is done once
        begin = (job.sequence.file, [[str(fault) for fault in faults] for faults in job.planted], job.save, job.bleed)
        with under_way(count, _work, chunks, _begin, begin) as futures:
            return _gathered(len(texts), (future.result() for future in as_completed(futures)), progress)
    finally:
        _job = None


@contextmanager
def under_way(
    count: int, work: Callable[..., Done], pieces: Sequence[tuple[object, ...]], begin: Callable[..., None],
    values: Sequence[object],
) -> Iterator[list[Future[Done]]]:  # fmt: skip
    """`work(*piece)` of each piece, under way in `count` processes; begin(*values) comes first in each of them.

    Where the block is broken off, by Ctrl-C or by what else asks this process to end, they end with it.
    """
    keep_out()  # where a worker is a Python of its own, it would look into the working folder first
    before = multiprocessing.active_children()
    with presses.guarded(*presses.LIKE):
        pool = ProcessPoolExecutor(count, initializer=partial(_ends_with_its_parent, begin, *values))
        try:
            with _signals_wait():  # one that came as they part would be taken by a half-made process
                futures = [pool.submit(work, *piece) for piece in pieces]
            yield futures
        except BaseException:
            for process in multiprocessing.active_children():
                if process not in before:
                    process.terminate()
            pool.shutdown(cancel_futures=True)
            raise
        pool.shutdown()


def _ends_with_its_parent(begin: Callable[..., None], *values: object) -> None:
    """Once a process. A terminal's Ctrl-C reaches it too, but its parent says when it ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    for number in _like_ctrl_c():
        if signal.getsignal(number) is not signal.SIG_IGN:  # as SIGHUP after nohup
            signal.signal(number, signal.SIG_DFL)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, _like_ctrl_c())
    threading.Thread(target=_watch_parent, daemon=True).start()
    begin(*values)
    seldom_from_now()


def _watch_parent() -> None:
    """A parent that was killed says nothing, and its pipe stays open as long as one sister lives."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


@contextmanager
def _signals_wait() -> Iterator[None]:
    """Until the block is done, for this process and for those that are made in it."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, _like_ctrl_c())
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _like_ctrl_c() -> set[signal.Signals]:
    return {getattr(signal, name) for name in ("SIGINT", *presses.LIKE) if hasattr(signal, name)}


def _gathered(total: int, parts: Iterable[tuple[int, list[Judged]]], progress: Progress | None) -> list[Judged]:
    found: list[Judged | None] = [None] * total
    done = 0
    for first, judged in parts:
        found[first : first + len(judged)] = judged
        done += len(judged)
        if progress is not None:
            progress(done, total)
    return [each for each in found if each is not None]
