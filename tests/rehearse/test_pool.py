"""Work spread over processes: all of it comes back, and none of them outlives who asked for it."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

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


SPREADS = """
import multiprocessing, time
from wakeboard.harness.rehearse import pool
with pool.under_way(2, time.sleep, [(600.0,)] * 5, list, ()) as futures:
    print(" ".join(str(each.pid) for each in multiprocessing.active_children()), flush=True)
    futures[0].result()
"""


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="which processes live is read from /proc")
def test_they_end_where_who_asked_is_killed() -> None:
    with subprocess.Popen([sys.executable, "-c", SPREADS], stdout=subprocess.PIPE, text=True) as asked:
        assert asked.stdout is not None
        started = next(line.split() for line in asked.stdout if line.strip())
        asked.kill()
    assert len(started) == 2
    deadline = time.monotonic() + 60
    while any(_lives(int(pid)) for pid in started):
        assert time.monotonic() < deadline
        time.sleep(0.05)


def _lives(pid: int) -> bool:
    """And is no corpse that nobody has asked after."""
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


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
