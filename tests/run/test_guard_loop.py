"""The loop of the guard's process, turn by turn, in this process: leases, gaps, telling, and its end.

Figures are the guard's own bounds and invented samples.
"""

from __future__ import annotations

import io
import json
import os
import signal
import time
from pathlib import Path
from typing import Any

import pytest

from wakeboard.harness.run.guard import process, wire
from wakeboard.harness.run.guard.core import Cut, Envelope
from wakeboard.harness.run.guard.owner import Feed, Guard, Setting
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
    shell.lease_ends = steady() - 0.01
    shell._turn()
    assert not psu.outputs[1]
    assert [each["cut"]["rule"] for each in cuts(shell)] == ["heartbeat"]
    assert "silent" in reports(shell)[-1]["why"]


def test_a_beat_moves_the_lease(shell: Shell, psu: Any) -> None:
    shell.breath = steady()
    shell.lease_ends = steady() - 0.01
    shell._take(b'{"do":"beat","lease":3.0}')
    shell._turn()
    assert psu.outputs[1]


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
