"""A commit that fails: it may have happened, and only looking, over a connection made anew, tells. In this process,
with a database that fails where the test says; test_store_faults.py has the operating system fail.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from wakeboard.results.records import RunStart, Step
from wakeboard.results.store.errors import StoreError
from wakeboard.results.store.store import Store
from wakeboard.results.store.write import Known

Make = Callable[..., RunStart]
MakeStep = Callable[..., Step]


class Commits:
    """The next commit fails: before it has happened, or after. Keeps what was done to the connection."""

    def __init__(self, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
        self.fails: list[tuple[bool, str]] = []  # (has it happened, kind of the error)
        self.done: list[str] = []
        writing, reopen, harden = store.database.writing, store.database.reopen, store.database.harden

        @contextlib.contextmanager
        def failing() -> Iterator[Any]:
            happened, kind = self.fails.pop(0) if self.fails else (True, "")
            with contextlib.ExitStack() as stack:
                connection = stack.enter_context(writing())
                yield connection
                if not happened:
                    raise StoreError("not committed", kind=kind)  # type: ignore[arg-type]
            if kind:
                raise StoreError("who knows", kind=kind)  # type: ignore[arg-type]

        monkeypatch.setattr(store.database, "writing", failing)
        monkeypatch.setattr(store.database, "reopen", lambda: (self.done.append("reopen"), reopen())[1])
        monkeypatch.setattr(store.database, "harden", lambda: (self.done.append("harden"), harden())[1])


@pytest.fixture
def commits(store: Store, monkeypatch: pytest.MonkeyPatch) -> Commits:
    return Commits(store, monkeypatch)


def numbers(store: Store, run: str) -> list[int]:
    return [each.number for each in store.run(run).steps]


@pytest.fixture
def run(store: Store, make_start: Make) -> str:
    return store.begin_run(make_start())


def test_a_step_that_was_committed_after_all_is_not_written_twice(
    store: Store, run: str, commits: Commits, make_step: MakeStep
) -> None:
    commits.fails = [(True, "io")]
    store.commit_step(run, make_step(1))
    assert commits.done == ["reopen", "harden"]
    assert numbers(store, run) == [1]


def test_a_step_that_was_not_is_written_once_more(
    store: Store, run: str, commits: Commits, make_step: MakeStep
) -> None:
    commits.fails = [(False, "io")]
    store.commit_step(run, make_step(1))
    assert commits.done == ["reopen"]
    assert numbers(store, run) == [1]


def test_once_more_and_no_more(store: Store, run: str, commits: Commits, make_step: MakeStep) -> None:
    commits.fails = [(False, "io"), (False, "io")]
    with pytest.raises(StoreError, match="not committed"):
        store.commit_step(run, make_step(1))
    assert numbers(store, run) == []


def test_on_a_full_disk_it_is_not_tried_again(store: Store, run: str, commits: Commits, make_step: MakeStep) -> None:
    commits.fails = [(False, "full")]
    with pytest.raises(StoreError) as caught:
        store.commit_step(run, make_step(1))
    assert caught.value.kind == "full"
    assert numbers(store, run) == []


@pytest.mark.parametrize("kind", ["usage", "read-only"])
def test_what_is_known_not_to_have_happened_is_raised_as_it_is(
    store: Store, run: str, commits: Commits, make_step: MakeStep, kind: str
) -> None:
    commits.fails = [(False, kind)]
    with pytest.raises(StoreError) as caught:
        store.commit_step(run, make_step(1))
    assert caught.value.kind == kind
    commits.fails = [(False, kind)]
    with pytest.raises(StoreError):
        store.end_run(run, "pass")
    assert commits.done == []


def test_where_it_cannot_be_looked_up_the_first_failure_is_told(
    store: Store, run: str, commits: Commits, make_step: MakeStep, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuses() -> None:
        raise StoreError("gone", kind="io")

    monkeypatch.setattr(store.database, "reopen", refuses)
    commits.fails = [(True, "io")]
    with pytest.raises(StoreError, match="who knows"):
        store.commit_step(run, make_step(1))


def test_what_is_found_and_does_not_reach_the_disk_is_not_acknowledged(
    store: Store, run: str, commits: Commits, make_step: MakeStep, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuses() -> None:
        raise StoreError("no sync", kind="io")

    monkeypatch.setattr(store.database, "harden", refuses)
    commits.fails = [(True, "io")]
    with pytest.raises(StoreError, match="who knows"):
        store.commit_step(run, make_step(1))


def test_another_content_under_the_same_number_is_told_as_that(
    store: Store, run: str, commits: Commits, make_step: MakeStep
) -> None:
    store.commit_step(run, make_step(1))
    store.commit_step(run, make_step(1))  # the same again does nothing
    with pytest.raises(StoreError) as caught:
        store.commit_step(run, make_step(1, says="otherwise"))
    assert caught.value.kind == "conflict"
    packed = make_step(1, says="otherwise")
    with pytest.raises(StoreError) as caught:
        store._settle(
            lambda: store._has_step(run, _packed(packed)), lambda: None, StoreError("who knows", kind="io")
        )  # fmt: skip
    assert caught.value.kind == "conflict"
    assert numbers(store, run) == [1]


def _packed(step: Step) -> Any:
    from wakeboard.results.store import write as store_write

    return store_write.pack(step)


@pytest.mark.parametrize("happened", [True, False])
def test_the_end_of_a_run_is_there_once(store: Store, run: str, commits: Commits, happened: bool) -> None:
    from wakeboard.results.store import schema

    commits.fails = [(happened, "io")]
    store.end_run(run, "pass", outputs_off=True, energised_s=1.5)
    record = store.run(run)
    assert (record.outcome, record.outputs_off, record.energised_s) == ("pass", True, 1.5)
    with store.database.reading() as connection:
        assert len(list(connection.execute(schema.run_end.select()))) == 1
    assert ("harden" in commits.done) is happened


@pytest.mark.parametrize("happened", [True, False])
def test_a_run_begins_once(store: Store, commits: Commits, make_start: Make, happened: bool) -> None:
    commits.fails = [(happened, "io")]
    run = store.begin_run(make_start(host="bench-7", software="other 1.0"))
    assert [each.id for each in store.runs()] == [run]
    start = store.run(run).start
    assert (start.host, start.software) == ("bench-7", "other 1.0")


def test_outputs_that_nobody_knows_of_are_no_outputs_that_are_off(store: Store, run: str) -> None:
    store.end_run(run, "error")
    record = store.run(run)
    assert record.outputs_off is None
    assert record.energised_s is None
    store.end_run(run, "error", outputs_off=False)
    assert store.run(run).outputs_off is False


def test_units_and_rework_are_of_their_board(store: Store, make_start: Make) -> None:
    for board in ("Skep", "Hive"):
        store.begin_run(make_start(board_name=board))
    assert store.units("Hive") == [("Hive", "004")]
    assert store.units() == [("Skep", "004"), ("Hive", "004")]
    assert store.boards() == ["Hive", "Skep"]
    assert store.rework_in_force("004", "Hive") == []
    assert store.rework_in_force("nobody") == []
    with pytest.raises(StoreError, match="of several boards"):
        store.rework_in_force("004")
    assert [each.unit for each in store.runs(board="Hive", unit="004")] == ["004"]
    assert store.runs(board="Hive", unit="nobody") == []
    assert len(store.heads("Hive")) == 1
    assert len(store.heads()) == 2


def test_a_run_whose_program_is_gone_is_ended_and_one_that_lives_is_not(
    store: Store, make_start: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    from wakeboard.results.store import process as store_process

    run = store.begin_run(make_start())
    assert store.mark_abandoned() == []
    monkeypatch.setattr(store_process, "alive", lambda _process: False)
    assert store.mark_abandoned() == [run]
    record = store.run(run)
    assert (record.outcome, record.outputs_off) == ("error", None)
    assert "program ended before the run did" in record.says
    assert store.mark_abandoned() == []


def test_a_file_that_was_copied_here_has_no_living_program(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    from wakeboard.results.store import process as store_process

    monkeypatch.setattr(store_process, "is_here", lambda _process: False)
    assert store._is_gone("another computer's")
    with monkeypatch.context() as patch:
        patch.setattr(type(store.database), "dialect", "postgresql")
        assert not store._is_gone("another computer's"), "on a server it may live"


def test_keys_of_what_was_not_committed_are_forgotten() -> None:
    """Each kind of them: the rows that they name are not there."""
    known = Known({"run": 1}, {("a",): 2}, {("b",): 3})
    known.forget()
    assert known == Known()
