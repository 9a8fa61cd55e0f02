"""A sample of the fault campaign, judged at the instrument. The whole: `python -m tests.campaign`.

No times are asserted here; `python -m tests.campaign --bounds` measures them.
"""

from __future__ import annotations

import random
import signal
import sys
from collections.abc import Iterator

import pytest

from tests.campaign import faults, fuzz
from tests.campaign.faults import Try
from tests.campaign.judge import Event, unseen
from tests.campaign.lane import Lane
from tests.campaign.proxy import Mischief

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals and fork of POSIX systems")
SCALE = faults.Scale(
    {"runner": {"write": 39, "commit": 9, "spawn": 1}, "guard": {"write": 60, "read": 60, "query": 60}},
    1.6,
    {"supply": 60, "meter": 9, "scanner": 12},
)


@pytest.fixture(scope="module")
def lane(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lane]:
    with Lane(tmp_path_factory.mktemp("campaign"), latency=0.002) as lane:
        yield lane


def hold(lane: Lane, tried: Try) -> None:
    """Nothing left on that could be reached, nothing lost or doubled, no reply to another question."""
    verdict = tried.run(lane)
    assert not verdict.bad, (tried.what, verdict)
    if verdict.left_on:
        assert tried.out_of_reach, (tried.what, verdict)
        assert verdict.told, (tried.what, verdict)


def test_a_run_without_a_fault_is_judged_good(lane: Lane) -> None:
    """The judge sees outputs, replies and steps, or its silence would mean nothing."""
    measured = faults.scale(lane, runs=1)
    assert measured.counts["guard"]["query"] > 30
    assert measured.replies["meter"] > 0


@pytest.mark.parametrize("tried", list(faults.seams(SCALE, False, random.Random(1))), ids=lambda each: each.what)
def test_the_nth_operation_fails(lane: Lane, tried: Try) -> None:
    hold(lane, tried)


@pytest.mark.parametrize(
    "tried",
    [
        faults.kill("runner", signal.SIGKILL, 0.8),
        faults.kill("runner", signal.SIGKILL, 1.1),
        faults.kill("guard", signal.SIGKILL, 0.9),
        faults.kill("guard", signal.SIGKILL, 1.2),
        faults.kill("guard", signal.SIGSTOP, 1.0),
        faults.kill("both", signal.SIGKILL, 1.1),
        faults.kill("both", signal.SIGSTOP, 1.1),
    ],
    ids=lambda each: each.what,
)
def test_processes_are_killed_and_stopped(lane: Lane, tried: Try) -> None:
    hold(lane, tried)


@pytest.mark.parametrize(
    ("name", "mischief"),
    [
        ("supply", Mischief("cut", 40)),
        ("supply", Mischief("garbage", 45, once=False)),
        ("supply", Mischief("stall", 50, once=False)),
        ("supply", Mischief("double", 42)),
        ("meter", Mischief("stale", 6, once=False)),
        ("meter", Mischief("truncate", 7)),
        ("scanner", Mischief("eaten", 9)),
    ],
    ids=str,
)
def test_the_network_misbehaves(lane: Lane, name: str, mischief: Mischief) -> None:
    hold(lane, faults.network_try(name, mischief))


@pytest.mark.parametrize("trouble", faults.TROUBLES[6:], ids=lambda each: each.row)
def test_a_supply_a_program_or_a_person_does_what_nobody_expects(lane: Lane, trouble: faults.Trouble) -> None:
    """With the exit code and the words that are right for it. Those before are tried elsewhere, without processes."""
    hold(lane, faults.power_try(trouble, 0.2))


def test_the_judge_knows_what_nobody_can_have_seen() -> None:
    on, off, asked = Event(1.02, "USB", "out", "on"), Event(1.03, "USB", "out", "off"), Event(1.025, "supply", "<", "1")
    assert unseen([on, off], 1.0)
    assert not unseen([on, asked, off], 1.0), "an answer was given meanwhile"
    assert not unseen([on], 1.0), "it stays on"
    assert not unseen([Event(0.5, "USB", "out", "on"), off], 1.0), "that was before the fault"


def test_the_store_is_damaged_in_place(lane: Lane) -> None:
    for where in ("file", "log"):
        hold(lane, faults.harmed_try(where, 0.1, 1, 3))


def test_the_disk_is_full(lane: Lane) -> None:
    for tried in faults.disk(2, random.Random(3), 200_000):
        hold(lane, tried)


def test_readers_of_replies_and_files_raise_only_our_own_errors() -> None:
    """A sample; a million strings by `python -m tests.campaign --only fuzz`."""
    for tally in (*fuzz.replies(1000, seed=7), *fuzz.tables(400, seed=7, mutated=0.1)):
        assert not tally.strangers, (tally.name, tally.strangers[:3])
