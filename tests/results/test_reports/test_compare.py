"""Units side by side: design, assembly, bench; before and after a rework; drift.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from wakeboard.results.compare.compare import compare, compare_records, compare_store
from wakeboard.results.compare.history import drifts, rework_effects
from wakeboard.results.compare.table import latest_runs, table_of_records, table_of_store
from wakeboard.results.ledger.ledger import Ledger
from wakeboard.results.records import Reading, Rework, RunRecord, RunStart, Step
from wakeboard.results.report.text import limits_words
from wakeboard.results.statistics import outliers

STATE = "USB=5V@120mA; load=10MΩ"


def run_of(
    unit: str, started: float, readings: list[Reading], outcome: str | None = "fail", kind: str = "line"
) -> RunRecord:
    step = Step(1, f"{kind} of the test", kind, outcome or "pass", 0.0, 1.0, readings)
    start = RunStart(unit, "Test", "A", "", "First", "")
    return RunRecord(f"{unit}-{started}", start, started, started + 1, outcome, True, 1.0, steps=[step])


def volts(value: float | None, outcome: str = "pass", of: str = "NET", state: str = STATE) -> Reading:
    return Reading(of, "dc volts", value, "V", 1e-4, 1.0, 2.0, outcome, state)


def test_skeps_units_are_sorted_into_design_and_assembly(skep_runs: list[RunRecord]) -> None:
    found = compare_records(skep_runs)
    # The two designed-in flaws are common; a unit whose 3.3 V never came up tells nothing about them.
    assert {text.split(",")[0] for text in found.common} == {"RADIO_RST dc volts", "+3V3_SENS dc volts"}
    assert found.single["SK-A-003"] == ("+3V3 ohms",)
    assert found.outside("SK-A-005") == (f"FLASH_CS dc volts, {STATE}",)
    assert "VIN dc volts, CELL=3.7V@120mA; load=10MΩ" in found.single["SK-A-002"]
    assert "SK-A-001" not in found.single
    # Lines of the unit without a system rail are odd because of that rail.
    assert f"MCU_RST dc volts, {STATE}" in found.follows["SK-A-002"]
    assert found.several[f"+3V3 dc volts, {STATE}"] == ("SK-A-002", "SK-A-004")
    assert found.bench == ()


def test_the_store_and_the_records_compare_alike(store_with_runs: Any, skep_runs: list[RunRecord]) -> None:
    from_store = compare_store(store_with_runs, "Skep")
    assert json.dumps(from_store.as_json(), sort_keys=True) == json.dumps(
        compare_records(skep_runs).as_json(), sort_keys=True
    )


def test_the_document_has_the_keys_that_scripts_rely_on(skep_runs: list[RunRecord]) -> None:
    document = json.loads(json.dumps(compare_records(skep_runs).as_json(), allow_nan=False))
    assert {"board", "units", "checks", "common", "single"} <= set(document)
    check = next(c for c in document["checks"] if c["check"].startswith("RADIO_RST dc volts"))
    assert {"check", "unit", "values", "median", "outliers"} <= set(check)
    assert check["unit"] == "V"
    assert check["values"]["SK-A-001"] == pytest.approx(2.585, rel=0.02)
    assert "SK-A-003" not in check["values"]  # its run had stopped before


def test_an_oddity_of_the_reference_unit_too_is_the_benchs(skep_runs: list[RunRecord]) -> None:
    found = compare_records(skep_runs, reference="SK-A-001")
    assert found.common == ()
    assert {text.split(",")[0] for text in found.bench} == {"RADIO_RST dc volts", "+3V3_SENS dc volts"}


def test_a_passing_value_far_from_all_others_is_unlike_and_not_outside() -> None:
    values = [1.500, 1.501, 1.499, 1.502, 1.900]
    found = compare_records([run_of(f"U{n}", n, [volts(v)], "pass") for n, v in enumerate(values)])
    assert found.checks[0].outliers == ("U4",)
    assert found.single == {"U4": (f"NET dc volts, {STATE}",)}
    assert found.unlike == {"U4": (f"NET dc volts, {STATE}",)}
    assert found.outside("U4") == found.checks[0].outside == ()
    assert tuple(found.checks[0].scores) == pytest.approx(outliers(values, floor=1e-4).scores)


def test_a_mild_outlier_is_listed_but_not_called_odd() -> None:
    values = [1.500, 1.501, 1.499, 1.5005, 1.506]  # modified z near 5: beyond 3.5, yet common among five units
    found = compare_records([run_of(f"U{n}", n, [volts(v)], "pass") for n, v in enumerate(values)])
    assert found.checks[0].outliers == ("U4",)
    assert found.single == {}


def test_three_units_are_judged_by_limits_only() -> None:
    runs = [run_of(f"U{n}", n, [volts(v)], "pass") for n, v in enumerate([1.5, 1.5, 1.9])]
    found = compare_records(runs)
    assert found.checks[0].outliers == ()
    assert "cannot tell" in found.says


def test_one_unit_alone_is_never_common() -> None:
    found = compare_records([run_of("U1", 1, [volts(0.2, "fail")])])
    assert found.common == ()
    assert found.single == {"U1": (f"NET dc volts, {STATE}",)}


def test_the_last_finished_run_counts() -> None:
    runs = [
        run_of("U1", 1, [volts(0.2, "fail")]),
        run_of("U1", 2, [volts(1.5)], "pass"),
        run_of("U1", 3, [volts(0.1, "fail")], None),  # has no end: the bench may still be measuring
        run_of("U2", 1, [volts(1.5)], "pass"),
    ]
    found = compare_records(runs)
    assert found.single == {}
    assert found.outcomes == {"U1": "pass", "U2": "pass"}


def test_a_failing_bench_is_no_reading_and_text_is_no_number() -> None:
    text = Reading("console", "text", None, "", outcome="fail", state=STATE, says="no answer")
    runs = [run_of("U1", 1, [volts(9.0, "error"), text]), run_of("U2", 1, [volts(1.5)], "pass")]
    found = compare_records(runs)
    row = found.row(f"NET dc volts, {STATE}")
    assert row is not None
    assert row.outcomes == (None, "pass")
    assert found.single == {"U1": (f"console text, {STATE}",)}


def test_a_trip_without_a_reading_is_shown_as_its_step(tripped_run: RunRecord, skep_runs: list[RunRecord]) -> None:
    found = compare_records([*skep_runs, tripped_run])
    assert found.single["SK-A-006"] == ("power on USB: tripped",)
    assert "inrush" in found.steps["power on USB: tripped"]["SK-A-006"]


def test_no_runs_compare_to_nothing() -> None:
    found = compare(table_of_records([]))
    assert found.units == ()
    assert found.checks == ()
    assert "no unit" in found.says


def reworked(store: Any, keep: Callable[..., str], make_unit: Any, make_record: Any) -> None:
    """Two units fail on the radio's reset; a bodge on one of them mends it and breaks nothing."""
    for serial in ("SK-A-001", "SK-A-005"):
        keep(store, make_record(make_unit(serial), 1))
    Ledger(store).add_rework("SK-A-001", "1 kΩ across R31", ["RADIO_RST+GND:bridge=1k"], board="Skep")
    keep(store, make_record(make_unit("SK-A-001", {("USB", "RADIO_RST"): 0.23}), 2))
    keep(store, make_record(make_unit("SK-A-005"), 3))


def test_before_and_after_a_rework(tmp_path: Any, keep_run: Any, make_unit: Any, make_record: Any) -> None:
    from wakeboard.results.store.store import Store

    with Store.open(tmp_path / "w.db") as store:
        reworked(store, keep_run, make_unit, make_record)
        effects = rework_effects(table_of_store(store, "Skep"))
    assert [(e.unit, e.added) for e in effects] == [("SK-A-001", ("1 kΩ across R31",))]
    effect = effects[0]
    assert [change.check.of for change in effect.mended] == ["RADIO_RST"]
    assert effect.mended[0].before == pytest.approx(2.585, rel=0.02)
    assert effect.mended[0].after == pytest.approx(0.23)
    assert effect.broken == ()
    assert {change.check.of for change in effect.still_outside} == {"+3V3_SENS"}
    document = json.loads(json.dumps(effect.as_json(), allow_nan=False))
    assert document["mended"][0]["outcome_before"] == "fail"


def judged(value: float, outcome: str, low: float | None, high: float | None) -> Reading:
    return Reading("NET", "dc volts", value, "V", 1e-4, low, high, outcome, STATE)


def test_every_judgement_of_a_check_counts_not_only_the_last() -> None:
    """A line step with the board's limits fails in each unit; a later step with the circuit's limits passes."""
    board, circuit = judged(2.5, "fail", None, 1.975), judged(2.5, "pass", 2.0, 3.0)
    for order in ([board, circuit], [circuit, board]):
        found = compare_records([run_of(unit, n, order) for n, unit in enumerate(("U1", "U2", "U3"))])
        assert found.common == (f"NET dc volts, {STATE}",)
        assert found.checks[0].outside == ("U1", "U2", "U3")


def test_limits_are_those_that_all_judgements_ask_for() -> None:
    wide, tight = judged(1.5, "pass", 1.0, 2.0), judged(1.5, "pass", None, 1.8)
    row = compare_records([run_of("U1", 1, [wide, tight], "pass")]).checks[0]
    assert row.limits == ((1.0, 1.8),)
    assert limits_words(row.limits, "V") == "1 .. 1.8 V"


def test_limits_that_no_value_can_meet_are_told_one_by_one() -> None:
    high, low = judged(2.5, "fail", 3.046, None), judged(2.5, "fail", None, 1.975)
    row = compare_records([run_of("U1", 1, [high, low])]).checks[0]
    assert set(row.limits) == {(3.046, None), (None, 1.975)}
    words = limits_words(row.limits, "V")
    assert "> 3.046 V" in words
    assert "< 1.975 V" in words
    assert "different levels" in words
    assert ".." not in words


def test_units_with_a_dead_rail_are_not_counted_among_those_outside() -> None:
    rail = Reading("V", "dc volts", 0.5, "V", 1e-4, 3.0, 3.6, "fail", STATE)
    dark = run_of("U0", 0, [rail], kind="rails")
    dark = replace(dark, steps=[*dark.steps, Step(2, "line", "line", "fail", 1.0, 2.0, [volts(9.0, "fail")])])
    row = compare_records([dark, *(run_of(f"U{n}", n, [volts(9.0, "fail")]) for n in range(1, 4))]).row(
        f"NET dc volts, {STATE}"
    )
    assert row is not None
    assert row.outside == ("U0", "U1", "U2", "U3")
    assert row.tells == row.counted == ("U1", "U2", "U3")


def with_rework(run: RunRecord, *texts: str) -> RunRecord:
    return replace(run, rework=[Rework(text, [], 0.0) for text in texts])


def test_a_unit_whose_sisters_were_mended_is_not_called_an_assembly_fault() -> None:
    runs = [run_of(unit, n, [volts(9.0, "fail")]) for n, unit in enumerate(("U1", "U2", "U3"))]
    runs += [with_rework(run_of(unit, n, [volts(1.5)], "pass"), "bodge") for n, unit in ((10, "U1"), (11, "U2"))]
    found = compare_records(runs)
    assert found.single == {}
    assert found.common == (f"NET dc volts, {STATE}",)
    assert found.mended == {f"NET dc volts, {STATE}": ("U1", "U2")}
    assert found.checks[0].outside == ("U3",)


def test_a_fault_that_a_rework_mended_is_no_longer_the_units_own() -> None:
    runs = [run_of("U1", 1, [volts(9.0, "fail")]), run_of("U2", 2, [volts(1.5)], "pass")]
    found = compare_records([*runs, with_rework(run_of("U1", 3, [volts(1.5)], "pass"), "R1 fitted")])
    assert found.single == {}
    assert found.mended == {f"NET dc volts, {STATE}": ("U1",)}


def test_a_pass_under_a_dead_rail_is_not_broken_by_the_rework_that_mended_the_rail() -> None:
    def run(when: float, rail: float, line: Reading, *rework: str) -> RunRecord:
        good = "pass" if rail > 3 else "fail"
        first = run_of("U1", when, [Reading("V", "dc volts", rail, "V", 1e-4, 3.0, 3.6, good, STATE)], kind="rails")
        steps = [*first.steps, Step(2, "line", "line", line.outcome, 1.0, 2.0, [line])]
        return with_rework(replace(first, steps=steps), *rework)

    table = table_of_records([run(1, 0.6, volts(1.2)), run(2, 3.3, volts(2.56, "fail"), "D3 turned round")])
    effect = rework_effects(table)[0]
    assert [change.check.of for change in effect.revealed] == ["NET"]
    assert effect.broken == ()
    assert [change.check.of for change in effect.mended] == ["V"]
    lit = table_of_records([run(1, 3.3, volts(1.2)), run(2, 3.3, volts(2.56, "fail"), "bodge")])
    assert [change.check.of for change in rework_effects(lit)[0].broken] == ["NET"]


def test_a_shift_in_time_is_found_and_a_steady_check_is_not() -> None:
    random = np.random.default_rng(11)
    runs = []
    for n in range(30):
        steady = volts(1.5 + 0.001 * random.standard_normal(), of="STEADY")
        moving = volts(1.5 + 0.001 * random.standard_normal() + (0.02 if n >= 15 else 0.0), of="MOVING")
        runs.append(run_of(f"U{n}", n, [steady, moving], "pass"))
    found = {drift.check.of: drift for drift in drifts(table_of_records(runs))}
    assert set(found) == {"MOVING"}
    assert found["MOVING"].runs[15] == "U15-15"
    assert 15 in found["MOVING"].chart.jumps
    both = drifts(table_of_records(runs), all_checks=True)
    assert {drift.check.of for drift in both} == {"STEADY", "MOVING"}
    assert drifts(table_of_records(runs[:7]), all_checks=True) == ()


def test_a_repeated_check_counts_once_a_run() -> None:
    runs = [run_of("U1", n, [volts(1.0), volts(1.5)], "pass") for n in range(8)]
    found = drifts(table_of_records(runs), all_checks=True)
    assert found[0].chart.values == (1.5,) * 8


def test_a_store_narrowed_by_sequence_and_unit(store_with_runs: Any, keep_run: Any, skep_runs: list[RunRecord]) -> None:
    other = replace(skep_runs[0], start=replace(skep_runs[0].start, sequence_title="Bring-up"))
    keep_run(store_with_runs, other)
    assert len(table_of_store(store_with_runs, "Skep").runs) == 6
    assert len(table_of_store(store_with_runs, "Skep", sequence="Bring-up").runs) == 1
    assert len(table_of_store(store_with_runs, "Skep", unit="SK-A-001").runs) == 2
    assert len(latest_runs(table_of_store(store_with_runs, "Skep").runs)) == 6
    assert table_of_store(store_with_runs, "Nothing").runs == []
