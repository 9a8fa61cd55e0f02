"""What is kept, as the pages show it: units side by side, one page a unit, the map of the board.

stored = Stored("wakeboard.db", "board.toml")          names of files stay in this process; no page shows them
stored.units()                                          values for units.html.j2

Everything is read anew for each request, by a session of its own that writes nothing.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from wakeboard.results.records import ASKED
from wakeboard.results.report.text import OUTCOME_WORDS
from wakeboard.results.visible import visible

if TYPE_CHECKING:
    from wakeboard.results.records import RunRecord
    from wakeboard.results.store.store import Store

LATEST = 40  # runs of a unit on its page
MOST_ODD = 12  # lines on a tablet; the report has all


class Stored:
    """store: the file or URL of results; board: the board's file, "" where none is known."""

    def __init__(self, store: str, board: str) -> None:
        self._store = store
        self._board = board

    @contextlib.contextmanager
    def _open(self) -> Iterator[Store | None]:
        """The store; None where there is none yet."""
        from wakeboard.results.store.errors import StoreError
        from wakeboard.results.store.store import Store

        try:
            store = Store.open(self._store, create=False, read_only=True)
        except StoreError:
            yield None
            return
        with store:
            yield store

    def units(self) -> dict[str, object]:
        """Every unit, by board."""
        from wakeboard.results.ledger.ledger import Ledger
        from wakeboard.results.ledger.text import when

        with self._open() as store:
            found = Ledger(store).units(None) if store is not None else []
        boards: dict[str, list[dict[str, object]]] = {}
        for unit in found:
            boards.setdefault(unit.board, []).append({
                "serial": unit.serial, "shown": visible(unit.serial), "runs": unit.runs,
                "when": when(unit.last_started) if unit.last_started is not None else "",
                "outcome": unit.outcome or ("no end" if unit.runs else "no run"), "run": unit.last_run,
                "rework": [visible(each) for each in unit.rework],
            })  # fmt: skip
        return {"boards": boards, "words": OUTCOME_WORDS}

    def unit(self, board: str, serial: str) -> dict[str, object] | None:
        """One unit: its runs, its history, findings that rest on it."""
        from wakeboard.results.ledger.ledger import Ledger
        from wakeboard.results.ledger.text import when

        with self._open() as store:
            if store is None or not any(
                (each.board, each.serial) == (board, serial) for each in Ledger(store).units(None)
            ):
                return None
            ledger = Ledger(store)
            runs = store.runs(board=board, unit=serial, limit=LATEST)
            history = ledger.history(serial, board)
            latest = next((run for run in runs if run.outcome is not None and run.sequence != ASKED), None)
            record = None if latest is None else store.run(latest.id, blobs=False)
            findings = [each for each in ledger.findings(board) if any(proof.unit == serial for proof in each.evidence)]
            return {
                "board": board,
                "serial": serial,
                "photos": [{"id": photo.uuid, "when": when(photo.at), "text": visible(photo.text)}
                           for photo in ledger.photos(serial, board)],
                "odd": [] if record is None else _odd(record),
                "latest": "" if latest is None else latest.id,
                "rework": [visible(each.text) for each in ledger.reworks(serial, board) if each.undone_at is None],
                "words": OUTCOME_WORDS,
                "runs": [
                    {"id": run.id, "when": when(run.started), "sequence": visible(run.sequence),
                     "outcome": run.word or "no end"}
                    for run in runs
                ],
                "history": [{"when": when(event.at), "text": visible(event.text), "by": visible(event.by)}
                            for event in history if event.kind not in ("run", "photo")],
                "findings": [{"number": each.number, "title": visible(each.title), "state": each.state}
                             for each in findings],
            }  # fmt: skip

    def add_photo(self, board: str, serial: str, data: bytes, text: str) -> str | None:
        """Why it is not taken in, "" where it was; None where there is no such unit."""
        from wakeboard.results.ledger.ledger import Ledger
        from wakeboard.results.ledger.photos import PhotoRefused
        from wakeboard.results.store.errors import StoreError
        from wakeboard.results.store.store import Store

        if self.unit(board, serial) is None:
            return None
        try:
            with Store.open(self._store, create=False) as store:
                Ledger(store).add_photo(serial, data, text, board=board, by="at the page")
        except PhotoRefused as error:
            return str(error)
        except StoreError as error:
            return f"the photo was not kept: the results cannot be written now ({error.kind})"
        return ""

    def photo(self, uuid: str, small: bool) -> bytes | None:
        from wakeboard.results.ledger.ledger import Ledger

        with self._open() as store:
            return None if store is None else Ledger(store).picture(uuid, small=small)

    def explained(self, ref: str) -> str | None:
        """A run's report with what explains its odd readings, worked out now."""
        from wakeboard.harness.explain.explaining import explain_run
        from wakeboard.harness.explain.in_time_told import document_of
        from wakeboard.harness.explain.unit.cases import CannotExplain
        from wakeboard.results.report import report_run
        from wakeboard.results.store.errors import StoreError

        with self._open() as store, contextlib.suppress(StoreError):
            if store is None:
                return None
            try:
                found = document_of(explain_run(store, ref))
            except CannotExplain:
                found = None
            return report_run(store, ref, found)
        return None

    def run_report(self, ref: str) -> str | None:
        from wakeboard.results.report import report_run
        from wakeboard.results.store.errors import StoreError

        with self._open() as store, contextlib.suppress(StoreError):
            return None if store is None else report_run(store, ref)
        return None

    def board_report(self, board: str) -> str | None:
        from wakeboard.results.report import report_board

        with self._open() as store:
            return None if store is None or board not in store.boards() else report_board(store, board)

    def map(self, net: str, point: str) -> str:
        """The board's drawing with the pads of a net and the point marked; "" where no places are known."""
        from wakeboard.harness.describe.problems import FileProblems
        from wakeboard.harness.drawings.places.places import places_beside
        from wakeboard.results.boardmap import drawn

        try:
            places = places_beside(self._board) if self._board else None
        except FileProblems:
            return ""
        return "" if places is None else str(drawn(places.map, net=net, point=point))


def _odd(record: RunRecord) -> list[dict[str, str]]:
    """The readings of a run that are outside their limits, or too near them to decide."""
    from wakeboard.harness.run.live import reading_text

    return [
        {"text": visible(reading_text(reading)), "outcome": reading.outcome, "step": visible(step.name)}
        for step in record.steps
        for reading in step.readings
        if reading.outcome in ("fail", "marginal")
    ][:MOST_ODD]


def pickable_map(board: str, points: Sequence[str]) -> str:
    """The board's drawing with its points to be pressed; "" where no places are known."""
    from wakeboard.harness.describe.problems import FileProblems
    from wakeboard.harness.drawings.places.places import places_beside
    from wakeboard.results.boardmap import drawn

    try:
        places = places_beside(board) if board else None
    except FileProblems:
        return ""
    return "" if places is None else str(drawn(places.map, spots=points))


def has_places(board: str) -> bool:
    """Whether a drawing was read for this board."""
    from wakeboard.harness.drawings.places.places import NAME

    return bool(board) and (Path(board).parent / NAME).is_file()
