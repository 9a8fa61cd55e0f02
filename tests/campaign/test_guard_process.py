"""The guard's process by itself: who holds its pipe, whose group it is in, and a runner that no longer listens."""

from __future__ import annotations

import itertools
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.campaign.lane import ROOT, Going, Lane
from tests.campaign.proxy import Proxy
from wakeboard.harness.describe.load import load_bench
from wakeboard.harness.run.guard import wire
from wakeboard.harness.run.guard.core import Envelope
from wakeboard.harness.run.guard.owner import Setting
from wakeboard.harness.run.guard.supplies import plan_of

pytestmark = pytest.mark.skipif(not Path("/proc").is_dir(), reason="looks into /proc")


@pytest.fixture(scope="module")
def lane(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lane]:
    with Lane(tmp_path_factory.mktemp("guard"), latency=0.001) as lane:
        yield lane


class Process:
    """The guard's process, spoken to as the runner does, but by hand."""

    def __init__(self, lane: Lane, bench: str = "bench.toml") -> None:
        self.numbers = itertools.count(1)
        environment = {**os.environ, "PYTHONPATH": str(ROOT), "WAKEBOARD_LOCKS": str(lane.folder / "locks")}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "wakeboard.harness.run.guard.process"],
            env=environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        )  # fmt: skip
        plans = plan_of(load_bench(lane.folder / bench))
        self.call("open", plans=plans, report="")

    def say(self, **message: Any) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(wire.encode(message))
        self.process.stdin.flush()

    def call(self, do: str, **what: Any) -> Any:
        number = next(self.numbers)
        self.say(id=number, do=do, **what)
        assert self.process.stdout is not None
        for line in self.process.stdout:
            answer = wire.decode(line)
            if answer.get("id") == number:
                return answer["ok"]
        raise AssertionError("the guard has ended")

    def energise(self) -> None:
        self.call("prove_off")
        envelope = Envelope(5.0, 0.12, inrush_s=1.0, most_amps=0.06)
        self.call("energise", supply="USB", setting=Setting(5.0, 0.12, ovp=6.0), envelope=envelope, ramp=None)

    def end(self) -> None:
        self.process.kill()
        self.process.wait()
        for stream in (self.process.stdin, self.process.stdout):
            assert stream is not None
            stream.close()


def test_a_runner_that_no_longer_reads_is_cut_off_all_the_same(lane: Lane) -> None:
    """A pipe takes 64 KiB (Linux, pipe(7)); a guard that waits for room there would never look at the lease."""
    guard = Process(lane)
    try:
        guard.energise()
        assert lane.on() == ["USB"]
        guard.say(do="beat", lease=1.5)
        for number in range(4000):
            guard.say(id=1000 + number, do="energised")
        assert lane.until(lambda: not lane.on(), 30)
        assert guard.process.poll() is None
    finally:
        guard.end()
        lane.order("reset")


def test_the_end_of_the_pipe_switches_off_and_ends_the_guard(lane: Lane) -> None:
    guard = Process(lane)
    try:
        guard.energise()
        assert guard.process.stdin is not None
        guard.process.stdin.close()
        assert lane.until(lambda: not lane.on(), 30)
        assert guard.process.wait(30) == 0
    finally:
        guard.end()


def test_nobody_else_holds_the_pipe_and_no_terminal_signal_reaches_the_guard(lane: Lane) -> None:
    """A copy of the pipe's end in any other process would keep its end from being seen when the runner is killed."""
    seen: dict[str, Any] = {}

    def look(lane: Lane, going: Going) -> None:
        assert lane.until(lane.on, 30)
        guard = going.guard
        assert guard is not None
        seen["session"] = os.getsid(guard) == guard
        pipe = os.readlink(f"/proc/{guard}/fd/0")
        seen["holders"] = {pid for pid in map(int, filter(str.isdigit, os.listdir("/proc"))) if pipe in _open(pid)}
        seen["expected"] = {guard, going.pid}

    verdict = lane.run(during=look)
    assert verdict.code == 0, verdict
    assert seen["session"]
    assert seen["holders"] == seen["expected"]


def _open(pid: int) -> set[str]:
    found = set()
    try:
        for each in os.listdir(f"/proc/{pid}/fd"):
            try:
                found.add(os.readlink(f"/proc/{pid}/fd/{each}"))
            except OSError:
                continue
    except OSError:
        return set()
    return found


def test_a_guard_alone_goes_on_until_the_cable_is_back(lane: Lane) -> None:
    """The runner is gone while the supply cannot be reached: nobody else will switch it off."""
    with Proxy(lane.ports["supply"]) as proxy:
        guard = Process(lane, lane.write_bench({**lane.ports, "supply": proxy.port}, "proxied.toml"))
        try:
            guard.energise()
            proxy.pull(12.0)
            assert guard.process.stdin is not None
            guard.process.stdin.close()
            assert lane.until(lambda: not lane.on(), 60)
            assert guard.process.wait(30) == 0
        finally:
            guard.end()
            lane.order("reset")
