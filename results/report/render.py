"""From views to pages."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from markupsafe import Markup

from wakeboard.results.explanation import Document
from wakeboard.results.records import RunRecord
from wakeboard.results.report.cautions import CAUTIONS, NEVER_SAFE
from wakeboard.results.report.explain_view import concerns

if TYPE_CHECKING:
    import jinja2

    from wakeboard.results.compare.compare import Comparison
    from wakeboard.results.ledger.records import Finding
    from wakeboard.results.report.revision_view import RevisionView
    from wakeboard.results.statistics import GaugeStudy
    from wakeboard.results.store.store import Store

FOLDER = Path(__file__).parent


@lru_cache(maxsize=1)
def _environment() -> jinja2.Environment:
    import jinja2

    from wakeboard.results.report.figures.strips import outcome_mark
    from wakeboard.results.report.readings_view import supply_of
    from wakeboard.results.report.text import OUTCOME_WORDS

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(FOLDER),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.globals.update(
        css=Markup((FOLDER / "report.css").read_text(encoding="utf-8")),
        outcome_mark=outcome_mark,
        outcome_words=OUTCOME_WORDS,
        supply_of=supply_of,
        caution_texts=CAUTIONS,
        never_safe=NEVER_SAFE,
    )
    return environment


def _page(template: str, parts: Sequence[tuple[str, str, object]], **context: object) -> str:
    """`parts`: (anchor, words, present) of the page's sections; only present ones are linked."""
    links = [(anchor, words) for anchor, words, present in parts if present]
    return _environment().get_template(template).render(parts=links, **context)


Maps = Sequence[tuple[str, Markup]]
"""Captions and drawings that say where something is on the board."""


Photos = Sequence[tuple[str, str]]
"""Captions and pictures as data: addresses."""

MOST_PHOTOS = 8  # of a unit in a report: the newest


def photos_of(store: Store, unit: str, board: str) -> list[tuple[str, str]]:
    """The newest photos of a unit, oldest first, small ones."""
    from base64 import b64encode

    from wakeboard.results.ledger.ledger import Ledger
    from wakeboard.results.ledger.text import when

    ledger, found = Ledger(store), []
    for photo in ledger.photos(unit, board)[-MOST_PHOTOS:]:
        data = b64encode(ledger.picture(photo.uuid, small=True) or b"").decode()
        caption = f"{unit}, {when(photo.at)}" + (f": {photo.text}" if photo.text else "")
        found.append((caption, f"data:image/jpeg;base64,{data}"))
    return found


def render_run(
    record: RunRecord,
    explain: Document | None = None,
    review: Document | None = None,
    maps: Maps = (),
    photos: Photos = (),
) -> str:
    """One run as a page."""
    from wakeboard.results.report.figures.svg import Pen
    from wakeboard.results.report.run_view import run_view

    view = run_view(Pen(), record, explain)
    found = concerns(review)
    parts = [
        ("odd", "Outside limits", True),
        ("backfeed", "Back-feed", view.matrix),
        ("rails", "Rails", view.rails),
        ("lines", "Lines", view.lines),
        ("power", "Power", view.traces),
        ("where", "Where", maps),
        ("taken-apart", "Bodges", view.explanation.lines),
        ("review", "Review", found),
        ("photos", "Photos", photos),
        ("steps", "Steps", True),
        ("instruments", "Instruments", True),
        ("traffic", "Traffic", view.traffic),
    ]
    return _page("run.html.j2", parts, view=view, concerns=found, maps=maps, photos=photos, data=_embedded(record))


def _embedded(record: RunRecord) -> Markup:
    """The run as JSON inside the page. "<" is written as an escape, so that no text can end the element."""
    text = json.dumps(record.as_json(), ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    for sign in "<>&":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return Markup(text)


def render_board(
    board: str,
    records: Sequence[RunRecord],
    *,
    explain: Document | Mapping[str, Document] | None = None,
    review: Document | None = None,
    findings: Sequence[Finding] = (),
    reference: str | None = None,
    comparison: Comparison | None = None,
    maps: Maps = (),
    photos: Photos = (),
) -> str:
    """The units of a board side by side. `explain`: one document for the board, or one for each unit's serial number
    (under "" one for all). `records`: the last finished run of each unit and sequence."""
    from wakeboard.results.compare.compare import compare_records
    from wakeboard.results.report.board_view import board_view
    from wakeboard.results.report.figures.svg import Pen

    chosen = sorted((r for r in records if r.board == board), key=lambda r: (r.started, r.id))
    compared = comparison or compare_records(chosen, reference)
    view = board_view(Pen(), compared, chosen, explain, review, findings)
    parts = [
        ("do", "What to do", True),
        ("design", "All units", True),
        ("assembly", "One unit", True),
        ("why", "Why", True),
        ("revision", "Next revision", view.findings),
        ("taken-apart", "Bodges", view.explanation.lines),
        ("review", "Review", view.concerns),
        ("where", "Where", maps),
        ("photos", "Photos", photos),
        ("backfeed", "Back-feed", view.matrix),
        ("side", "Side by side", True),
        ("power", "Power", view.overlays),
        ("limits", "Limits", view.proposed),
        ("instruments", "Instruments", True),
        ("runs", "Runs", True),
    ]
    return _page("board.html.j2", parts, view=view, maps=maps, photos=photos)


def render_batch(
    board: str,
    records: Sequence[RunRecord],
    *,
    gauge: GaugeStudy | None = None,
    comparison: Comparison | None = None,
) -> str:
    """A batch: all runs of its units, oldest first; their steps are needed only where no comparison is given."""
    from wakeboard.results.compare.compare import compare_records
    from wakeboard.results.report.batch_view import batch_view
    from wakeboard.results.report.figures.svg import Pen

    chosen = sorted((r for r in records if r.board == board), key=lambda r: (r.started, r.id))
    view = batch_view(Pen(), comparison or compare_records(chosen), chosen, gauge)
    parts = [
        ("yield", "Yield", True),
        ("fails", "What fails", True),
        ("charts", "Charts", view.charts),
        ("capability", "Capability", view.rows),
        ("gauge", "Gauge study", view.gauge),
        ("instruments", "Instruments", True),
    ]
    return _page("batch.html.j2", parts, view=view)


def report_run(
    store: Store, ref: str | None = None, explain: Document | None = None, review: Document | None = None
) -> str:
    """The page of a run in a store: an id, its first letters, a unit (its latest), or None for the latest."""
    record = store.run(ref)
    return render_run(record, explain, review, photos=photos_of(store, record.unit, record.board))


MOST_RUNS = 24  # more runs than this are compared by their readings, without their traces


def report_board(
    store: Store,
    board: str,
    *,
    explain: Document | Mapping[str, Document] | None = None,
    review: Document | None = None,
    reference: str | None = None,
    maps: Maps = (),
) -> str:
    """The page of a board in a store, of the last finished run of each unit and sequence, with its findings."""
    from wakeboard.results.compare.compare import compare
    from wakeboard.results.compare.table import latest_runs, table_of_store
    from wakeboard.results.ledger.ledger import Ledger

    table = table_of_store(store, board, latest=True)
    newest = [table.runs[i].id for i in latest_runs(table.runs)][-MOST_RUNS:]
    records = [store.run(ident) for ident in newest]
    return render_board(
        board,
        records,
        explain=explain,
        review=review,
        findings=Ledger(store).findings(board),
        comparison=compare(table, reference),
        maps=maps,
        photos=[each for unit in dict.fromkeys(r.unit for r in records) for each in photos_of(store, unit, board)],
    )


def report_batch(store: Store, board: str, *, sequence: str | None = None, gauge: GaugeStudy | None = None) -> str:
    """The page of all runs of a board (of one sequence)."""
    from wakeboard.results.compare.compare import compare
    from wakeboard.results.compare.table import table_of_store

    table = table_of_store(store, board, sequence=sequence, latest=True)
    return render_batch(board, store.heads(board, sequence), gauge=gauge, comparison=compare(table))


def render_revision(view: RevisionView) -> str:
    """A revision beside the one that it comes from, as a page to forward."""
    parts = [
        ("changes", "What to change", True),
        ("left", "Still there", view.still),
        ("new", "New", view.new),
        ("lines", "Lines", view.margins),
        ("sequence1", "Rehearsal", view.sequences),
        ("compare", "Old units", view.differing),
        ("drawn", "For the drawing", view.drawn),
    ]
    return _page("revision.html.j2", parts, view=view)
