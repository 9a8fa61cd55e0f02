"""Three faults that look alike from afar are told apart in plain words: a supply that lies, a meter that is one answer
behind, a cable that was pulled."""

from __future__ import annotations

import signal
import sys
from collections.abc import Iterator

import pytest

from tests.campaign.judge import Verdict
from tests.campaign.lane import Going, Lane
from tests.campaign.proxy import Mischief, Proxy

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals and fork of POSIX systems")


@pytest.fixture(scope="module")
def lane(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lane]:
    with Lane(tmp_path_factory.mktemp("words"), latency=0.002) as lane:
        yield lane


def run_with(lane: Lane, name: str, mischief: Mischief) -> Verdict:
    with Proxy(lane.ports[name], mischief) as proxy:
        return lane.end(lane.begin(bench=lane.write_bench({**lane.ports, name: proxy.port}, "proxied.toml")))


def words(verdict: Verdict) -> str:
    return " ".join(verdict.notes)


def test_a_supply_that_says_off_and_feeds_the_board(lane: Lane) -> None:
    def weld(lane: Lane, going: Going) -> None:
        assert lane.until(lambda: "USB" in lane.on(), 30)
        lane.order("surge", ohms=150.0)  # 40 mA: enough for the supply's own reading to give it away
        lane.order("lie", supply="USB")

    verdict = lane.run(during=weld)
    said = words(verdict)
    assert verdict.code == 6, verdict
    assert "USB: on (it says that its output is off, yet" in said
    assert "come out of it: do not believe its display, pull its leads" in said
    assert "AUX: on" not in said


def test_a_meter_that_answers_the_question_before(lane: Lane) -> None:
    verdict = run_with(lane, "meter", Mischief("stale", 6, once=False))
    said = words(verdict)
    assert verdict.code == 3, verdict
    assert "it is the reply to another question" in said
    assert "instrument meter" in said
    assert not verdict.left_on


def test_a_cable_that_was_pulled(lane: Lane) -> None:
    verdict = run_with(lane, "meter", Mischief("cut", 6, once=False))
    said = words(verdict)
    assert verdict.code == 3, verdict
    assert "no reply in time: is it switched on, and its cable in?" in said
    assert "instrument meter" in said
    assert not verdict.left_on


def test_a_guard_that_was_killed_is_told_of(lane: Lane) -> None:
    def kill(lane: Lane, going: Going) -> None:
        import os

        assert lane.until(lane.on, 30)
        guard = going.guard
        assert guard is not None
        os.kill(guard, signal.SIGKILL)

    verdict = lane.run(during=kill, sequence="waiting.toml")
    assert verdict.code == 3, verdict
    assert "the guard is gone (its process ended, signal 9)" in words(verdict)
    assert "outputs confirmed off" in words(verdict)
    assert not verdict.left_on
