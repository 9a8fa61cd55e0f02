"""A store that is deleted, replaced or cut while a run is written into it; and a step that is not what was written."""

from __future__ import annotations

import contextlib
import hashlib
import json
import random
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from wakeboard.results.records import Reading, RunRecord, RunStart, Step
from wakeboard.results.store import digest, readback, write
from wakeboard.results.store.engine import parse_place
from wakeboard.results.store.errors import StoreError
from wakeboard.results.store.store import Store

Make = Callable[..., RunStart]
MakeStep = Callable[..., Step]


def begun(path: Path, make_start: Make, make_step: MakeStep, steps: int = 3) -> tuple[Store, str]:
    store = Store.open(path)
    run = store.begin_run(make_start())
    for number in range(1, steps + 1):
        store.commit_step(run, make_step(number))
    return store, run


def kept(folder: Path) -> list[int]:
    (file,) = folder.glob("*.kept-*.jsonl")
    return [json.loads(line)["number"] for line in file.read_text().splitlines()]


def delete(path: Path) -> None:
    path.unlink()


def replace(path: Path) -> None:
    path.rename(path.with_name("away.db"))
    Store.open(path).close()


def cut(path: Path) -> None:
    with path.with_name(path.name + "-wal").open("r+b") as file:
        file.truncate(0)


@pytest.mark.parametrize("harm", [delete, replace, cut])
@pytest.mark.parametrize("next_is", ["a step", "the end"])
def test_steps_that_are_lost_are_noticed_and_kept(
    harm: Callable[[Path], None], next_is: str, tmp_path: Path, make_start: Make, make_step: MakeStep
) -> None:
    """Before, the run ended in PASS and its steps were gone."""
    path = tmp_path / "wakeboard.db"
    store, run = begun(path, make_start, make_step)
    harm(path)
    goes_on = {"a step": lambda: store.commit_step(run, make_step(4)), "the end": lambda: store.end_run(run, "pass")}
    with pytest.raises(StoreError, match="3 steps of it: kept in") as told:
        goes_on[next_is]()
    assert told.value.exit_code == 3
    assert kept(tmp_path) == [1, 2, 3]
    store.close()


@pytest.mark.parametrize("left", [0, 4096, 0.5])
@pytest.mark.parametrize("next_is", ["a step", "the end"])
def test_a_file_that_becomes_shorter_is_noticed(
    left: float, next_is: str, tmp_path: Path, make_start: Make, make_step: MakeStep
) -> None:
    """With a history in the file and the steps in its log: the run ended in PASS, and the store could not be opened."""
    path = tmp_path / "wakeboard.db"
    store, run = begun(path, make_start, make_step)
    store.end_run(run, "pass")
    store.close()
    store, run = begun(path, make_start, make_step)
    with path.open("r+b") as file:
        file.truncate(int(left * path.stat().st_size) // 4096 * 4096 if left < 1 else int(left))
    goes_on = {"a step": lambda: store.commit_step(run, make_step(4)), "the end": lambda: store.end_run(run, "pass")}
    with pytest.raises(StoreError, match=r"was cut short by another program.* 3 steps of it: kept in"):
        goes_on[next_is]()
    assert kept(tmp_path) == [1, 2, 3]
    with contextlib.suppress(StoreError):
        store.close()


def test_a_file_that_another_program_makes_shorter_and_leaves_whole_loses_nothing(
    tmp_path: Path, make_start: Make, make_step: MakeStep
) -> None:
    """VACUUM gives free pages back."""
    path = tmp_path / "wakeboard.db"
    store, run = begun(path, make_start, make_step)
    before = path.stat().st_size
    with contextlib.closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE filler AS SELECT zeroblob(1000000) AS zeros")
        other.commit()
        other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        store.commit_step(run, make_step(4))
        assert path.stat().st_size > before + 900_000
        other.execute("DROP TABLE filler")
        other.commit()
        other.execute("VACUUM")
        other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    assert path.stat().st_size < before + 900_000
    store.commit_step(run, make_step(5))
    store.end_run(run, "pass", outputs_off=True)
    assert [step.number for step in store.run(run).steps] == [1, 2, 3, 4, 5]
    store.close()


def test_a_checkpoint_of_another_program_loses_nothing(tmp_path: Path, make_start: Make, make_step: MakeStep) -> None:
    path = tmp_path / "wakeboard.db"
    store, run = begun(path, make_start, make_step)
    with Store.open(path) as other:
        other.database.harden()
    store.commit_step(run, make_step(4))
    store.end_run(run, "pass", outputs_off=True)
    assert [step.number for step in store.run(run).steps] == [1, 2, 3, 4]
    store.close()


# --- damage that leaves the length as it was ------------------------------------------------------------------------
PAGE = 4096
STEPS = 3


def whole(path: Path, make_start: Make, make_step: MakeStep) -> tuple[Store, str, dict[str, object]]:
    """A store with a run that has ended, and one that has not; all is in the file itself, nothing in its log. The runs
    as they are."""
    store, run = begun(path, make_start, make_step, STEPS)
    store.end_run(run, "pass", outputs_off=True)
    run = store.begin_run(make_start(unit="005", board_text="[board]\nname = 'Skep'\n" + "# drawn anew\n" * 500))
    for number in range(1, STEPS + 1):
        traffic = [(0.1 * each, "meter", "<", f"+2.80{each:06}E+00") for each in range(300)]
        store.commit_step(run, make_step(number, says=f"of the second run, {number}", traffic=traffic))
    with Store.open(path) as other:
        other.database.harden()
        runs = {each.id: other.run(each.id).as_json() for each in other.runs()}
    assert path.with_name(path.name + "-wal").stat().st_size == 0
    return store, run, runs


def overwrite(data: bytearray, page: int, _rng: random.Random) -> None:
    data[page * PAGE : page * PAGE + 64] = bytes([0xA5]) * 64


def turn_a_byte(data: bytearray, page: int, rng: random.Random) -> None:
    used = [place for place in range(page * PAGE, (page + 1) * PAGE) if data[place]]
    data[rng.choice(used)] ^= 0xFF


@pytest.mark.parametrize("harm", [overwrite, turn_a_byte])
def test_damage_in_place_is_noticed_when_the_run_ends(
    harm: Callable[[bytearray, int, random.Random], None], tmp_path: Path, make_start: Make, make_step: MakeStep
) -> None:
    """Any page of the file: the run ends as an error, with its steps kept, or its record is there as it was. Before, it
    ended in PASS whatever was damaged."""
    rng = random.Random(8)
    noticed = 0
    for number in range(10):
        folder = tmp_path / str(number)
        folder.mkdir()
        path = folder / "wakeboard.db"
        store, run, runs = whole(path, make_start, make_step)
        data = bytearray(path.read_bytes())
        harm(data, rng.choice([page for page in range(len(data) // PAGE) if any(data[page * PAGE :][:PAGE])]), rng)
        with path.open("r+b") as file:
            file.write(data)
        told = None
        try:
            store.end_run(run, "pass", outputs_off=True)
        except StoreError as error:
            told = error
        if told is not None:
            assert "was damaged (" in str(told)
            assert f"{STEPS} steps of it: kept in" in str(told)
            assert told.exit_code == 3
            assert kept(folder) == [1, 2, 3]
            noticed += 1
        else:
            with Store.open(path) as again:
                found = again.run(run)
                assert found.outcome == "pass"
                assert found.as_json()["steps"] == runs[run]["steps"]  # type: ignore[index]
        with contextlib.suppress(StoreError):
            store.close()
    assert noticed


@pytest.mark.parametrize(
    ("sql", "says"),
    [
        ("UPDATE step SET says = 'all well' WHERE says LIKE '%second run, 2'", "not what was written"),
        ("UPDATE step SET digest = '' WHERE says LIKE '%second run, 2'", "not those that were written"),
        ("DELETE FROM step_blob", "not what was written"),
        ("UPDATE run SET operator = 'nobody'", "how the run began"),
        ("UPDATE document SET text = 'x'", "how the run began"),
        ("DELETE FROM run", "the run is not there any more"),
        ("DELETE FROM document", "KeyError"),
        ("UPDATE step_blob SET data = x'01'", "error"),
    ],
)
def test_what_another_program_changes_in_a_run_is_noticed_at_its_end(
    sql: str, says: str, tmp_path: Path, make_start: Make, make_step: MakeStep
) -> None:
    path = tmp_path / "wakeboard.db"
    store, run, _ = whole(path, make_start, make_step)
    with contextlib.closing(sqlite3.connect(path)) as other, other:
        assert other.execute(sql).rowcount
    with pytest.raises(StoreError, match=rf"was (damaged \(.*{says}|cut short).*3 steps of it: kept in"):
        store.end_run(run, "pass")
    store.close()


def test_damage_of_the_log_is_noticed_too(tmp_path: Path, make_start: Make, make_step: MakeStep) -> None:
    path = tmp_path / "wakeboard.db"
    store, run = begun(path, make_start, make_step)
    log = path.with_name(path.name + "-wal")
    data = bytearray(log.read_bytes())
    place = data.rindex(b"+3V3")
    data[place : place + 4] = b"+5V0"
    with log.open("r+b") as file:
        file.write(data)
    with pytest.raises(StoreError, match="was damaged"):
        store.end_run(run, "pass")
    assert kept(tmp_path) == [1, 2, 3]
    store.close()


def test_a_page_of_an_older_run_is_looked_at(tmp_path: Path, make_start: Make, make_step: MakeStep) -> None:
    """Its tables are not those of the run that ends."""
    path = tmp_path / "wakeboard.db"
    with contextlib.closing(sqlite3.connect(path)) as other:
        Store.open(path).close()
        other.execute("CREATE TABLE filler AS WITH RECURSIVE n(i) AS (VALUES(1) UNION ALL SELECT i+1 FROM n "
                      "WHERE i < 3000) SELECT i, 'filler' AS says FROM n")  # fmt: skip
        other.commit()
        root = other.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'filler'").fetchone()[0]
    store, run, _ = whole(path, make_start, make_step)
    with path.open("r+b") as file:
        file.seek((root - 1) * PAGE)
        file.write(b"\xa5" * 64)
    with pytest.raises(StoreError, match="was damaged"):
        store.end_run(run, "pass")
    with contextlib.suppress(StoreError):
        store.close()


def test_what_is_no_damage(
    tmp_path: Path, make_start: Make, make_step: MakeStep, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another working folder, another run that begins and ends in the same file, an end that another process wrote, a
    unit with rework, a correction of the end."""
    monkeypatch.chdir(tmp_path)
    with Store.open("wakeboard.db") as store:
        run = store.begin_run(make_start(plants=("R1:open",)))
        store.commit_step(run, make_step(1))
        monkeypatch.chdir("/")
        with Store.open(tmp_path / "wakeboard.db") as other:
            second = other.begin_run(make_start(unit="009"))
            other.commit_step(second, make_step(1))
            other.end_run(second, "fail", outputs_off=True)
            other.end_run(run, "error", abandoned=True)
        store.end_run(run, "pass", outputs_off=True)
        with contextlib.closing(sqlite3.connect(tmp_path / "wakeboard.db")) as another, another:
            assert another.execute(
                "UPDATE step SET says = 'else'"
            ).rowcount  # of a run that has ended: who reads it sees
        store.end_run(run, "fail", outputs_off=True)
        with pytest.raises(StoreError, match="not what was written"):
            store.run(run)


def test_a_store_that_is_locked_is_not_damaged(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def locked(*_what: object, **_more: object) -> None:
        raise StoreError("is locked", kind="locked")

    monkeypatch.setattr(readback, "Database", locked)
    with pytest.raises(StoreError, match="is locked"):
        readback.damage(parse_place(tmp_path / "x.db"), RunRecord("0" * 32, RunStart("", "", "", "", "", ""), 0.0), [])


# --- the digest -----------------------------------------------------------------------------------------------------
HARMS = {
    "an outcome": "UPDATE step SET outcome = 'pass' WHERE number = 2",
    "a value": "UPDATE reading SET value = 3.3 WHERE position = 0",
    "a reading": "DELETE FROM reading WHERE position = 0",
    "a limit": "UPDATE terms SET low = 0.0",
    "the traffic": "DELETE FROM step_blob WHERE kind = 'traffic'",
}


@pytest.mark.parametrize("sql", HARMS.values(), ids=HARMS)
def test_a_step_that_was_changed_is_not_read(sql: str, tmp_path: Path, make_start: Make, make_step: MakeStep) -> None:
    path = tmp_path / "wakeboard.db"
    store, run = begun(path, make_start, make_step, 0)
    for number in (1, 2):
        store.commit_step(run, make_step(number, outcome="fail", traffic=[(0.1, "supply", ">", "OUTP ON")]))
    store.end_run(run, "fail", outputs_off=True)
    assert len(store.run(run).steps) == 2
    store.close()
    with sqlite3.connect(path) as connection:
        changed = connection.execute(sql).rowcount
    connection.close()
    assert changed
    with Store.open(path) as again:
        with pytest.raises(StoreError, match="not what was written"):
            again.run(run)
        if "step_blob" not in sql:
            with pytest.raises(StoreError, match="not what was written"):
                again.run(run, blobs=False)  # as whatever explains, exports and lists a run does


@pytest.mark.parametrize("harm", [None, *HARMS.values()], ids=["nothing", *HARMS])
def test_a_digest_of_an_older_store_is_looked_at_with_all_that_it_covers(
    harm: str | None, tmp_path: Path, make_start: Make, make_step: MakeStep, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One digest of what a step tells and of its traffic, as it was written before."""

    def older(step: Step, blobs: dict[str, bytes]) -> str:
        text = json.dumps(digest._kept(step.as_json()), sort_keys=True).encode()
        return "2-" + hashlib.sha256(text + b"".join(blobs[kind] for kind in sorted(blobs))).hexdigest()[:32]

    monkeypatch.setattr(write, "digest_of", older)
    path = tmp_path / "wakeboard.db"
    store, run = begun(path, make_start, make_step, 0)
    for number in (1, 2):
        store.commit_step(run, make_step(number, outcome="fail", traffic=[(0.1, "supply", ">", "OUTP ON")]))
    store.close()
    if harm:
        with contextlib.closing(sqlite3.connect(path)) as other, other:
            other.execute(harm)
    with Store.open(path) as again:
        assert len(again.run(run, blobs=False).steps) == 2
        if not harm:
            assert len(again.run(run).steps) == 2
            return
        with pytest.raises(StoreError, match="not what was written"):
            again.run(run)


def test_what_databases_change_is_no_damage(tmp_path: Path, make_start: Make, make_step: MakeStep) -> None:
    """NUL, lone surrogates, NaN, infinities, -0.0 and integers come back otherwise than they were given."""
    odd = [
        Reading("N\0", "text", float("nan"), "V", float("inf"), -0.0, 1, "pass", says="a\ud800"),
        Reading("X", "dc volts", 5, "V", 0, None, None, "pass"),
    ]
    with Store.open(tmp_path / "wakeboard.db") as store:
        run = store.begin_run(make_start())
        step = make_step(1, readings=odd, name="n\0", says="\udfff", started=1, ended=2, detail={"n": 1, "t": (1, 2.0)})
        store.commit_step(run, step)
        store.commit_step(run, step)
        assert store.run(run).steps[0].number == 1


def test_in_a_callers_transaction_nothing_is_read_back(store: Store, make_start: Make, make_step: MakeStep) -> None:
    """What is not committed is on no disk: that is no damage."""
    with store.database.writing():
        run = store.begin_run(make_start())
        store.commit_step(run, make_step())
        store.end_run(run, "pass")
    assert store.run(run).outcome == "pass"
