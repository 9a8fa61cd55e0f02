"""The ledger as a person uses it: rework, notes, findings, a unit's history, the list for the next revision.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import pytest
import sqlalchemy as sa

from wakeboard.results.compare.table import table_of_records, table_of_store
from wakeboard.results.frames import frame
from wakeboard.results.ledger import text as ledger_text
from wakeboard.results.ledger.ledger import Evidence, Ledger
from wakeboard.results.records import Reading, RunStart, Step, Trip
from wakeboard.results.store import schema
from wakeboard.results.store.errors import StoreError
from wakeboard.results.store.store import Store

Make = Callable[..., RunStart]
MakeStep = Callable[..., Step]


@pytest.fixture
def ledger(store: Store, make_start: Make, make_step: MakeStep) -> Ledger:
    """Units 004 and 005 of Skep, each with one failed run."""
    for unit in ("004", "005"):
        run = store.begin_run(make_start(unit=unit))
        store.commit_step(run, make_step())
        store.end_run(run, "fail", outputs_off=True)
    return Ledger(store)


def test_units_are_made_by_their_first_run(ledger: Ledger) -> None:
    assert [(unit.board, unit.serial, unit.runs, unit.outcome) for unit in ledger.units()] == [
        ("Skep", "004", 1, "fail"),
        ("Skep", "005", 1, "fail"),
    ]


def test_rework_is_in_force_until_undone(ledger: Ledger, make_start: Make) -> None:
    store = ledger.store
    first = ledger.add_rework("004", "1 kΩ across C12", faults=["R31:value=1k"], by="mel")
    second = ledger.add_rework("004", "D3 turned round", by="mel")
    assert (first.number, second.number) == (1, 2)
    assert [done.text for done in store.rework_in_force("004")] == ["1 kΩ across C12", "D3 turned round"]
    assert store.rework_in_force("005") == []
    undone = ledger.undo_rework("004", 1, by="mel")
    assert undone.undone_at is not None
    assert [(done.number, done.text) for done in store.rework_in_force("004")] == [(2, "D3 turned round")]
    assert [done.number for done in ledger.reworks("004")] == [1, 2]  # the history keeps it
    run = store.begin_run(make_start())
    assert [done.text for done in store.run(run).rework] == ["D3 turned round"]


def test_a_run_keeps_the_rework_it_was_made_with(ledger: Ledger, make_start: Make) -> None:
    ledger.add_rework("004", "bodge", faults=["R31:value=1k"])
    run = ledger.store.begin_run(make_start())
    ledger.undo_rework("004", 1)
    assert [(done.text, done.faults) for done in ledger.store.run(run).rework] == [("bodge", ["R31:value=1k"])]


def test_undoing_twice_or_nothing_is_refused(ledger: Ledger) -> None:
    ledger.add_rework("004", "bodge")
    ledger.undo_rework("004", 1)
    with pytest.raises(StoreError, match="was undone"):
        ledger.undo_rework("004", 1)
    with pytest.raises(StoreError, match="no rework 7; known: 1"):
        ledger.undo_rework("004", 7)


def test_wrong_names_get_the_nearest(ledger: Ledger) -> None:
    with pytest.raises(StoreError, match="no unit '04'; known: 004") as caught:
        ledger.add_rework("04", "bodge")
    assert caught.value.exit_code == 2
    with pytest.raises(StoreError, match="text is empty"):
        ledger.add_rework("004", "  ")
    with pytest.raises(StoreError, match="no finding 3; known: none yet"):
        ledger.finding(3)


def test_same_serial_of_two_boards_must_be_told_apart(ledger: Ledger, make_start: Make) -> None:
    ledger.store.begin_run(make_start(board_name="Other"))
    with pytest.raises(StoreError, match="several boards"):
        ledger.add_rework("004", "bodge")
    with pytest.raises(StoreError, match="several boards"):
        ledger.store.rework_in_force("004")
    ledger.add_rework("004", "bodge", board="Other")
    assert ledger.store.rework_in_force("004", "Skep") == []
    assert len(ledger.store.rework_in_force("004", "Other")) == 1


def test_unit_can_be_entered_before_its_first_run(ledger: Ledger) -> None:
    ledger.add_unit("006", "Skep")
    ledger.add_unit("006", "Skep")
    ledger.add_rework("006", "U3 lifted before first power")
    assert [event.kind for event in ledger.history("006")] == ["seen", "rework"]


def test_finding_moves_on_by_rows(ledger: Ledger) -> None:
    run = ledger.store.runs(unit="004")[0].id
    made = ledger.add_finding("Skep", "+3V3 is low", evidence=[Evidence(run[:8], 1, 0, "first run")])
    assert (made.number, made.state, made.carried) == (1, "open", False)
    assert (made.evidence[0].run, made.evidence[0].unit) == (run, "004")
    assert ledger.explain(1, "wrong variant fitted", faults=["U2:variant=2.8 V"], cause="assembly").state == "explained"
    assert ledger.mend(1, "the right one fitted").state == "mended"
    carried = ledger.carry(1, "say the variant on the silkscreen", revision="B")
    assert (carried.state, carried.carried, carried.cause) == ("carried", True, "assembly")
    assert carried.faults == ["U2:variant=2.8 V"]
    reopened = ledger.reopen(1, "it came back")
    assert (reopened.state, reopened.carried, reopened.cause) == ("open", False, "")
    assert len(reopened.events) == 4
    assert ledger.findings(state="carried") == []
    assert [finding.number for finding in ledger.findings(state="open")] == [1]
    assert ledger.finding(made.uuid[:8]).number == 1


def test_mending_units_does_not_take_it_off_the_list(ledger: Ledger) -> None:
    ledger.add_finding("Skep", "reset floats")
    ledger.carry(1, "4k7 pull-down")
    ledger.mend(1, "bodged")
    assert ledger.finding(1).carried
    assert ledger.findings(state="carried") != []


def test_evidence_must_exist(ledger: Ledger) -> None:
    run = ledger.store.runs()[0].id
    for evidence, says in (
        (Evidence("f" * 32), "no run"),
        (Evidence(run, 9), "no step 9; its last is 1"),
        (Evidence(run, 1, 3), "has 3 readings"),
    ):
        with pytest.raises(StoreError, match=says):
            ledger.add_finding("Skep", "odd", evidence=[evidence])
    assert ledger.findings() == []
    ledger.add_finding("Skep", "odd")
    assert len(ledger.add_evidence(1, [Evidence(run, 1), Evidence(run)]).evidence) == 2


def test_wrong_state_and_cause_are_refused(ledger: Ledger) -> None:
    ledger.add_finding("Skep", "odd")
    with pytest.raises(StoreError, match="no cause 'weather'; known: design, assembly, part, bench"):
        ledger.explain(1, "rain", cause="weather")
    with pytest.raises(StoreError, match="no state 'shut'"):
        ledger.findings(state="shut")


def test_history_tells_it_as_a_person_would(ledger: Ledger, make_start: Make, make_step: MakeStep) -> None:
    store = ledger.store
    first = store.runs(unit="004")[0].id
    ledger.add_rework("004", "2.8 V regulator replaced", faults=["U2:variant=3.3 V"])
    ledger.add_note("004", "smelled warm")
    run = store.begin_run(make_start())
    store.commit_step(run, make_step(outcome="pass", readings=[Reading("+3V3", "dc volts", 3.301, "V")]))
    store.end_run(run, "pass", outputs_off=True)
    tripped = store.begin_run(make_start())
    store.end_run(tripped, "tripped", outputs_off=True, trip=Trip("current", 3, "USB", 4.9, 0.1213))
    ledger.add_finding("Skep", "+3V3 is low", evidence=[Evidence(first)])
    ledger.undo_rework("004", 1)
    told = [event.text for event in ledger.history("004")]
    assert told == [
        "First power-on: failed. step 1 rails: +3V3 2.801 V (allowed 3.234 V .. 3.366 V)",
        "rework 1: 2.8 V regulator replaced (in the circuit: U2:variant=3.3 V)",
        "note: smelled warm",
        "First power-on: passed (1 step)",
        "First power-on: tripped in step 3, current on USB at 4.9 V, 121.3 mA",
        "finding 1: +3V3 is low",
        "rework 1 undone: 2.8 V regulator replaced",
    ]
    assert ledger_text.tell_history("Skep", "004", ledger.history("004")).startswith("Skep, unit 004\n")


def test_revision_list_names_change_reason_and_evidence(ledger: Ledger) -> None:
    run = ledger.store.runs(unit="004")[0].id
    ledger.add_finding("Skep", "+3V3 is low", "seen on *one* unit", evidence=[Evidence(run, 1, 0)])
    ledger.explain(1, "wrong variant", cause="assembly")
    ledger.carry(1, "print the variant", revision="B")
    ledger.add_finding("Skep", "reset floats")
    ledger.add_finding("Other", "not of this board")
    text = ledger.revision_list("Skep")
    assert text.startswith("# Skep: for the next revision\n")
    assert "## 1. +3V3 is low" in text
    assert "seen on \\*one\\* unit" in text
    assert "- **Why:** wrong variant" in text
    assert "- **Change:** print the variant (revision B)" in text
    assert f"unit 004, run {run[:8]}, step 1: +3V3 2.801 V (allowed 3.234 V .. 3.366 V)" in text
    assert "- 2. reset floats (open)" in text
    assert "not of this board" not in text


def test_nothing_is_ever_changed(ledger: Ledger) -> None:
    """Every kind of correction adds rows; no table of the ledger is updated or shortened."""
    statements: list[str] = []
    engine = ledger.store.database._engine

    def heard(_c: object, _cursor: object, statement: str, *_rest: object) -> None:
        statements.append(statement.split()[0].upper())

    sa.event.listen(engine, "before_cursor_execute", heard)
    ledger.add_rework("004", "bodge")
    ledger.undo_rework("004", 1)
    ledger.add_finding("Skep", "odd")
    ledger.explain(1, "why")
    ledger.reopen(1)
    run = ledger.store.runs()[0].id
    ledger.store.end_run(run, "pass", says="limits were wrong")
    assert set(statements) <= {"BEGIN", "SELECT", "INSERT"}
    assert statements.count("INSERT") == 6
    with ledger.store.database.reading() as connection:
        assert connection.scalar(sa.select(sa.func.count()).select_from(schema.finding_event)) == 2


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.12, "A", "120 mA"),
        (3.3, "V", "3.3 V"),
        (0.99999, "V", "1 V"),
        (0.0, "V", "0 V"),
        (-0.0123456, "V", "-12.35 mV"),
        (1.3e4, "Ω", "13 kΩ"),
        (0.02, "%", "2 %"),
        (3.0, "", "3"),
        (None, "V", "no number"),
    ],
)
def test_values_are_shown_as_engineers_write_them(value: float | None, unit: str, text: str) -> None:
    assert ledger_text.show(value, unit) == text


def test_a_person_s_stop_is_called_one_thing_wherever_it_is_read(
    ledger: Ledger, make_start: Make, make_step: MakeStep
) -> None:
    """The store keeps an error with its reason, in old files as in new ones; every way out of it says "stopped"."""
    store = ledger.store
    stopped = store.begin_run(make_start())
    store.commit_step(stopped, make_step(outcome="pass", readings=[Reading("+3V3", "dc volts", 3.301, "V")]))
    store.end_run(stopped, "error", outputs_off=True, says="stopped by the operator; the discharge was not measured")
    broken = store.begin_run(make_start(unit="005"))
    store.commit_step(broken, make_step(outcome="error"))
    store.end_run(broken, "error", outputs_off=True, says="the meter does not answer")
    listed = {unit.serial: unit.outcome for unit in ledger.units("Skep")}
    assert listed == {"004": "stopped", "005": "error"}
    assert [run.word for run in store.runs(limit=2)] == ["error", "stopped"]
    assert [store.run(run).as_json()["outcome"] for run in (stopped, broken)] == ["stopped", "error"]
    table = table_of_store(store, "Skep")
    told = {run.id: run.outcome for run in table.runs}
    assert (told[stopped], told[broken]) == ("stopped", "error")
    assert table_of_records([store.run(stopped)]).runs[0].outcome == "stopped"
    pytest.importorskip("pandas")
    seen = frame(store).drop_duplicates("run").set_index("run")["run_outcome"]
    assert (seen[stopped], seen[broken]) == ("stopped", "error")


@pytest.mark.parametrize(
    ("says", "word"),
    [
        ("the meter tests with 100 µA; stopped at the page", "stopped"),
        ("stopped at: Probe TP3", "stopped"),
        ("stopped, not switched on: USB on, 5 V, limit 100 mA", "stopped"),
        ("broken off by Ctrl-C or a signal", "stopped"),
        ("the meter does not answer", "error"),
        ("the pump stopped at 3 V", "error"),
    ],
)
def test_a_step_that_a_person_broke_off_is_no_error_to_read(make_step: MakeStep, says: str, word: str) -> None:
    assert make_step(outcome="error", says=says).word == word
    assert make_step(outcome="fail", says=says).word == "fail"


def test_a_run_names_every_step_that_failed_and_why_it_ended_before_the_first(
    store: Store, make_start: Make, make_step: MakeStep
) -> None:
    run = store.begin_run(make_start())
    record = store.run(run)
    bad = [dataclasses.replace(make_step(number), name=f"rail {number}", outcome="fail") for number in (3, 5, 7, 9)]
    failed = dataclasses.replace(record, outcome="fail", steps=bad)
    assert ledger_text.tell_run(failed).endswith("; and steps 7 rail 7, 9 rail 9")
    early = dataclasses.replace(record, outcome="error", says="the meter does not answer", steps=[])
    assert ledger_text.tell_run(early).endswith("bench error. the meter does not answer")
