"""Few searches for garbage: one inside another, in two threads, and as before at the end."""

import gc
import threading

from wakeboard.instruments.garbage import GARBAGE, seldom_collected


def test_blocks_lie_in_each_other_and_leave_all_as_it_was() -> None:
    before, frozen = gc.get_threshold(), gc.get_freeze_count()
    with seldom_collected():
        assert gc.get_threshold()[0] == GARBAGE
        with seldom_collected():
            pass
        assert gc.get_threshold()[0] == GARBAGE
        assert gc.get_freeze_count() > frozen
    assert (gc.get_threshold(), gc.get_freeze_count()) == (before, frozen)


def test_the_first_of_two_threads_that_is_done_changes_nothing_for_the_other() -> None:
    before, in_both, first_done = gc.get_threshold(), threading.Barrier(2), threading.Event()
    seen: list[int] = []

    def first() -> None:
        with seldom_collected():
            in_both.wait(10)
        first_done.set()

    def second() -> None:
        with seldom_collected():
            in_both.wait(10)
            assert first_done.wait(10)
            seen.append(gc.get_threshold()[0])

    threads = [threading.Thread(target=each) for each in (first, second)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(10)
    assert seen == [GARBAGE]
    assert gc.get_threshold() == before
