"""Where a run is kept while it runs: in the store, or nowhere but in memory (rehearsals make hundreds of runs)."""

from __future__ import annotations

import uuid
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from wakeboard.results.records import RunStart, Step, Trip
    from wakeboard.results.store.store import Store


class NullRecorder:
    """Keeps nothing: the runner returns the record of the run anyway."""

    def begin(self, start: RunStart) -> str:
        return uuid.uuid4().hex

    def commit(self, step: Step) -> None:
        """Nothing to keep."""

    def end(self, outcome: str, **_what: object) -> None:
        """Nothing to keep."""


class StoreRecorder:
    """Commits each step to the store as it ends."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.run_id = ""

    def begin(self, start: RunStart) -> str:
        self.run_id = self.store.begin_run(start)
        return self.run_id

    def commit(self, step: Step) -> None:
        self.store.commit_step(self.run_id, step)

    def end(
        self, outcome: str, *, outputs_off: bool | None, energised_s: float, trip: Trip | None, says: str = ""
    ) -> None:
        self.store.end_run(self.run_id, outcome, outputs_off=outputs_off, energised_s=energised_s, trip=trip, says=says)
