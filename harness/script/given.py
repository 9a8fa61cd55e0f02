"""What a program gives: a thing, or the file that describes it."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from wakeboard.harness.describe.bench import Bench
from wakeboard.harness.describe.board.board import Board
from wakeboard.harness.describe.load import load_bench, load_board, load_sequence
from wakeboard.harness.describe.sequence.sequence import Sequence as StepSequence

if TYPE_CHECKING:
    from wakeboard.results.store.store import Store

PathLike = str | os.PathLike[str]


def a_board(given: Board | PathLike) -> Board:
    return given if isinstance(given, Board) else load_board(given)


def a_bench(given: Bench | PathLike | None, board: Board) -> Bench | None:
    return given if given is None or isinstance(given, Bench) else load_bench(given, board)


def a_sequence(given: StepSequence | PathLike) -> StepSequence:
    return given if isinstance(given, StepSequence) else load_sequence(given)


def faults_of(board: Board, unit: str, plants: Sequence[str] | None, bench: Bench | None) -> Sequence[str]:
    """What is planted in the unit: what is given, else on the virtual bench what units.toml says."""
    from wakeboard.harness.run.session import planted

    if plants is not None:
        return (plants,) if isinstance(plants, str) else plants
    return () if bench is not None else planted(board, unit)


@contextlib.contextmanager
def a_store(given: Store | PathLike, *, create: bool = False) -> Iterator[Store]:
    """A store that is open stays open."""
    from wakeboard.results.store.store import Store

    if isinstance(given, Store):
        yield given
        return
    with Store.open(os.fspath(given), create=create) as store:
        yield store
