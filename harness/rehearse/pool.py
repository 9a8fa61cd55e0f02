"""Trials spread over processes, one a core; each process solves its share in one batch."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from typing import Final

from harness.rehearse.trial import Shared, Trial, run_together

TOGETHER: Final = 64
"""Trials solved in one batch: enough that a point costs little, few enough that progress shows."""

_kept: dict[str, object] = {}


def _begin(sequence_file: str) -> None:
    """Once a process: read the files, compile the circuit."""
    # one solver a core; a threaded BLAS would have both cores fight
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from harness.describe.load import load_sequence

    sequence = load_sequence(sequence_file)
    _kept["sequence"], _kept["shared"] = sequence, Shared(sequence.board)


def _work(first: int, texts: Sequence[Sequence[str]]) -> tuple[int, list[Trial]]:
    from instruments.virtual.circuit import parse_fault

    faults = [[parse_fault(text) for text in planted] for planted in texts]
    return first, run_together(_kept["sequence"], faults, _kept["shared"])  # type: ignore[arg-type]


def run_trials(
    sequence_file: str,
    planted: Sequence[Sequence[str]],
    *,
    workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> list[Trial]:
    """A trial for each set of fault texts, in their order. progress(done, total) is called as they end.

    One worker runs in this process, so that a debugger and a coverage run see it.
    """
    count = workers or os.cpu_count() or 1
    chunks = [(first, planted[first : first + TOGETHER]) for first in range(0, len(planted), TOGETHER)]
    if count == 1 or len(chunks) == 1:
        _begin(sequence_file)
        return _gather(planted, (_work(*chunk) for chunk in chunks), progress)
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with ProcessPoolExecutor(count, initializer=_begin, initargs=(sequence_file,)) as pool:
        futures: list[Future[tuple[int, list[Trial]]]] = [pool.submit(_work, *chunk) for chunk in chunks]
        return _gather(planted, (future.result() for future in as_completed(futures)), progress)


def _gather(
    planted: Sequence[Sequence[str]], parts: object, progress: Callable[[int, int], None] | None
) -> list[Trial]:
    found: list[Trial | None] = [None] * len(planted)
    done = 0
    for first, trials in parts:  # type: ignore[attr-defined]
        found[first : first + len(trials)] = trials
        done += len(trials)
        if progress is not None:
            progress(done, len(planted))
    return [trial for trial in found if trial is not None]
