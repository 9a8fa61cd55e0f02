"""What is written comes back, is never written twice and never overwritten.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import platform
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
import sqlalchemy as sa

from wakeboard.results.records import ASKED, Reading, RunRecord, RunStart, Step, Trip
from wakeboard.results.store import migrations, schema
from wakeboard.results.store import process as store_process
from wakeboard.results.store import write as store_write
from wakeboard.results.store.errors import StoreError
from wakeboard.results.store.store import Store

Make = Callable[..., RunStart]
MakeStep = Callable[..., Step]


def put_run(store: Store, start: RunStart, steps: list[Step], outcome: str = "fail") -> str:
    run = store.begin_run(start)
    for step in steps:
        store.commit_step(run, step)
    store.end_run(run, outcome, outputs_off=True, energised_s=3.5)
    return run


def plain(record: RunRecord) -> dict[str, object]:
    return json.loads(json.dumps(record.as_json()))  # type: ignore[no-any-return]


def test_run_comes_back_as_it_was(store: Store, make_start: Make, make_step: MakeStep) -> None:
    start, step = make_start(plants=["D3:reversed"]), make_step()
    run = store.begin_run(start)
    store.commit_step(run, step)
    trip = Trip("current", 1, "USB", 4.9, 0.121)
    store.end_run(run, "tripped", outputs_off=True, energised_s=3.5, trip=trip)
    record = store.run(run)
    assert dataclasses.replace(record.start, software="", host="") == start
    assert record.start.software.startswith("wakeboard")
    assert record.start.host == platform.node()
    elsewhere = store.begin_run(dataclasses.replace(start, host="bench-7", software="a script"))
    assert (store.run(elsewhere).start.host, store.run(elsewhere).start.software) == ("bench-7", "a script")
    assert [dataclasses.replace(s, traffic=[tuple(t) for t in s.traffic]) for s in record.steps] == [step]
    assert (record.outcome, record.outputs_off, record.energised_s, record.trip) == ("tripped", True, 3.5, trip)
    assert store.document(record.hashes["board"]) == start.board_text


def test_json_has_the_keys_that_scripts_rely_on(store: Store, make_start: Make, make_step: MakeStep) -> None:
    run = put_run(store, make_start(), [make_step()])
    found = plain(store.run(run))
    keys = ["run", "unit", "board", "revision", "sequence", "outcome", "outputs_off", "energised_s", "trip", "steps"]
    assert set(keys) <= set(found)
    assert found["trip"] is None
    step = found["steps"][0]  # type: ignore[index]
    assert {"number", "name", "outcome", "readings"} <= set(step)
    assert {"of", "quantity", "value", "unit", "u", "low", "high", "outcome", "state"} <= set(step["readings"][0])


def test_run_is_found_by_first_letters_and_latest(store: Store, make_start: Make, make_step: MakeStep) -> None:
    first = put_run(store, make_start(), [make_step()])
    second = put_run(store, make_start(unit="005"), [])
    assert store.run().id == second
    assert store.run(first[:8]).id == first
    assert store.run(first.upper()).id == first
    with pytest.raises(StoreError, match="no run 'nothing'"):
        store.run("nothing")


def test_ambiguous_letters_are_refused(store: Store, make_start: Make) -> None:
    runs = [store.begin_run(make_start()) for _ in range(17)]  # 17 ids, 16 first digits
    digits = [run[0] for run in runs]
    twice = next(digit for digit in digits if digits.count(digit) > 1)
    with pytest.raises(StoreError, match="several runs"):
        store.run(twice)


def test_same_step_twice_is_one_step(store: Store, make_start: Make, make_step: MakeStep) -> None:
    run = store.begin_run(make_start())
    store.commit_step(run, make_step())
    store.commit_step(run, make_step())
    assert len(store.run(run).steps) == 1


def test_other_content_under_the_same_number_is_refused(store: Store, make_start: Make, make_step: MakeStep) -> None:
    run = store.begin_run(make_start())
    store.commit_step(run, make_step())
    with pytest.raises(StoreError, match="never overwritten") as caught:
        store.commit_step(run, make_step(says="other"))
    assert caught.value.exit_code == 2
    assert store.run(run).steps[0].says == ""


def test_later_end_counts_and_the_earlier_stays(store: Store, make_start: Make) -> None:
    run = store.begin_run(make_start())
    store.end_run(run, "error", says="link lost")
    store.end_run(run, "fail", outputs_off=True)
    assert (store.run(run).outcome, store.runs()[0].outcome) == ("fail", "fail")
    with store.database.reading() as connection:
        assert connection.scalar(sa.select(sa.func.count()).select_from(schema.run_end)) == 2


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 9.9e37])
def test_values_without_a_number(store: Store, make_start: Make, make_step: MakeStep, value: float) -> None:
    run = put_run(store, make_start(), [make_step(readings=[Reading("VBAT", "ohms", value, "Ω")])])
    found = store.run(run).steps[0].readings[0].value
    assert found == (9.9e37 if value == 9.9e37 else None)


def test_garbled_text_is_kept(store: Store, make_start: Make, make_step: MakeStep) -> None:
    garbled = b"\xff\x00rst".decode("utf-8", "surrogateescape")
    step = make_step(
        readings=[Reading("console", "text", None, "", says=garbled)], traffic=[(0.0, "meter", "<", garbled)]
    )
    found = store.run(put_run(store, make_start(), [step])).steps[0]
    assert found.readings[0].says == "\ufffd\ufffdrst"
    assert found.traffic[0][3] == garbled


def test_unknown_outcomes_are_refused(store: Store, make_start: Make, make_step: MakeStep) -> None:
    run = store.begin_run(make_start())
    with pytest.raises(StoreError, match="no outcome 'good'"):
        store.commit_step(run, make_step(outcome="good"))
    with pytest.raises(StoreError, match="no outcome 'good'"):
        store.commit_step(run, make_step(readings=[Reading("A", "ohms", 1.0, "Ω", outcome="good")]))
    with pytest.raises(StoreError, match="no outcome 'good'"):
        store.end_run(run, "good")


def test_unknown_run_is_refused(store: Store, make_step: MakeStep) -> None:
    with pytest.raises(StoreError, match="has no run"):
        store.commit_step("0" * 32, make_step())


def test_a_unit_in_the_place_of_a_run_is_its_latest(store: Store, make_start: Make, make_step: MakeStep) -> None:
    put_run(store, make_start(unit="SK-001"), [make_step()])
    latest = put_run(store, make_start(unit="SK-001"), [make_step()])
    put_run(store, make_start(unit="SK-001", sequence_title=ASKED), [make_step()])
    put_run(store, make_start(unit="SK-003"), [make_step()])
    put_run(store, make_start(unit="SK-003", board_name="Wren"), [make_step()])
    put_run(store, make_start(unit="SK-004", sequence_title=ASKED), [make_step()])
    assert store.run("SK-001").id == latest
    with pytest.raises(StoreError, match="no run 'SK-002', nor a unit of that name; near to it: SK-00"):
        store.run("SK-002")
    with pytest.raises(StoreError, match=r"several boards have a unit 'SK-003' [(]Skep, Wren[)]: give"):
        store.run("SK-003")
    with pytest.raises(StoreError, match="unit 'SK-004' has no run yet"):
        store.run("SK-004")
    with pytest.raises(StoreError, match="no run 'xyz', nor a unit of that name; `wakeboard unit SN` lists"):
        store.run("xyz")  # no hexadecimal digits: some run may begin with any two


def test_what_repeats_is_kept_once(store: Store, make_start: Make, make_step: MakeStep) -> None:
    for unit in ("001", "002", "003"):
        put_run(store, make_start(unit=unit), [make_step(number) for number in (1, 2)])
    with store.database.reading() as connection:
        count = {
            table.name: connection.scalar(sa.select(sa.func.count()).select_from(table))
            for table in (schema.measurand, schema.terms, schema.instrument, schema.document, schema.reading)
        }
    assert count == {"measurand": 3, "terms": 3, "instrument": 2, "document": 3, "reading": 18}


def test_lists_are_narrowed(store: Store, make_start: Make) -> None:
    put_run(store, make_start(), [])
    put_run(store, make_start(unit="005", sequence_title="Bring-up"), [])
    put_run(store, make_start(board_name="Other", unit="1"), [])
    assert store.boards() == ["Other", "Skep"]
    assert store.units("Skep") == [("Skep", "004"), ("Skep", "005")]
    assert [run.unit for run in store.runs(board="Skep")] == ["005", "004"]
    assert [run.unit for run in store.runs(sequence="Bring-up")] == ["005"]
    assert len(store.runs(limit=1)) == 1


# -- killed runs


def test_killed_run_is_marked_at_the_next_start(tmp_path: Path, make_step: MakeStep) -> None:
    path = tmp_path / "wakeboard.db"
    script = (
        "import os, sys\n"
        f"sys.path.insert(0, {str(Path(__file__).resolve().parents[2])!r})\n"
        "from wakeboard.results.store.store import Store\n"
        "from wakeboard.results.records import RunStart\n"
        f"store = Store.open({str(path)!r})\n"
        "print(store.begin_run(RunStart('004', 'Skep', 'A', 'b', 'First', 's')), flush=True)\n"
        "os._exit(9)\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    run = done.stdout.strip()
    with Store.open(path) as store:
        assert store.run(run).outcome is None
        assert store.mark_abandoned() == [run]
        assert store.mark_abandoned() == []
        record = store.run(run)
        assert (record.outcome, record.abandoned, record.outputs_off) == ("error", True, None)


def test_living_run_is_left_alone(store: Store, make_start: Make) -> None:
    run = store.begin_run(make_start())
    assert store.mark_abandoned() == []
    assert store.run(run).outcome is None


def test_a_host_named_otherwise_is_no_other_computer(store: Store, make_start: Make) -> None:
    store.begin_run(make_start(host="the bench by the window"))
    assert store.mark_abandoned() == []


def test_process_token_tells_a_reused_id() -> None:
    token = store_process.token()
    assert store_process.alive(token)
    pid, started, computer = token.split(":", 2)
    if started:
        assert not store_process.alive(f"{pid}:{started}1:{computer}")
    assert store_process.is_here(token)
    assert not store_process.is_here(f"{pid}:{started}:{computer}x")
    assert not store_process.alive(f"{pid}:{started}:{computer}x")
    assert store_process.alive(f"{pid}:")
    assert not store_process.alive("not a token")
    assert not store_process.alive("0:")


# -- the file itself


def test_safe_settings_are_in_force(store: Store, make_start: Make) -> None:
    with store.database.reading() as connection:
        pragma = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "synchronous", "foreign_keys", "application_id", "user_version")
        }
        tables = connection.exec_driver_sql("SELECT name, strict FROM pragma_table_list WHERE schema = 'main'").all()
    assert pragma == {
        "journal_mode": "wal",
        "synchronous": 2,  # FULL
        "foreign_keys": 1,
        "application_id": migrations.APPLICATION_ID,
        "user_version": migrations.NEWEST,
    }
    assert {row.name for row in tables if not row.strict} == {"sqlite_schema"}


def test_writers_take_the_lock_at_once(store: Store) -> None:
    """BEGIN IMMEDIATE: a second writer is refused from the first statement on, not somewhere in the middle."""
    other = sqlite3.connect(store.name, timeout=0, isolation_level=None)
    try:
        with store.database.writing(), pytest.raises(sqlite3.OperationalError, match="locked"):
            other.execute("BEGIN IMMEDIATE")
    finally:
        other.close()


def test_tables_are_those_of_the_schema(store: Store) -> None:
    """The DDL of the migrations and the tables used for queries agree: names, order, types, null, keys."""
    inspector = sa.inspect(store.database._engine)
    assert set(inspector.get_table_names()) == set(schema.metadata.tables)
    dialect = store.database._engine.dialect
    for name, table in schema.metadata.tables.items():
        found = inspector.get_columns(name)
        assert [column["name"] for column in found] == [column.name for column in table.columns], name
        for column in found:
            mine = table.columns[column["name"]]
            assert str(column["type"]) == mine.type.compile(dialect), (name, column["name"])
            if not mine.primary_key:
                assert column["nullable"] == mine.nullable, (name, column["name"])
        links = {(key["constrained_columns"][0], key["referred_table"]) for key in inspector.get_foreign_keys(name)}
        assert links == {(key.parent.name, key.column.table.name) for key in table.foreign_keys}, name


def test_two_stores_write_one_file(tmp_path: Path, make_start: Make, make_step: MakeStep) -> None:
    with Store.open(tmp_path / "w.db") as one, Store.open(tmp_path / "w.db") as two:
        runs = [one.begin_run(make_start(unit="1")), two.begin_run(make_start(unit="2"))]
        for number in range(1, 6):
            one.commit_step(runs[0], make_step(number))
            two.commit_step(runs[1], make_step(number))
        assert [len(two.run(run).steps) for run in runs] == [5, 5]
        assert one.units() == [("Skep", "1"), ("Skep", "2")]


def test_nothing_of_a_refused_transaction_is_remembered(store: Store, make_start: Make, make_step: MakeStep) -> None:
    run = store.begin_run(make_start())

    def write_and_fail() -> None:
        with store.database.writing():
            store.commit_step(run, make_step())
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        write_and_fail()
    assert store.run(run).steps == []
    store.commit_step(run, make_step())
    assert len(store.run(run).steps[0].readings) == 3
    with store.database.reading() as connection:
        assert connection.exec_driver_sql("PRAGMA foreign_key_check").all() == []


def test_heads_are_of_a_sequence_and_leave_out_what_an_explanation_asked_for(store: Store, make_start: Make) -> None:
    first = put_run(store, make_start(), [])
    asked = put_run(store, make_start(sequence_title=ASKED), [])
    other = put_run(store, make_start(sequence_title="Smoke", board_name="Other"), [])
    assert [each.id for each in store.heads()] == [first, other]
    assert [each.id for each in store.heads(sequence=ASKED)] == [asked]
    assert [each.id for each in store.heads("Other")] == [other]
    assert [each.id for each in store.heads("Other", "First power-on")] == []


def test_a_file_that_is_not_there_is_told(store: Store, make_start: Make) -> None:
    run = put_run(store, make_start(), [])
    assert store.document(store.run(run).hashes["sequence"]) == "title = 'First power-on'\n"
    with pytest.raises(StoreError, match="has no file with hash 00ff") as caught:
        store.document("00ff")
    assert caught.value.exit_code == 2


def test_the_rework_of_a_unit_is_that_of_its_board(store: Store, make_start: Make) -> None:
    put_run(store, make_start(), [])
    assert store.rework_in_force("nobody") == []
    assert store.rework_in_force("004") == []
    put_run(store, make_start(board_name="Other"), [])
    with pytest.raises(StoreError, match="of several boards: say which board"):
        store.rework_in_force("004")
    assert store.rework_in_force("004", "Other") == []
    assert store.rework_in_force("004", "Nothing") == []


def test_a_key_does_not_depend_on_the_order_and_has_128_bits() -> None:
    """FIPS 180-4: SHA-256; half of it, over canonical JSON."""
    assert store_write.digest({"b": 1, "a": [2, None]}) == store_write.digest({"a": [2, None], "b": 1})
    text = '{"a":[2,null],"b":1}'
    assert store_write.digest({"b": 1, "a": [2, None]}) == hashlib.sha256(text.encode()).hexdigest()[:32]
    assert len(store_write.digest([])) == 32


def test_boards_and_units_are_listed_as_they_were_first_seen(store: Store, make_start: Make) -> None:
    for unit, board in (("9", "B"), ("1", "A"), ("2", "B")):
        put_run(store, make_start(unit=unit, board_name=board), [])
    assert store.boards() == ["A", "B"]
    assert store.units() == [("B", "9"), ("A", "1"), ("B", "2")]
    assert store.units("B") == [("B", "9"), ("B", "2")]


def test_a_store_that_is_left_is_closed(tmp_path: Path, make_start: Make) -> None:
    """SQLite, WAL, 2.3: the last connection that closes takes the log along."""
    log = tmp_path / "left.db-wal"
    with Store.open(tmp_path / "left.db") as store:
        store.begin_run(make_start())
        assert log.exists()
    assert not log.exists()
