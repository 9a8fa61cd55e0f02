"""One line for what several units need, a batch read at once, and runs that an explanation asked for left out.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import html
import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from wakeboard.results.compare.table import table_of_records, table_of_store
from wakeboard.results.ledger.ledger import Ledger
from wakeboard.results.records import ASKED, RunRecord
from wakeboard.results.report import render_batch, render_board, render_run, report_batch
from wakeboard.results.report.explain_view import explanation as view_of
from wakeboard.results.report.explain_view import shared_bodges
from wakeboard.results.store.store import Store


def bodged(document: Mapping[str, Any], **bodge: Any) -> Any:
    """The view of a document whose line's bodge is changed."""
    (line,) = document["lines"]
    return view_of({**document, "lines": [{**line, "bodge": {**line["bodge"], **bodge}}]})


# --- what to fit ----------------------------------------------------------------------------------------------------
def test_units_with_the_same_pull_share_one_line(explanation: Mapping[str, Any]) -> None:
    """1.1 kΩ in a window of 291 Ω to 4.18 kΩ, 1.3 kΩ in one of 292 Ω to 5.46 kΩ: the windows meet in 292 Ω to 4.18 kΩ,
    whose geometric middle is 1.105 kΩ."""
    by_unit = {
        "001": bodged(explanation, fit_ohms=1.1e3, low_ohms=291.0, high_ohms=4180.0, says="solder 1.1 kΩ"),
        "004": bodged(explanation, fit_ohms=1.3e3, low_ohms=292.0, high_ohms=5460.0, says="solder 1.3 kΩ"),
    }
    (bodge,) = shared_bodges(by_unit)
    assert (bodge.ohms, bodge.where, bodge.units) == (1.1e3, "across R31", ("001", "004"))
    assert bodge.text.startswith(
        "solder 1.1 kΩ across R31 on RADIO_RST in units 001 and 004; anything from 292 Ω to 4.18 kΩ"
    )


def test_units_that_no_resistor_fits_alike_keep_a_line_each(explanation: Mapping[str, Any]) -> None:
    by_unit = {
        "001": bodged(explanation, fit_ohms=1.1e3, low_ohms=300.0, high_ohms=2e3, says="solder 1.1 kΩ"),
        "004": bodged(explanation, fit_ohms=5.1e3, low_ohms=4e3, high_ohms=9e3, says="solder 5.1 kΩ"),
    }
    assert tuple(bodge.text for bodge in shared_bodges(by_unit)) == (
        "solder 1.1 kΩ (unit 001)",
        "solder 5.1 kΩ (unit 004)",
    )


def test_one_unit_is_told_as_it_is(explanation: Mapping[str, Any]) -> None:
    (bodge,) = shared_bodges({"": view_of(explanation)})
    assert bodge.text == "fit 1 kΩ from RADIO_RST to GND, across R31"


# --- a batch --------------------------------------------------------------------------------------------------------
def test_a_batch_from_the_store_is_the_page_of_its_records(store_with_runs: Any) -> None:
    whole = [store_with_runs.run(summary.id, blobs=False) for summary in store_with_runs.runs(board="Skep")]
    assert report_batch(store_with_runs, "Skep") == render_batch("Skep", whole)


def test_a_batch_takes_no_more_queries_for_more_runs(
    store_with_runs: Any, skep_runs: list[RunRecord], keep_run: Callable[[Any, RunRecord], str]
) -> None:
    few = statements(store_with_runs)
    for run in skep_runs:
        keep_run(store_with_runs, replace(run, start=replace(run.start, unit=run.unit + "-b")))
    assert statements(store_with_runs) == few


def statements(store: Any) -> int:
    """How many statements a batch report sends, as the database sees them."""
    sent: list[str] = []
    with store.database.reading() as connection:
        driver = connection.connection.driver_connection
    driver.set_trace_callback(sent.append)
    try:
        report_batch(store, "Skep")
    finally:
        driver.set_trace_callback(None)
    assert sent
    return len(sent)


# --- what an explanation asked for ----------------------------------------------------------------------------------
@pytest.fixture
def with_asked(store_with_runs: Any, keep_run: Callable[[Any, RunRecord], str]) -> tuple[Any, str]:
    """The five runs, then one of measurements that an explanation asked for, of a reading that no run has."""
    run = store_with_runs.run()
    step = replace(run.steps[0], readings=[replace(run.steps[0].readings[0], of="ASKED_FOR")])
    start = replace(run.start, sequence_title=ASKED, sequence_text="")
    return store_with_runs, keep_run(store_with_runs, replace(run, start=start, steps=[step], outcome="pass"))


def test_an_asked_run_is_found_by_its_id_and_is_never_the_latest(with_asked: tuple[Any, str]) -> None:
    store, asked = with_asked
    assert store.run(asked).sequence == ASKED
    assert store.run().sequence != ASKED
    assert [s.id for s in store.runs(sequence=ASKED)] == [asked]
    assert asked not in [head.id for head in store.heads("Skep")]


def test_an_asked_run_is_no_part_of_a_comparison_nor_of_a_yield(with_asked: tuple[Any, str]) -> None:
    store, asked = with_asked
    records = [store.run(s.id) for s in store.runs(board="Skep")]
    for table in (table_of_store(store, "Skep"), table_of_records(records)):
        assert asked not in [run.id for run in table.runs]
        assert "ASKED_FOR" not in [check.of for check in table.checks]
    assert "5 runs" in report_batch(store, "Skep") or "5 units" in report_batch(store, "Skep")
    assert "ASKED_FOR" not in report_batch(store, "Skep")
    assert all(unit.last_run != asked for unit in Ledger(store).units("Skep"))


def test_heads_are_the_runs_without_their_steps(store_with_runs: Any, tmp_path: Path) -> None:
    heads = store_with_runs.heads("Skep")
    whole = [store_with_runs.run(head.id) for head in heads]
    assert heads == [replace(run, steps=()) for run in whole]
    assert [h.started for h in heads] == sorted(h.started for h in heads)
    with Store.open(tmp_path / "empty.db") as empty:
        assert empty.heads("Skep") == []


def test_a_repair_is_told_with_its_unit(skep_runs: list[RunRecord], explanation: Mapping[str, Any]) -> None:
    repairs = [{"cause": "D3:reversed", "does": "turn D3 round", "note": "D3 turned round", "rework": "D3:as_drawn"}]
    document = {**explanation, "repairs": repairs}
    page = render_board("Skep", skep_runs, explain={"SK-A-002": document})
    words = " ".join(re.sub(r"<[^>]+>", " ", html.unescape(page)).split())
    do = words[words.index("What to do, in this order") : words.index("Outside limits in every unit")]
    turn = do.index('Turn D3 round. wakeboard rework SK-A-002 "D3 turned round" --fault D3:as_drawn')
    again = do.index("Run the same sequence (First power-on) on it again")
    assert do.index("SK-A-002") < turn < again
    assert (
        "+3V3_SENS is outside its limits in every unit" in do[again:]
    )  # what the design does is not the repair's to mend
    assert "Repair: turn D3 round." in render_run(skep_runs[1], document)


def test_a_batch_tells_failing_from_too_near_and_proposes_no_resistance_below_nought(
    batch_runs: list[RunRecord],
) -> None:
    def near(run: RunRecord) -> RunRecord:
        steps = [
            replace(
                step, readings=[replace(r, outcome="marginal") if r.outcome == "fail" else r for r in step.readings]
            )
            for step in run.steps
        ]
        return replace(run, steps=steps)

    page = render_batch("Skep", [near(run) for run in batch_runs])
    assert " too near, " in page
    assert "too near its limit in" in page
    assert "outside its limits in" not in page
    assert "odd in" not in page
    assert not re.search(r"&gt; −[\d.]+ k?Ω", page)
