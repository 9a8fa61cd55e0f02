"""What a review can say while the solver is still being compiled: each supply alone, with nothing driven.

Plain Python solves a case in about a tenth of a second, a few hundred times slower than compiled: enough for the
few cases that tell whether one supply feeds another or a rail that should be off. It runs in a process of its own,
since what is compiled is settled where the solver is imported.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.review.concern import Concern

RULES: Final = ("backfeed", "phantom_power")
PATIENCE: Final = 120.0
"""s that this is worth waiting for on a busy computer; on an idle one the solver is compiled in a sixth of it."""


def begin(board: Path) -> subprocess.Popen[bytes] | None:
    """Start to look at a board file; None where no process can be started."""
    command = [sys.executable, "-P", "-c", f"from {__name__} import main; main({str(board)!r})"]
    try:
        return subprocess.Popen(
            command, env={**os.environ, "NUMBA_DISABLE_JIT": "1"}, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )  # fmt: skip
    except OSError:
        return None


def seen(process: subprocess.Popen[bytes] | None) -> dict[str, object] | None:
    """Its document {"supplies", "concerns"}, as soon as it is there; None where it came to nothing."""
    if process is None:
        return None
    try:
        said = process.communicate(timeout=PATIENCE)[0]
        return dict(json.loads(said)) if process.returncode == 0 else None
    except (subprocess.TimeoutExpired, ValueError):
        process.kill()
        process.wait()
        return None


def look(board: Board) -> list[Concern]:
    """The concerns of these rules over the cases with one supply on and nothing driven."""
    from wakeboard.harness.review.grouping import grouped
    from wakeboard.harness.review.review import in_order
    from wakeboard.harness.review.rules import rules
    from wakeboard.harness.review.study.cases import cases
    from wakeboard.harness.review.study.study import Study

    plain = [case for case in cases(board) if len(case.supplies) == 1 and not case.drives and case.corner == "nominal"]
    study = Study.of(board, plain)
    return in_order(grouped(study, [concern for name in RULES for concern in rules()[name](study)]))


def main(path: str) -> None:
    from wakeboard.harness.describe.load import load_board

    board = load_board(Path(path))
    concerns = [concern.as_json() for concern in look(board)]
    print(json.dumps({"supplies": list(board.supplies), "concerns": concerns}))
