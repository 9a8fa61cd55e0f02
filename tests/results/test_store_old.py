"""A store of the first schema opens for ever: `data/store_v1.sql` was written by schema version 1.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
import sqlalchemy as sa

from wakeboard.results.ledger.ledger import Ledger
from wakeboard.results.records import RunStart, Step
from wakeboard.results.store import migrations, schema
from wakeboard.results.store.errors import StoreError
from wakeboard.results.store.store import Store

OLD = Path(__file__).with_name("data") / "store_v1.sql"


@pytest.fixture
def old(tmp_path: Path) -> Path:
    path = tmp_path / "old.db"
    connection = sqlite3.connect(path)
    connection.executescript(OLD.read_text(encoding="utf-8"))
    connection.close()
    return path


def test_the_fixture_is_of_version_1(old: Path) -> None:
    connection = sqlite3.connect(old)
    assert connection.execute("PRAGMA user_version").fetchone() == (1,)
    assert "rework" not in {row[1] for row in connection.execute("PRAGMA table_info(run)")}
    connection.close()


def test_old_store_opens_with_all_it_holds(old: Path) -> None:
    with Store.open(old) as store:
        assert [(run.unit, run.outcome) for run in store.runs()] == [
            ("004", "tripped"),
            ("003", "fail"),
            ("001", "pass"),
        ]
        record = store.run(store.runs(unit="003")[0].id)
        reading = record.steps[1].readings[0]
        assert (reading.of, reading.value, reading.low, reading.outcome) == ("+3V3", 2.799, 3.234, "fail")
        assert record.steps[1].trace is not None
        assert record.steps[1].trace.supplies["USB"].mode == ["off", "cc", "cv"]
        assert record.steps[0].traffic[1].text == "+5.20000000E+03"  # type: ignore[attr-defined]
        assert record.start.plants == ["U2:variant=2.8 V"]
        assert record.rework == []
        assert record.start.instruments[0].calibration_due == "2027-01-02"


def test_old_store_takes_new_runs_and_a_ledger(
    old: Path, make_start: Callable[..., RunStart], make_step: Callable[..., Step]
) -> None:
    with Store.open(old) as store:
        Ledger(store).add_rework("003", "3.3 V regulator fitted")
        run = store.begin_run(make_start(unit="003"))
        store.commit_step(run, make_step())
        store.end_run(run, "pass")
        assert [done.text for done in store.run(run).rework] == ["3.3 V regulator fitted"]
    with Store.open(old) as store:
        assert len(store.runs(unit="003")) == 2


def test_each_migration_leaves_its_record(old: Path) -> None:
    with Store.open(old) as store, store.database.reading() as connection:
        found = connection.execute(sa.select(schema.migration.c.version, schema.migration.c.name)).all()
        assert [tuple(row) for row in found] == [(m.version, m.name) for m in migrations.MIGRATIONS]
        assert connection.exec_driver_sql("PRAGMA user_version").scalar() == migrations.NEWEST


def test_old_and_new_stores_have_one_shape(old: Path, store: Store) -> None:
    def shape(opened: Store) -> dict[str, list[tuple[str, str]]]:
        inspector = sa.inspect(opened.database._engine)
        return {
            name: [(column["name"], str(column["type"])) for column in inspector.get_columns(name)]
            for name in inspector.get_table_names()
        }

    with Store.open(old) as opened:
        assert shape(opened) == shape(store)


def test_failed_migration_leaves_the_old_store(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    last = migrations.MIGRATIONS[-1]
    broken = migrations.Migration(last.version, last.name, (*last.statements, "CREATE TABLE no good"))
    monkeypatch.setattr(migrations, "MIGRATIONS", (*migrations.MIGRATIONS[:-1], broken))
    with pytest.raises(StoreError):
        Store.open(old)
    connection = sqlite3.connect(old)
    assert connection.execute("PRAGMA user_version").fetchone() == (last.version - 1,), (
        "each version in a transaction of its own"
    )
    assert connection.execute("SELECT max(version) FROM migration").fetchone() == (last.version - 1,)
    assert connection.execute("SELECT count(*) FROM sqlite_schema WHERE name = 'photo'").fetchone() == (0,)
    connection.close()
    monkeypatch.undo()
    with Store.open(old) as store:
        assert len(store.runs()) == 3


def test_old_store_is_not_changed_when_only_looked_at(old: Path) -> None:
    with pytest.raises(StoreError, match="open it once where it can be written"):
        Store.open(old, create=False, read_only=True)


def test_several_programs_may_start_a_store_at_once(tmp_path: Path) -> None:
    path = tmp_path / "new.db"
    script = (
        "import sys\n"
        f"sys.path.insert(0, {str(OLD.parents[3])!r})\n"
        "from wakeboard.results.store.store import Store\n"
        f"Store.open({str(path)!r}, busy_s=30.0).close()\n"
    )
    started = [subprocess.Popen([sys.executable, "-c", script], stderr=subprocess.PIPE, text=True) for _ in range(4)]
    errors = [process.communicate(timeout=60)[1] for process in started]
    assert errors == ["", "", "", ""]
    with Store.open(path, create=False) as store, store.database.reading() as connection:
        assert connection.scalar(sa.select(sa.func.count()).select_from(schema.migration)) == migrations.NEWEST
