"""Presses of Ctrl-C without a run: which one raises, which are held, and what the person is told."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Iterator

import pytest

from wakeboard.harness.run.hand import presses


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
