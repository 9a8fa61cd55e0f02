"""Reports: one self-contained HTML file for a run, a board, a batch.

A page carries its style and its drawings, asks nothing of the network, needs no script, and is the same byte for byte
whenever the same run is rendered. All text from instruments, files and people is escaped by the templates; a content
security policy in the page forbids whatever might still slip through. A page says what was measured, never that a board
is safe.

    render_run(record, explain, review)                      one run
    render_board(board, records, …)                          the units of a board, side by side
    render_batch(board, records, …)                          a production batch
    report_run(store, ref), report_board(store, board), report_batch(store, board)     the same out of a store

`explain` and `review` are documents as `wakeboard explain --json` and `wakeboard review --json` print them, or None.
"""

from __future__ import annotations

from wakeboard.results.report.render import (
    render_batch,
    render_board,
    render_run,
    report_batch,
    report_board,
    report_run,
)

__all__ = ["render_batch", "render_board", "render_run", "report_batch", "report_board", "report_run"]
