"""What lasts: records of runs, the store, the ledger of units, statistics, comparison, reports.

`results.frame(...)` is the door for notebooks: see `wakeboard.results.frames`.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

    from wakeboard.results.store.store import Store


def frame(store: Store | str | Path, **narrow: Any) -> pd.DataFrame:
    """Readings in long form as a pandas DataFrame; the arguments are those of `wakeboard.results.frames.frame`."""
    from wakeboard.results import frames

    return frames.frame(store, **narrow)
