"""What a sceptical reader of a board report must not be told: limits from failing units, readings without their load,
units that are left out of the summary. Figures are invented.
"""

from __future__ import annotations

import html
import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest

from wakeboard.results.compare.compare import compare_records
from wakeboard.results.records import Reading, RunRecord, RunStart, Step
from wakeboard.results.report import render_board
from wakeboard.results.report.backfeed_told import backfeed_told
from wakeboard.results.report.explain_view import explanation as view_of
from wakeboard.results.report.explain_view import shared_bodges
from wakeboard.results.report.proposed import proposed
from wakeboard.results.report.side_by_side import table

STATE = "PANEL=6V@120mA"


def volts(net: str, value: float, high: float | None, outcome: str = "pass", load: str = "10MΩ") -> Reading:
    return Reading(net, "dc volts", value, "V", 1e-4, None, high, outcome, state=f"{STATE}; load={load}")


def run(unit: str, *readings: Reading, kind: str = "back-feed") -> RunRecord:
    start = RunStart(unit, "Test", "A", "", "First", "", virtual=True)
    outcome = "fail" if any(r.outcome == "fail" for r in readings) else "pass"
    return RunRecord(unit * 8, start, 1.0, 2.0, outcome, steps=[Step(1, "s", kind, outcome, 0, 1, readings)])


def phantom(unit: str, value: float) -> RunRecord:
    """A rail that is fed while off: above the limit without a load, then taken again and judged with 10 kΩ."""
    return run(unit, volts("VS", value, None), volts("VS", value - 0.03, 0.3, "fail", "9.99001kΩ"))


def words_of(page: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", html.unescape(page)).split())


# --- proposed limits ------------------------------------------------------------------------------------------------
def test_a_net_that_fails_by_another_load_proposes_no_limit() -> None:
    units = [*(phantom(f"U{n}", 1.34 + 0.01 * n) for n in range(5)), run("U5", volts("VS", 0.25, 0.3))]
    assert proposed(compare_records(units)) == ()


def spread(values: list[float], low: float | None, high: float | None, unit: str = "V") -> list[RunRecord]:
    readings = [Reading("N", "dc volts", v, unit, 1e-4, low, high, "pass", state=STATE) for v in values]
    return [run(f"U{n}", reading) for n, reading in enumerate(readings)]


@pytest.mark.parametrize(
    ("values", "low", "high", "why"),
    [
        ([3.27, 2.8, 3.35, 3.1, 2.9], 2.0, None, "it would lie below the limit in use, and near 0 V"),
        ([1e-4, 2e-4, 1e-4, 3e-4, 2e-4], None, 0.5, "millivolts of noise"),
        ([-0.1, -0.13, -0.11, -0.12, -0.14], None, 0.3, "a limit below 0 V for what may be above"),
        ([3.30, 3.31, 3.29, 3.30], 3.0, 3.6, "four units"),
    ],
)
def test_limits_that_mean_nothing_are_not_proposed(
    values: list[float], low: float | None, high: float | None, why: str
) -> None:
    assert proposed(compare_records(spread(values, low, high))) == (), why


def test_five_good_units_propose_closer_limits() -> None:
    (row,) = proposed(compare_records(spread([3.30, 3.31, 3.29, 3.30, 3.32], 3.0, 3.6)))
    assert (row.n, row.now) == (5, "3 .. 3.6 V")


# --- the table ------------------------------------------------------------------------------------------------------
def test_rows_of_one_net_are_told_apart_and_say_what_is_outside() -> None:
    shown = table(compare_records([phantom("U0", 1.4), phantom("U1", 1.3), run("U2", volts("VS", 0.25, 0.3))]), 12)
    ((_, (alone, loaded)),) = shown.groups
    assert (alone.load, loaded.load) == ("meter only", "10 kΩ load")
    assert alone.cells[0].odd
    assert alone.cells[0].note == "outside; judged with 10 kΩ load: fail"
    assert loaded.cells[0].outcome == "fail"
    assert not alone.cells[2].odd
    assert loaded.median == ""  # two units: no median


def test_the_head_says_that_it_is_simulated_and_what_was_not_tested(skep_runs: list[RunRecord]) -> None:
    words = words_of(render_board("Skep", skep_runs))
    head = words[: words.index("Before you power or touch a board")]
    assert "Simulated: every reading here is the virtual bench's" in head
    assert "003 beyond its first steps (2 of" in head
    assert "and it was never powered" in head
    assert "two supplies at once" in head


# --- each unit ------------------------------------------------------------------------------------------------------
def test_the_summary_names_each_unit_and_its_section_shows_what_it_is_judged_by(skep_runs: list[RunRecord]) -> None:
    words = words_of(render_board("Skep", skep_runs))
    assert "4 units are outside limits where not every one is (002, 003, 004 and 005)" in words
    assert "in every unit whose rails were good (" in words
    assembly = words[words.index("not in every unit: assembly") :]
    own = assembly[assembly.index("SK-A-004") : assembly.index("SK-A-005")]
    assert "+3V3 dc volts" in own
    assert "Never powered in these runs" in assembly[assembly.index("SK-A-003") : assembly.index("SK-A-004")]


def test_a_bridge_says_where_to_look_and_what_comes_back(
    skep_runs: list[RunRecord], explanation: Mapping[str, Any]
) -> None:
    cause, does = "+3V3+GND:bridge=2.09", "remove what joins +3V3 and GND"
    repair = {"cause": cause, "does": does, "note": "removed", "rework": "+3V3+GND:as_drawn"}
    words = words_of(render_board("Skep", skep_runs, explain={"SK-A-003": {**explanation, "repairs": [repair]}}))
    do = words[words.index("What to do, in this order") : words.index("Outside limits in every unit")]
    assert "look along both with a magnifier" in do
    assert "at most 0.3 V and 100 mA" in do
    assert re.search(r"\+3V3 ohms 5\.\d+ \.\. 5\.\d+ kΩ", do)  # what the others read: 5.2 kΩ within 2 %
    assert "it was never powered, so further faults may be waiting" in do
    assert "Or else: " in do
    assert "wakeboard run SEQUENCE.toml --unit SK-A-003" in do


def test_a_bodge_for_several_units_is_told_once_with_its_cost(
    skep_runs: list[RunRecord], explanation: Mapping[str, Any]
) -> None:
    (line,) = explanation["lines"]
    bodge = {**line["bodge"], "driver_amps": 3.2e-3}
    document = {**explanation, "lines": [{**line, "bodge": bodge}]}
    by_unit = dict.fromkeys(("SK-A-001", "SK-A-005"), document)
    words = words_of(render_board("Skep", skep_runs, explain=by_unit))
    assert words.count("from 275 Ω to 3.3 kΩ works") == 1
    assert "up to 3.2 mA for as long as the driver holds the line high" in words
    assert "an open-drain output cannot lift the line" in words
    assert len(shared_bodges({unit: view_of(document) for unit in ("001", "005")})) == 1


# --- back-feed ------------------------------------------------------------------------------------------------------
def test_back_feed_comes_to_a_conclusion_for_each_pair() -> None:
    bad = run("U2", volts("VB", 0.01, 0.3), volts("VIN", 2.9, 0.3, "fail"))
    good = run("U1", volts("VB", -0.07, 0.3), volts("VIN", 0.004, 0.3))
    told = backfeed_told(
        [good, bad],
        compare_records([good, bad, run("U3", kind="rails")]),
        {},
        {"U2": "D3 is fitted the wrong way round"},
    )
    assert told == (
        "PANEL on: VIN is not excluded: 2.9 V in U2 (D3 is fitted the wrong way round). Excluded in U1.",
        "PANEL on: VB is excluded by these readings in U1 and U2.",
        "Still to be measured: everything in U3.",
    )


def test_a_low_reading_of_a_unit_without_its_rail_excludes_nothing() -> None:
    rail = Reading("V33", "dc volts", 0.8, "V", 1e-4, 3.2, 3.4, "fail", state=STATE)
    dark = run("U2", volts("VS", 0.1, 0.3))
    dark = replace(dark, steps=[*dark.steps, Step(2, "rails", "rails", "fail", 1, 2, [rail])])
    runs = [run("U1", volts("VS", 0.01, 0.3)), dark]
    assert backfeed_told(runs, compare_records(runs), {}, {}) == (
        "PANEL on: VS is excluded by these readings in U1.",
        "Still to be measured: everything in U2.",
    )
