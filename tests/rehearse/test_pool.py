"""Work spread over processes: all of it comes back, and none of them outlives who asked for it."""

from __future__ import annotations

import multiprocessing
import os
import signal
import time

import pytest

from wakeboard.harness.rehearse import pool

_given: list[int] = []


def _begin(*values: int) -> None:
    _given.extend(values)


def _sum(value: int) -> int:
    return sum(_given) + value


def _sleep(seconds: float) -> None:
    time.sleep(seconds)


def test_every_piece_comes_back_in_its_place() -> None:
    with pool.under_way(2, _sum, [(k,) for k in range(7)], _begin, (100, 200)) as futures:
        assert [each.result() for each in futures] == [300 + k for k in range(7)]
    assert _given == []  # this process is not one of them


def _broken_off(number: signal.Signals) -> list[multiprocessing.process.BaseProcess]:
    """The processes of a piece of work that a signal to this process broke off."""
    before = multiprocessing.active_children()
    started: list[multiprocessing.process.BaseProcess] = []
    with pool.under_way(2, _sleep, [(600.0,)] * 5, _begin, ()) as futures:
        started += [each for each in multiprocessing.active_children() if each not in before]
        try:
            os.kill(os.getpid(), number)
            futures[0].result()
        except KeyboardInterrupt:
            raise Ended(started) from None
    return started


class Ended(Exception):
    """In place of the KeyboardInterrupt, with the processes that there were."""


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_broken_off_they_end_at_once(number: signal.Signals) -> None:
    """Each as Ctrl-C: SIGTERM would else end this process alone."""
    with pytest.raises(Ended) as ended:
        _broken_off(number)
    (started,) = ended.value.args
    assert len(started) == 2
    assert not [each for each in started if each.is_alive()]
