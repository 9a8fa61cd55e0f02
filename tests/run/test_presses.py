"""Presses of Ctrl-C without a run: which one raises, which are held, and what the person is told."""

from __future__ import annotations

import contextlib
import os
import signal
import threading
from collections.abc import Iterator

import pytest

from wakeboard.harness.run import presses


@pytest.fixture(autouse=True)
def ours() -> Iterator[None]:
    if threading.current_thread() is not threading.main_thread():
        pytest.skip("signals reach the main thread only")
    before = {each: signal.getsignal(each) for each in (signal.SIGINT, signal.SIGTERM)}
    signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    for each, handler in before.items():
        signal.signal(each, handler)


def press(number: int = signal.SIGINT) -> None:
    os.kill(os.getpid(), number)


def test_the_first_press_raises_and_what_follows_at_once_belongs_to_it() -> None:
    with presses.guarded():
        with pytest.raises(KeyboardInterrupt):
            press()
        press()
        assert not presses.pressed()


def test_held_presses_are_counted_and_the_person_is_told_once(capfd: pytest.CaptureFixture[str]) -> None:
    with presses.guarded():
        presses.hold("please wait")
        press()
        press()
        assert presses.pressed()
    assert capfd.readouterr().err == "\nplease wait\n"


def test_who_presses_again_in_the_next_run_is_told_again(capfd: pytest.CaptureFixture[str]) -> None:
    for _ in range(2):
        with presses.guarded():
            presses.hold("please wait")
            press()
    assert capfd.readouterr().err == "\nplease wait\n" * 2


def test_without_words_nothing_is_told(capfd: pytest.CaptureFixture[str]) -> None:
    with presses.guarded():
        presses.hold()
        press()
    assert capfd.readouterr().err == ""


def test_after_a_while_it_is_told_again(capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(presses, "ONE_PRESS", -1.0)
    with presses.guarded():
        presses.hold("wait")
        press()
        press()
    assert capfd.readouterr().err == "\nwait\n" * 2


def test_one_press_breaks_off_what_may_be_broken_off() -> None:
    with presses.guarded():
        presses.hold("wait")
        with pytest.raises(KeyboardInterrupt), presses.allowed():
            press()
        press()  # held again
        with presses.allowed():
            pass
        press()
        assert presses.pressed()


def test_each_block_begins_anew_and_leaves_the_handlers_as_they_were() -> None:
    with presses.guarded():
        presses.hold("wait")
        press()
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
    with presses.guarded():
        assert not presses.pressed()
        with pytest.raises(KeyboardInterrupt):
            press()
        presses.rearm()
        with pytest.raises(KeyboardInterrupt):
            press()


def test_an_inner_block_changes_nothing() -> None:
    with presses.guarded():
        presses.hold("wait")
        with presses.guarded():
            press()
        press()
        assert presses.pressed()


def test_signals_that_count_as_presses() -> None:
    with presses.guarded("SIGTERM", "NO_SUCH_SIGNAL"), pytest.raises(KeyboardInterrupt):
        press(signal.SIGTERM)
    assert set(presses.LIKE) >= {"SIGTERM", "SIGHUP"}


def test_in_another_thread_nothing_is_taken_over() -> None:
    seen: list[object] = []

    def other() -> None:
        with presses.guarded():
            seen.append(signal.getsignal(signal.SIGINT))

    thread = threading.Thread(target=other)
    thread.start()
    thread.join()
    assert seen == [signal.default_int_handler]
    with presses.guarded(), pytest.raises(KeyboardInterrupt):
        press()


def lost(_how: object = None) -> None:
    """A press that somebody's `except` takes."""
    with contextlib.suppress(KeyboardInterrupt):
        press()


def test_a_press_that_got_lost_is_raised_at_each_look_until_it_has_arrived() -> None:
    with presses.guarded():
        presses.look()
        lost()
        for _ in range(2):
            with pytest.raises(KeyboardInterrupt):
                presses.look()
        presses.arrived()
        presses.look()
        lost()
        presses.rearm()
        presses.look()


def test_a_press_on_its_way_is_not_raised_twice() -> None:
    """What puts things right behind it may look: a relay that is opened, a resistor that is taken off."""
    seen: list[str] = []

    def put_right() -> None:
        presses.look()
        try:
            raise ValueError("on the way")
        except ValueError:
            presses.look()
            seen.append("all of it ran")

    def pressed() -> None:
        try:
            press()
        finally:
            put_right()

    def at_another_error() -> None:
        try:
            raise ValueError("something else")
        except ValueError:
            presses.look()

    with presses.guarded():
        with pytest.raises(KeyboardInterrupt):
            pressed()
        assert seen == ["all of it ran"]
        with pytest.raises(KeyboardInterrupt):
            at_another_error()


def test_another_thread_looks_for_nothing() -> None:
    with presses.guarded():
        lost()
        failed: list[BaseException] = []

        def other() -> None:
            try:
                presses.look()
            except BaseException as error:  # noqa: BLE001
                failed.append(error)

        thread = threading.Thread(target=other)
        thread.start()
        thread.join()
        assert not failed
        presses.arrived()


def test_a_second_press_counts_where_the_first_was_long_ago(monkeypatch: pytest.MonkeyPatch) -> None:
    with presses.guarded():
        lost()
        press()  # belongs to it
        monkeypatch.setattr(presses, "ONE_PRESS", -1.0)
        with pytest.raises(KeyboardInterrupt):
            press()


def test_who_presses_is_told_without_a_stream_too(monkeypatch: pytest.MonkeyPatch) -> None:
    with presses.guarded():
        presses.hold("wait")
        monkeypatch.setattr("sys.stderr", None)
        press()
        assert presses.pressed()


def test_before_any_press_there_is_none_to_look_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(presses, "_STATE", presses._State())
    presses.look()
    assert not presses.pressed()


def test_what_was_held_before_a_block_is_not_held_in_it() -> None:
    presses.hold("left over")
    with presses.guarded(), pytest.raises(KeyboardInterrupt):
        press()


def test_what_was_pressed_in_a_block_is_over_with_it() -> None:
    with presses.guarded():
        presses.hold()
        press()
    assert not presses.pressed()
    with contextlib.suppress(KeyboardInterrupt), presses.guarded():
        press()
    presses.look()  # nobody's any more


@pytest.mark.parametrize(("later", "raises"), [(0.9, False), (1.1, True)])
def test_what_comes_within_a_second_belongs_to_the_first(
    monkeypatch: pytest.MonkeyPatch, later: float, raises: bool
) -> None:
    now = [1.5]  # s after the computer has started
    monkeypatch.setattr(presses.time, "monotonic", lambda: now[0])
    with presses.guarded():
        with pytest.raises(KeyboardInterrupt):
            press()
        now[0] += later
        with pytest.raises(KeyboardInterrupt) if raises else contextlib.nullcontext():
            press()


def test_who_presses_soon_after_the_start_of_the_computer_is_told(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(presses.time, "monotonic", lambda: 1.5)
    monkeypatch.setattr(presses, "_STATE", presses._State())
    for _ in range(2):
        with presses.guarded():
            presses.hold("please wait")
            press()
    presses._STATE = presses._State(held=True, says="please wait")
    presses._press(0, None)
    assert capfd.readouterr().err == "\nplease wait\n" * 3
