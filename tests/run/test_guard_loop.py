"""The loop of the guard's process, turn by turn, in this process: leases, gaps, telling, and its end.

Figures are the guard's own bounds and invented samples.
"""

from __future__ import annotations

import io
import json
import os
import queue
import signal
import time
from pathlib import Path
from typing import Any

import pytest

from wakeboard.harness.run.guard import process, wire
from wakeboard.harness.run.guard.core import Cut, Envelope
from wakeboard.harness.run.guard.owner import Feed, Guard, OffReport, Setting
from wakeboard.harness.run.guard.process import Shell
from wakeboard.instruments.clock import RealClock, steady

SETTING, ENVELOPE = Setting(5.0, 0.12), Envelope(5.0, 0.12, inrush_s=0.02)


@pytest.fixture
def psu(fake_psu: Any) -> Any:
    return fake_psu()


@pytest.fixture
def shell(psu: Any, tmp_path: Path) -> Shell:
    """With one output on."""
    shell = Shell(io.BytesIO())
    shell.report_path = str(tmp_path / "report.jsonl")
    shell.guard = Guard({"USB": Feed(psu, 1, "supply")}, RealClock())
    shell.guard.prove_off()
    shell.guard.arm("USB", SETTING, ENVELOPE)
    shell.guard.on("USB")
    return shell


def said(shell: Shell) -> list[dict[str, Any]]:
    told = []
    while not shell.outbox.empty():
        line = shell.outbox.get()
        if line is not None:
            told.append(wire.decode(line))
    return told


def cuts(shell: Shell) -> list[dict[str, Any]]:
    return [each for each in said(shell) if each.get("event") == "cut"]


def reports(shell: Shell) -> list[dict[str, Any]]:
    return [json.loads(line) for line in Path(shell.report_path).read_text().splitlines()]


@pytest.mark.skipif(not hasattr(time, "CLOCK_BOOTTIME"), reason="a clock of Linux")
def test_time_goes_on_while_the_computer_sleeps() -> None:
    """clock_gettime(2): CLOCK_BOOTTIME is CLOCK_MONOTONIC and the time that the system was suspended."""
    before = time.clock_gettime(time.CLOCK_BOOTTIME)
    assert before <= steady() <= RealClock().now() <= time.clock_gettime(time.CLOCK_BOOTTIME)


def test_the_time_that_an_output_was_on_counts_a_sleep(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    now = steady()
    monkeypatch.setattr("wakeboard.instruments.clock._READ", lambda: now + 31.0)
    assert shell.guard is not None
    assert shell.guard.energised >= 30.0


def test_a_sleep_with_an_output_on_is_told_and_cuts(shell: Shell, psu: Any) -> None:
    shell.breath = steady() - 30.0
    shell._turn()
    assert not psu.outputs[1]
    told = cuts(shell)
    assert [each["cut"]["rule"] for each in told] == ["stood-still"]
    assert "stood still for 29.9 s" in told[0]["cut"]["says"] or "stood still for 30.0 s" in told[0]["cut"]["says"]


def test_a_gap_that_the_thread_has_seen_counts_as_well(shell: Shell, psu: Any) -> None:
    shell.breath, shell.gap = steady(), 2.0
    shell._turn()
    assert not psu.outputs[1]
    assert "stood still for 2.0 s" in cuts(shell)[0]["cut"]["says"]


def test_a_reply_that_came_too_late_for_a_sleep_is_told_as_a_sleep(shell: Shell, psu: Any) -> None:
    shell.breath = steady() - 30.0
    psu.fails.add("sample")
    shell._turn()
    assert [each["cut"]["rule"] for each in cuts(shell)] == ["stood-still"]


def test_a_late_reading_after_a_sleep_is_told_as_a_sleep(shell: Shell, psu: Any) -> None:
    assert shell.guard is not None
    shell.breath, late = steady() - 30.0, Cut("late-reading", 1.0, 4.0, 0.02, "late")
    psu.sample = lambda _channel: shell.guard._cut("USB", late) or psu._seen(1)  # type: ignore[union-attr]
    shell._turn()
    assert [each["cut"]["rule"] for each in cuts(shell)] == ["stood-still"]


def test_a_late_reading_without_one_stays_what_it_is(shell: Shell, psu: Any) -> None:
    assert shell.guard is not None
    late = Cut("late-reading", 1.0, 4.0, 0.02, "late")
    psu.sample = lambda _channel: shell.guard._cut("USB", late) or psu._seen(1)  # type: ignore[union-attr]
    shell._turn()
    assert [each["cut"]["rule"] for each in cuts(shell)] == ["late-reading"]


def test_a_busy_computer_is_no_sleep(shell: Shell, psu: Any) -> None:
    shell.breath = steady() - 0.5
    shell._turn()
    assert psu.outputs[1]
    assert not cuts(shell)


def test_a_gap_while_nothing_was_on_is_none(shell: Shell, psu: Any) -> None:
    assert shell.guard is not None
    shell.guard.all_off()
    shell.gap = 30.0
    shell._turn()
    shell.guard.arm("USB", SETTING, ENVELOPE)
    shell.guard.on("USB")
    shell.breath = steady()
    shell._turn()
    assert psu.outputs[1]


def test_the_end_of_the_lease_cuts(shell: Shell, psu: Any) -> None:
    shell.breath = steady()
    shell.heard = steady() - 5.0
    shell.lease_ends = steady() - 0.01
    shell._turn()
    assert not psu.outputs[1]
    assert [each["cut"]["rule"] for each in cuts(shell)] == ["heartbeat"]
    assert "the run was silent for 5.0 s in all" in reports(shell)[-1]["why"]


def test_a_beat_moves_the_lease(shell: Shell, psu: Any) -> None:
    shell.breath = steady()
    shell.lease_ends = steady() - 0.01
    shell._take(b'{"do":"beat","lease":3.0}')
    shell._turn()
    assert psu.outputs[1]


@pytest.mark.parametrize("lease", ["1e12", "Infinity", "NaN", "-5"])
def test_no_runner_may_be_silent_for_ever(shell: Shell, psu: Any, lease: str) -> None:
    shell._take(f'{{"do":"beat","lease":{lease}}}'.encode())
    assert shell.lease_ends - steady() <= (process.LONGEST_LEASE if lease in ("1e12", "Infinity") else 0.0)
    shell.lease_ends -= process.LONGEST_LEASE + 0.01
    shell._turn()
    assert not psu.outputs[1]


def test_the_lease_does_not_matter_while_nothing_is_on(shell: Shell) -> None:
    assert shell.guard is not None
    shell.guard.all_off()
    shell.lease_ends = steady() - 1.0
    shell._turn()
    assert shell.guard.cut is None


def test_an_output_that_comes_on_is_told_though_the_power_was_cut_before(shell: Shell, psu: Any) -> None:
    assert shell.guard is not None
    shell.guard.abandon("heartbeat", "the runner hung")
    shell._turn()
    psu.outputs[1] = True
    psu.settings[1] = (5.0, 0.12)
    ends = steady() + 5.0
    while psu.outputs[1] and steady() < ends:
        shell._turn()
    told = cuts(shell)
    assert not psu.outputs[1]
    assert [(each["cut"]["rule"], each["back"]) for each in told] == [("heartbeat", False), ("came-on", True)]
    for _ in range(3):
        shell._turn()
    assert cuts(shell) == [], "each is told once"


def test_an_output_that_sticks_is_tried_again_now_and_then(shell: Shell, psu: Any) -> None:
    assert shell.guard is not None
    psu.stuck_on = True
    shell.guard.abandon("heartbeat", "the runner hung")
    tried = psu.calls.count("off 1")
    for _ in range(4):
        shell._turn()
    assert psu.calls.count("off 1") == tried + 3  # one round of tries, not four
    psu.stuck_on, shell._again_due = False, 0.0
    shell._turn()
    assert not psu.outputs[1]


def test_the_end_of_the_pipe_ends_the_loop_with_everything_off(shell: Shell, psu: Any) -> None:
    shell.inbox.put(None)
    shell.run()
    assert not psu.outputs[1]
    assert reports(shell)[-1]["states"] == {"USB": "off"}
    assert "pipe ended" in reports(shell)[-1]["why"]


@pytest.mark.parametrize("name", ["SIGTERM", "SIGINT", "SIGHUP"])
def test_each_signal_ends_the_loop_with_everything_off(shell: Shell, psu: Any, name: str) -> None:
    number = getattr(signal, name)
    before = {each: signal.getsignal(getattr(signal, each)) for each in ("SIGTERM", "SIGINT", "SIGHUP")}
    try:
        process._on_signals(shell)
        os.kill(os.getpid(), number)
        shell.run()
    finally:
        for each, handler in before.items():
            signal.signal(getattr(signal, each), handler)
    assert not psu.outputs[1]
    assert name in reports(shell)[-1]["why"]


def test_an_output_that_comes_back_after_the_end_is_switched_off_again(shell: Shell, psu: Any) -> None:
    """The runner is gone: nobody else will look."""
    off = psu.off

    def falls_back(channel: Any) -> bool:
        answer = off(channel)
        psu.off = off
        psu.outputs[1] = True
        return bool(answer)

    psu.off = falls_back
    shell.inbox.put(None)
    shell.run()
    assert not psu.outputs[1]


def test_alone_it_goes_on_until_the_supply_answers(shell: Shell, psu: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(process, "AGAIN", 0.01)
    psu.dead = True
    off, tries = psu.off, []

    def deaf(channel: Any) -> bool:
        tries.append(1)
        psu.dead = len(tries) < 8
        return bool(off(channel))

    psu.off = deaf
    shell.inbox.put(None)
    shell.run()
    assert not psu.outputs[1]
    assert len(tries) >= 8


def test_an_orderly_end_looks_once_more_and_sends_no_command(shell: Shell, psu: Any) -> None:
    assert shell.guard is not None
    shell.guard.all_off()
    psu.calls.clear()
    shell._take(b'{"id":1,"do":"bye"}')
    shell.run()
    assert "off 1" not in psu.calls
    assert "is_on 1" in psu.calls
    answer = next(each for each in said(shell) if each.get("id") == 1)
    assert answer["ok"]["states"] == {"USB": "off"}


def test_what_is_no_message_ends_the_guard(shell: Shell, psu: Any) -> None:
    shell._take(b"not a message")
    shell.run()
    assert not psu.outputs[1]


def test_a_question_that_fails_is_answered_with_the_failure(shell: Shell) -> None:
    shell._take(b'{"id":5,"do":"off","supply":"NOPE"}')
    answer = next(each for each in said(shell) if each.get("id") == 5)
    assert answer["error"]["kind"] == "KeyError"


class PlayedInbox:
    def __init__(self, *lines: Any) -> None:
        self.lines, self.asked = list(lines), []  # type: list[Any], list[float | None]

    def empty(self) -> bool:
        return not self.lines

    def get(self, timeout: float | None = None) -> Any:
        self.asked.append(timeout)
        if not self.lines:
            raise queue.Empty
        return self.lines.pop(0)

    def get_nowait(self) -> Any:
        return self.get()


@pytest.mark.parametrize(
    ("pause", "lines", "asked"),
    [
        (0.0, 0, []),
        (0.0, 1, [None, None]),
        (0.03, 0, [0.03]),
        (0.03, 1, [0.03, None]),
        (0.03, 2, [0.03, None, None]),
        (1.5, 0, [1.5]),
    ],
)
def test_the_loop_waits_for_as_long_as_it_may_and_then_takes_all_that_is_there(
    shell: Shell, pause: float, lines: int, asked: list[Any]
) -> None:
    shell.inbox = inbox = PlayedInbox(*[b'{"do":"beat","lease":30}\n'] * lines)  # type: ignore[assignment]
    shell._listen(pause)
    assert inbox.asked == asked
    assert not inbox.lines


def test_a_signal_wakes_the_loop(shell: Shell) -> None:
    names = ("SIGTERM", "SIGINT", "SIGHUP")
    before = {each: signal.getsignal(getattr(signal, each)) for each in names}
    try:
        process._on_signals(shell)
        for name in names:
            os.kill(os.getpid(), getattr(signal, name))
            assert shell.inbox.get_nowait() is None
    finally:
        for each, handler in before.items():
            signal.signal(getattr(signal, each), handler)


class Asked:
    """A guard that is asked how it stands; keeps what it was told to do."""

    def __init__(self, report: Any, any_live: bool = False) -> None:
        self.off_report, self.any_live, self.done = report, any_live, []  # type: Any, bool, list[str]
        self.cut, self.cut_supply = Cut("stopped", 1.0, 5.0, 0.1, "so"), "USB"

    def look_again(self) -> OffReport:
        self.done.append("look_again")
        return OffReport({"USB": "off"})

    def all_off(self) -> OffReport:
        self.done.append("all_off")
        return OffReport({"USB": "off"})

    def abandon(self, rule: str, _why: str) -> None:
        self.done.append(rule)


@pytest.mark.parametrize(
    ("report", "live", "done"),
    [
        (None, False, "all_off"),
        (OffReport({"USB": "unknown"}), False, "all_off"),
        (OffReport({"USB": "off"}), True, "all_off"),
        (OffReport({"USB": "off"}), False, "look_again"),
    ],
)
def test_at_an_orderly_end_only_what_is_dark_is_merely_looked_at(
    shell: Shell, report: Any, live: bool, done: str
) -> None:
    shell.guard = asked = Asked(report, live)  # type: ignore[assignment]
    assert shell.do_bye({})["states"] == {"USB": "off"}
    assert asked.done == [done]
    assert (shell.why_off, shell.ends) == ("bye", True)


@pytest.mark.parametrize(
    ("report", "done", "state"), [(OffReport({"USB": "on"}), ["stopped"], "on"), (None, ["stopped", "all_off"], "off")]
)
def test_stop_tells_what_came_of_it(shell: Shell, report: Any, done: list[str], state: str) -> None:
    shell.guard = asked = Asked(report)  # type: ignore[assignment]
    shell._stop("a person")
    assert asked.done == done
    assert [each["states"] for each in said(shell) if each.get("event") == "dark"] == [{"USB": state}]


def test_without_a_report_nothing_is_written(shell: Shell, tmp_path: Path) -> None:
    assert shell.guard is not None
    shell.guard.off_report = None
    shell._report("nothing was switched off yet")
    shell.guard.all_off()
    path, shell.report_path = shell.report_path, ""
    shell._report("nobody asked for it")
    shell.report_path, shell.guard = path, None
    shell._report("nothing is owned")
    assert not Path(path).exists()


def test_the_figures_of_the_page() -> None:
    assert (process.CORE_SHARE, process.PULSE, process.IDLE, process.ALIVE) == (0.15, 0.1, 0.05, 0.1)
    assert (process.KEEP_TRYING, process.AGAIN, process.UNSAID, process.LAST_WORDS) == (60.0, 1.0, 100, 2.0)
    assert (process.PRIORITY, process.STOOD_STILL, process.FIRST_LEASE) == (-10, 1.0, 30.0)
    assert process.LONGEST_LEASE == 600.0


def test_a_broken_rule_after_a_sleep_stays_what_it_is(shell: Shell, psu: Any) -> None:
    assert shell.guard is not None
    shell.breath = steady() - 30.0
    psu.sample = lambda _channel: shell.guard._cut("USB", Cut("over-current", 1.0, 5.0, 0.5, "")) or psu._seen(1)  # type: ignore[union-attr]
    shell._turn()
    assert [each["cut"]["rule"] for each in cuts(shell)] == ["over-current"]


def test_a_report_is_written_out_before_it_is_synced(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    synced: list[str] = []
    monkeypatch.setattr(os, "fsync", lambda _number: synced.append(Path(shell.report_path).read_text()))
    shell._off("so")
    assert json.loads(synced[0])["why"] == "so"


def test_a_gap_while_nothing_was_on_is_no_gap(shell: Shell) -> None:
    assert shell.guard is not None
    shell.guard.all_off()
    shell.gap = 5.0
    shell._turn()
    assert shell.gap == 0.0
