"""The one bench of a session: opened when it is first asked for, without power between tests, off at the end.

One run holds the readings of all tests that use fixtures; where a test ended it (a trip, a failure that would end a
sequence) the next test begins another. A sequence file is a run of its own.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from wakeboard.harness.describe.load import load_bench, load_board
from wakeboard.harness.pytest_plugin.reports import add_readings
from wakeboard.harness.script.given import faults_of
from wakeboard.harness.script.seat import Seat
from wakeboard.results.store.store import Store

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.describe.sequence.sequence import Sequence as StepSequence
    from wakeboard.harness.run.sitting import Sitting
    from wakeboard.results.records import Step

TITLE = "pytest"
PATIENCE = 60.0  # s that a test may think while power is on
DATABASE = "wakeboard.db"


class SeatOfTests(Seat):
    """The seat as tests have it. may: raises Refused for a kind of step that the test at hand may not take, whatever
    way it takes."""

    may: Callable[[str], None]

    def take(self, model: Any) -> Step:
        self.may(model.do)
        return super().take(model)


class BenchTable:
    """See above."""

    def __init__(self, config: pytest.Config) -> None:
        self._config = config
        self.unit: str = config.getoption("wb_unit")
        self._board: Board | None = None
        self._store: Store | None = None
        self._prepared: Any = None
        self._seat: Sitting | None = None
        self._told = 0

    @property
    def board(self) -> Board:
        """Raises pytest.UsageError where there is none, FileProblems where it is wrong."""
        if self._board is None:
            given = self._config.getoption("wb_board")
            file = Path(given) if given else self._config.rootpath / self._config.getini("wakeboard_board")
            if not file.is_file():
                raise pytest.UsageError(f"no board file {file}: name it with --wb-board, or wakeboard_board in the ini")
            self._board = load_board(file)
        return self._board

    def seat(self, may: Callable[[str], None]) -> SeatOfTests:
        """The unit at the bench, without power, for a test that may take these steps."""
        seat = self._seat
        if not isinstance(seat, SeatOfTests) or seat.ended_by:
            self._leave()
            self._seat = seat = SeatOfTests(self.board, title=TITLE, **self._options(self.board))
            seat.__enter__()
            self._told = 0
        seat.may = may
        return seat

    def sit(self, sequence: StepSequence) -> Sitting:
        """The same for a sequence, a run of its own."""
        from wakeboard.harness.run.sitting import Sitting

        self._leave()
        self._seat = Sitting(sequence, **self._options(sequence.board))
        return self._seat.__enter__()

    def test_ends(self, item: pytest.Item) -> None:
        """Power off, and what was read told with the test. Raises what switching off raises."""
        if self._seat is None:
            return
        try:
            if self._seat.ended_by:
                self._leave()
            else:
                self._seat.off()
        finally:
            self.tell(item)

    def tell(self, item: pytest.Item) -> None:
        """The steps since the last call, beside the test that took them."""
        steps = self._seat.steps if isinstance(self._seat, SeatOfTests) else ()
        add_readings(item, steps[self._told :])
        self._told = len(steps)

    def close(self) -> None:
        """Everything off, and the store closed."""
        try:
            self._leave()
        finally:
            if self._store is not None:
                self._store.close()
                self._store = None

    def _leave(self) -> None:
        seat = self._seat
        if seat is not None:
            seat.close()

    leave = _leave

    def _options(self, board: Board) -> dict[str, Any]:
        option = self._config.getoption
        bench_file = option("wb_bench")
        described = load_bench(bench_file, board) if bench_file else None
        return {
            "unit": self.unit,
            "described": described,
            "plants": tuple(faults_of(board, self.unit, option("wb_plant"), described)),
            "store": self._opened(board),
            "energise": option("wb_energise"),
            "patience": PATIENCE,
            "prepared": self._circuit(board) if described is None else None,
        }

    def _circuit(self, board: Board) -> Any:
        """The virtual board, compiled once a session."""
        from wakeboard.harness.run.bench.virtual import prepare_board

        if self._prepared is None or self._prepared[0] != board.digest:
            self._prepared = (board.digest, prepare_board(board))
        return self._prepared[1]

    def _opened(self, board: Board) -> Store:
        if self._store is None:
            place = self._config.getoption("wb_db") or str(Path(board.file).parent / DATABASE)
            self._store = Store.open(place)
            self._store.mark_abandoned()
        return self._store
