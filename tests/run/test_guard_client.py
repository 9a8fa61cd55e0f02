"""The runner's side of the guard's process, against a guard that is played: what it is asked, when it counts as gone,
and that the runner then switches off by itself. Figures are the guard's own bounds and invented samples.
"""

from __future__ import annotations

import contextlib
import os
import queue
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from types import SimpleNamespace
from typing import Any

import numpy as np  # noqa: F401  pytest.approx looks whether it is there, while a thread of the guard may be importing it
import pytest

from wakeboard.harness.run.errors import GuardLost, PowerCut, Tripped
from wakeboard.harness.run.guard import client, wire
from wakeboard.harness.run.guard.client import ProcessGuard
from wakeboard.harness.run.guard.core import Envelope
from wakeboard.harness.run.guard.supplies import SupplyPlan
from wakeboard.harness.run.guard.terms import OffReport, Setting
from wakeboard.instruments.errors import BenchError, LinkTimeout

PLAN = SupplyPlan("supply", "TCPIP::127.0.0.1::1::SOCKET", timeout=0.2, feeds={"1": "USB"})
SETTING, ENVELOPE = Setting(5.0, 0.1), Envelope(5.0, 0.1, 0.02)
OFF = {"states": {"USB": "off"}, "errors": {}}
LATE = 20.0  # s: when a wait gives up


class Played:
    """A guard's process: answers by a table, and says what it is told to say. Fits subprocess.Popen."""

    def __init__(self, breathes: bool = True) -> None:
        there, back = os.pipe(), os.pipe()
        self.stdin, self._asked = os.fdopen(there[1], "wb"), os.fdopen(there[0], "rb")
        self._say, self.stdout = os.fdopen(back[1], "wb", buffering=0), os.fdopen(back[0], "rb")
        self.pid, self.killed, self.seen = 1, False, []  # type: int, bool, list[dict[str, Any]]
        self.waited: list[float] = []
        self.breathes, self.lit, self.waits = breathes, True, 0.0
        self.answers: dict[str, Any] = {
            "open": {"identities": {}, "dialects": {"supply": "scpi-psu"}, "off_list": ["USB"], "cautions": {}},
            "prove_off": OFF, "off": OFF, "all_off": OFF, "bye": OFF, "look_again": {**OFF, "came_on": None},
            "energise": "armed", "energised": 1.25, "trace": {"tracks": {}, "traffic": []}, "climbing": False,
        }  # fmt: skip
        threading.Thread(target=self._answer, daemon=True).start()
        threading.Thread(target=self._breathe, daemon=True).start()

    def _answer(self) -> None:
        with self._asked:
            self._answers()

    def _answers(self) -> None:
        for line in self._asked:
            message = wire.decode(line)
            self.seen.append(message)
            answer = self.answers.get(message["do"])
            if answer == "dies":
                self.end()
                return
            if isinstance(answer, Exception):
                error = {"kind": type(answer).__name__, "message": str(answer), "instrument": "supply"}
                self.say({"id": message["id"], "error": error})
            elif "id" in message and answer != "silence":
                self.say({"id": message["id"], "ok": answer})

    def _breathe(self) -> None:
        while not self.killed:
            time.sleep(0.02)
            if self.breathes:
                self.say({"event": "alive", "waits": self.waits, "lit": self.lit})

    def say(self, message: dict[str, Any]) -> None:
        try:
            self._say.write(wire.encode(message))
        except (OSError, ValueError):
            self.killed = True

    def end(self) -> None:
        self.killed = True
        self._say.close()

    kill = end

    def wait(self, timeout: float) -> int:
        self.waited.append(timeout)
        if not self.killed and not any(each["do"] == "bye" for each in self.seen):
            raise subprocess.TimeoutExpired("guard", timeout)
        return 0

    def asked(self, do: str) -> int:
        return sum(1 for each in self.seen if each["do"] == do)


class Bench:
    """What the runner's own session does: `report` is what it finds."""

    def __init__(self) -> None:
        self.report = OffReport({"USB": "off"})
        self.tries: list[bool] = []

    def off_afresh(self, _plan: Any, _dialect: Any, _clock: Any, settled: bool = False) -> OffReport:
        self.tries.append(settled)
        return self.report


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Bench:
    bench = Bench()
    monkeypatch.setattr(client, "off_afresh", bench.off_afresh)
    monkeypatch.setattr(client, "BUSY", 0.0)
    return bench


@pytest.fixture
def played(monkeypatch: pytest.MonkeyPatch) -> Iterator[Played]:
    played = Played()
    monkeypatch.setattr(client, "_start", lambda: played)
    yield played
    played.kill()
    for stream in (played.stdin, played.stdout):
        with contextlib.suppress(OSError):
            stream.close()


@pytest.fixture
def guard(played: Played, bench: Bench) -> Iterator[ProcessGuard]:
    guard = ProcessGuard([PLAN], report="")
    yield guard
    guard.close()


def until(seen: Callable[[], Any], what: str) -> None:
    ends = time.monotonic() + LATE
    while not seen():
        assert time.monotonic() < ends, what
        time.sleep(0.005)


def test_what_is_off_needs_no_successor(guard: ProcessGuard, bench: Bench) -> None:
    assert guard.all_off().confirmed
    assert not bench.tries
    assert not guard.lost


def test_a_guard_that_dies_as_it_is_told_to_switch_off_is_succeeded(
    guard: ProcessGuard, played: Played, bench: Bench
) -> None:
    played.answers["all_off"] = "dies"
    assert guard.all_off().confirmed
    assert bench.tries == [False]


def test_a_guard_that_dies_as_it_says_good_bye_is_succeeded(guard: ProcessGuard, played: Played, bench: Bench) -> None:
    played.answers["bye"] = "dies"
    guard.close()
    assert guard.left is not None
    assert guard.left.confirmed
    assert bench.tries == [False]


def test_an_output_whose_state_the_guard_cannot_tell_is_taken_over(
    guard: ProcessGuard, played: Played, bench: Bench
) -> None:
    played.answers["all_off"] = {"states": {"USB": "unknown"}, "errors": {"USB": "no reply"}}
    assert guard.all_off().confirmed
    assert bench.tries == [False]
    assert played.killed
    assert "could not switch off: outputs not confirmed off: USB: unknown (no reply)" in guard.lost


def test_an_output_that_is_on_is_not_taken_over(guard: ProcessGuard, played: Played, bench: Bench) -> None:
    """The guard got through to it; another session would hear the same."""
    played.answers["all_off"] = {"states": {"USB": "on"}, "errors": {}}
    assert guard.all_off().states == {"USB": "on"}
    assert not bench.tries


def test_what_the_successor_cannot_confirm_is_tried_again(guard: ProcessGuard, played: Played, bench: Bench) -> None:
    bench.report = OffReport({"USB": "unknown"}, {"USB": "no reply"})
    played.end()
    until(lambda: guard.lost, "the end of the pipe")
    assert bench.tries == [False, False]  # at once, and after a moment: it may be busy
    assert not guard.all_off().confirmed
    bench.report = OffReport({"USB": "off"})
    tries = len(bench.tries)
    assert guard.all_off().confirmed
    assert guard.all_off().confirmed
    assert len(bench.tries) == tries + 1  # what is off needs no further command
    assert guard.look_again().confirmed
    assert bench.tries[-1] is True


def test_the_end_of_the_pipe_is_acted_upon_without_a_call(guard: ProcessGuard, played: Played, bench: Bench) -> None:
    played.end()
    until(lambda: bench.tries, "the successor")
    until(lambda: guard.lost, "the word for it")
    with pytest.raises(GuardLost, match="its process ended"):
        guard.sample("USB")


def test_a_guard_that_is_stopped_is_noticed_within_its_bound(guard: ProcessGuard, played: Played, bench: Bench) -> None:
    """In looks of the runner's own: no more than what the bound has, however busy this computer is."""
    guard.energise("USB", SETTING, ENVELOPE, None)
    played.breathes = False
    assert guard._fails(client.STOPPED + 0.01) == f"it has been silent for {client.STOPPED:g} s"
    assert not guard._fails(client.STOPPED - 0.01)
    assert client.STOPPED <= 1.0
    until(lambda: bench.tries, "the successor")
    until(lambda: guard.lost, "the word for it")
    assert "silent for 1 s" in guard.lost


def test_while_nothing_is_on_it_may_be_silent_for_longer(guard: ProcessGuard, played: Played) -> None:
    played.lit = False
    until(lambda: not guard._lit, "the guard's word")
    assert guard.silence == pytest.approx(2.0 + 1.5 * PLAN.timeout)
    assert not guard._fails(guard.silence - 0.01)
    assert guard._fails(guard.silence + 0.01)


def test_a_guard_that_waits_for_ever_is_taken_over_although_it_breathes(
    guard: ProcessGuard, played: Played, bench: Bench
) -> None:
    played.waits = guard.silence - 0.1
    time.sleep(0.3)
    assert not bench.tries
    played.waits = guard.silence + 0.5
    until(lambda: guard.lost, "the successor")
    assert "waiting for" in guard.lost


def test_words_without_sense_end_it(guard: ProcessGuard, played: Played, bench: Bench) -> None:
    played._say.write(b"nonsense\n")
    with pytest.raises(GuardLost, match="no message"):
        guard.sleep(LATE)
    assert bench.tries


def test_no_answer_is_no_guard(guard: ProcessGuard, played: Played, bench: Bench) -> None:
    played.answers["nothing"] = "silence"
    with pytest.raises(GuardLost, match="no answer to 'nothing'"):
        guard._call("nothing", timeout=0.05)
    assert bench.tries


def test_what_the_guard_raises_is_raised_here(guard: ProcessGuard, played: Played) -> None:
    played.answers["off"] = LinkTimeout("no reply in time")
    with pytest.raises(LinkTimeout, match="no reply in time"):
        guard.off("USB")


@pytest.mark.parametrize(("rule", "kind"), [("over-current", Tripped), ("heartbeat", PowerCut)])
def test_a_cut_is_raised_by_the_next_call_until_it_is_known(
    guard: ProcessGuard, played: Played, rule: str, kind: type[Exception]
) -> None:
    cut = {"rule": rule, "time": 1.0, "volts": 5.0, "amps": None, "says": "so"}
    played.say({"event": "cut", "supply": "USB", "cut": cut})
    with pytest.raises(kind):
        guard.sleep(LATE)
    with pytest.raises(kind):
        guard.sample("USB")
    guard.acknowledge()
    guard.beat(3.0)


def test_a_cut_that_is_told_before_the_sample_that_was_asked_for_is_raised_in_its_place(
    guard: ProcessGuard, played: Played
) -> None:
    """Its 0 V beside the meter's reading of a moment before was told as a wrong channel: the bench's fault."""
    cut = {"rule": "over-current", "time": 1.0, "volts": 5.0, "amps": 1.0, "says": "so"}
    played.answers["sample"] = "silence"

    def cut_first() -> None:
        until(lambda: played.asked("sample"), "the question")
        played.say({"event": "cut", "supply": "USB", "cut": cut})
        sample = {"time": 1.0, "volts": 0.003, "amps": 0.0, "mode": "off", "on": False, "trip": None}
        played.say({"id": played.seen[-1]["id"], "ok": sample})

    threading.Thread(target=cut_first, daemon=True).start()
    with pytest.raises(Tripped):
        guard.sample("USB")


def test_an_output_that_came_on_is_raised_once_though_the_cut_before_is_known(
    guard: ProcessGuard, played: Played
) -> None:
    cut = {"rule": "came-on", "time": 1.0, "volts": None, "amps": None, "says": "it is on"}
    guard.acknowledge()
    played.say({"event": "cut", "back": True, "supply": "USB", "cut": cut})
    with pytest.raises(PowerCut, match="it is on"):
        guard.sleep(LATE)
    guard.beat(3.0)
    assert guard.came_on is not None


def test_an_output_that_came_on_at_the_last_look_is_known(guard: ProcessGuard, played: Played) -> None:
    cut = {"rule": "came-on", "time": 1.0, "volts": None, "amps": None, "says": "it is on"}
    played.answers["look_again"] = {**OFF, "came_on": cut}
    assert guard.look_again().confirmed
    assert guard.came_on is not None
    guard.beat(3.0)


def test_the_time_that_an_output_was_on_outlives_the_guard(
    guard: ProcessGuard, played: Played, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert guard.energised() == 1.25  # by the guard's count
    now = [100.0]
    monkeypatch.setattr(client, "steady", lambda: now[0])
    guard.energise("USB", SETTING, ENVELOPE, None)
    now[0] = 107.0
    played.end()
    until(lambda: guard.lost, "the successor")
    now[0] = 200.0
    assert guard.energised() == pytest.approx(7.0)


def test_the_time_goes_on_while_the_output_is_not_seen_to_be_off(
    guard: ProcessGuard, played: Played, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = [100.0]
    monkeypatch.setattr(client, "steady", lambda: now[0])
    bench.report = OffReport({"USB": "unknown"})
    guard.energise("USB", SETTING, ENVELOPE, None)
    played.end()
    until(lambda: guard.lost, "the successor")
    now[0] = 130.0
    assert guard.energised() == pytest.approx(30.0)


def test_beats_are_sent_as_often_as_the_lease_needs(guard: ProcessGuard, played: Played) -> None:
    for _ in range(20):
        guard.beat(3.0)
    guard.beat(15.0)  # a longer lease is told at once
    until(lambda: any(each.get("lease") == 15.0 for each in played.seen), "the beat")
    assert played.asked("beat") < 10


def test_signs_of_life_do_not_wait_for_a_runner_that_is_busy(guard: ProcessGuard, played: Played) -> None:
    """Ten a second: a reading of a minute would leave 600 behind."""
    heard = guard._heard
    until(lambda: guard._heard > heard + 3, "some of them")
    assert guard._inbox.empty()


def test_an_orderly_end_says_what_was_left(guard: ProcessGuard, played: Played) -> None:
    guard.close()
    assert played.asked("bye") == 1
    assert guard.left is not None
    assert guard.left.confirmed
    assert played.stdin.closed
    assert played.stdout.closed


def test_an_end_without_an_answer_says_what_the_successor_found(
    guard: ProcessGuard, played: Played, bench: Bench
) -> None:
    bench.report = OffReport({"USB": "on"})
    played.end()
    until(lambda: guard.lost, "the successor")
    guard.close()
    assert guard.left is not None
    assert not guard.left.confirmed


def test_what_it_is_asked_for_it_asks_the_guard_for(guard: ProcessGuard, played: Played) -> None:
    sample = {"time": 1.0, "volts": 5.0, "amps": 0.02, "mode": "cv", "on": True, "trip": None}
    track = {"times": [0.0], "volts": [5.0], "amps": [0.1], "limit": [0.1], "mode": ["cv"]}
    played.answers |= {
        "sample": sample, "amps_error": 0.003, "settle_s": 0.12, "change": None, "bound": None, "climbing": True,
        "trace": {"tracks": {"USB": track}, "traffic": [[1.0, "supply", ">", "*IDN?"]]},
    }  # fmt: skip
    assert guard.prove_off().states == {"USB": "off"}
    assert guard.energise("USB", SETTING, ENVELOPE, None) == "armed"
    assert guard.climbing("USB") is True
    assert guard.sample("USB").amps == 0.02
    assert guard.amps_error("USB", 0.1) == 0.003
    assert guard.settle_s("USB") == 0.12
    guard.change()
    guard.bound("USB", 0.1, None)
    assert guard.off("USB").confirmed
    assert guard.trace()["USB"].volts == [5.0]
    assert guard.traffic() == [(1.0, "supply", ">", "*IDN?")]
    assert guard.traffic() == []
    assert guard.instrument("USB") == "supply"
    assert guard.pid == 1
    for do in ("prove_off", "energise", "climbing", "sample", "amps_error", "change", "bound", "off", "trace"):
        assert played.asked(do) == 1, do
    bound = next(each for each in played.seen if each["do"] == "bound")
    assert (bound["supply"], bound["most_amps"], bound["least_amps"]) == ("USB", 0.1, None)
    asked = next(each for each in played.seen if each["do"] == "energise")
    assert (asked["setting"]["volts"], asked["envelope"]["limit"], asked["ramp"]) == (5.0, 0.1, None)


def test_a_shorter_lease_is_told_at_once(guard: ProcessGuard, played: Played) -> None:
    """A program that hangs right after a step was kept has what it asked for, not the time for a commit."""
    guard.beat(15.0)
    guard.beat(2.0)
    until(lambda: any(each.get("lease") == 2.0 for each in played.seen), "the beat")


def test_before_it_energises_it_beats_for_as_long_as_the_answer_may_take(guard: ProcessGuard, played: Played) -> None:
    guard.energise("USB", SETTING, ENVELOPE, None)
    done = [each["do"] for each in played.seen]
    assert done.index("beat") < done.index("energise")
    assert next(each["lease"] for each in played.seen if each["do"] == "beat") == client.ANSWER_TIMEOUT


@pytest.mark.parametrize("call", ["energise", "climbing", "sample"])
def test_a_cut_that_was_heard_is_raised_before_anything_is_asked(
    guard: ProcessGuard, played: Played, call: str
) -> None:
    guard.cut, guard.cut_supply = (
        wire.cut_of({"rule": "over-current", "time": 1, "volts": 5, "amps": 1, "says": ""}),
        "USB",
    )
    arguments = ("USB", SETTING, ENVELOPE, None) if call == "energise" else ("USB",)
    with pytest.raises(Tripped):
        getattr(guard, call)(*arguments)
    assert not played.asked(call)


def test_stop_goes_on_the_pipe_and_its_answer_is_taken_in_at_once(guard: ProcessGuard, played: Played) -> None:
    guard.stop("a person")
    until(lambda: played.asked("stop"), "the word on the pipe")
    assert played.seen[-1]["why"] == "a person"
    assert guard.stopped is None
    played.say({"event": "dark", **OFF})
    until(lambda: guard.stopped, "the answer, without a call of the runner")
    assert guard.stopped is not None
    assert guard.stopped.confirmed
    played.say({"event": "dark"})  # nonsense is no answer, and does no harm
    assert guard.all_off().confirmed


def test_stop_of_a_guard_that_is_gone_says_what_the_successor_found(
    guard: ProcessGuard, played: Played, bench: Bench
) -> None:
    played.end()
    until(lambda: guard.lost, "the successor")
    guard.stop("a person")
    assert guard.stopped is bench.report or (guard.stopped is not None and guard.stopped.confirmed)


def test_what_it_sees_is_kept_from_the_pulses(guard: ProcessGuard, played: Played) -> None:
    sample = {"time": 1.0, "volts": 5.0, "amps": None, "mode": "cv", "on": True, "trip": None}
    played.say({"event": "pulse", "latest": {"USB": sample}})
    until(lambda: guard.beat(3.0) or guard.latest(), "the pulse")
    assert guard.latest()["USB"].volts == 5.0


def test_a_sleep_takes_its_time_and_ends_with_a_cut(guard: ProcessGuard, played: Played) -> None:
    began = time.monotonic()
    guard.sleep(0.2)
    assert time.monotonic() - began >= 0.2
    cut = {"rule": "over-current", "time": 1.0, "volts": 5.0, "amps": 1.0, "says": "so"}
    threading.Timer(0.1, lambda: played.say({"event": "cut", "supply": "USB", "cut": cut})).start()
    began = time.monotonic()
    with pytest.raises(Tripped):
        guard.sleep(LATE)
    assert time.monotonic() - began < LATE / 2


def test_who_sleeps_says_that_he_lives(guard: ProcessGuard, played: Played) -> None:
    """Longer than a lease, if need be: each turn of the sleep gives a new one."""
    guard.sleep(4 * client.SLICE)
    until(lambda: any(each.get("lease") == client.LEASE for each in played.seen), "a beat")


def test_a_press_that_got_lost_ends_a_sleep(guard: ProcessGuard, monkeypatch: pytest.MonkeyPatch) -> None:
    looks: list[int] = []

    def look() -> None:
        looks.append(1)
        if len(looks) == 2:
            raise KeyboardInterrupt

    monkeypatch.setattr(client.presses, "look", look)
    with pytest.raises(KeyboardInterrupt):
        guard.sleep(LATE)


def test_while_it_sleeps_it_listens_and_does_not_spin(
    guard: ProcessGuard, played: Played, monkeypatch: pytest.MonkeyPatch
) -> None:
    waits: list[float] = []
    listen = guard._listen
    monkeypatch.setattr(guard, "_listen", lambda seconds: (waits.append(seconds), listen(seconds))[1])
    guard.sleep(0.2)
    assert max(waits) <= client.SLICE
    assert len(waits) < 30


def test_silence_is_counted_in_looks_and_each_word_begins_it_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    guard, heard, silences = object.__new__(ProcessGuard), [0, 0, 1, 0], []  # type: ignore[var-annotated]

    def wait(seconds: float) -> bool:
        assert seconds == client.WATCH
        if heard:
            guard._heard += heard.pop(0)
            return False
        return True

    guard._heard, guard._closing = 5, SimpleNamespace(wait=wait)  # type: ignore[assignment]
    monkeypatch.setattr(guard, "_fails", lambda silent: silences.append(silent) or "")
    guard._watch()
    assert silences == pytest.approx([0.1, 0.2, 0.0, 0.1])


def test_the_end_of_a_guard_is_waited_for_and_its_watch_ends(guard: ProcessGuard, played: Played) -> None:
    played.end()
    until(lambda: guard.lost, "the successor")
    assert 2.0 in played.waited
    assert guard._closing.is_set()
    assert played.stdin.closed
    assert played.stdout.closed
    until(lambda: not any(each.name.endswith("(_watch)") for each in threading.enumerate()), "the end of the watch")


def test_a_supply_that_was_busy_is_given_a_moment(
    guard: ProcessGuard, played: Played, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(client, "BUSY", 0.3)
    bench.report = OffReport({"USB": "unknown"}, {"USB": "no reply"}, {"USB": "odd"})
    began = time.monotonic()
    report = guard._off_by_ourselves()
    assert time.monotonic() - began >= 0.3
    assert (report.states, report.errors, report.remarks) == (
        {"USB": "unknown"}, {"USB": "no reply"}, {"USB": "odd"},
    )  # fmt: skip
    bench.report = OffReport({"USB": "on"})
    guard._off_by_ourselves()
    assert bench.tries[2:] == [False], "an output that is on is no busy supply"


def test_a_guard_that_cannot_open_its_supplies_is_ended(played: Played, bench: Bench) -> None:
    played.answers["open"] = LinkTimeout("no reply in time")
    with pytest.raises(LinkTimeout):
        ProcessGuard([PLAN], report="")
    assert played.killed
    assert not bench.tries, "nothing was on"


def test_without_supplies_the_silence_has_no_time_out(played: Played, bench: Bench) -> None:
    guard = ProcessGuard([], report="")
    assert guard.silence == client.SILENCE == 2.0
    guard.close()


def test_the_trace_of_a_guard_that_is_taken_over_is_kept(guard: ProcessGuard, played: Played, bench: Bench) -> None:
    track = {"times": [0.0], "volts": [5.0], "amps": [0.1], "limit": [0.1], "mode": ["cv"]}
    played.answers["trace"] = {"tracks": {"USB": track}, "traffic": []}
    played.answers["all_off"] = {"states": {"USB": "unknown"}, "errors": {}}
    guard.all_off()
    assert guard.lost
    assert guard.trace()["USB"].volts == [5.0]
    with pytest.raises(GuardLost):
        guard.trace()


def test_an_orderly_end_takes_the_report_file_along(played: Played, bench: Bench, tmp_path: Any) -> None:
    report = tmp_path / "report.jsonl"
    report.write_text("{}")
    ProcessGuard([PLAN], report=str(report)).close()
    assert not report.exists()
    assert 5.0 in played.waited


def test_where_outputs_are_not_off_the_report_file_stays(played: Played, bench: Bench, tmp_path: Any) -> None:
    report = tmp_path / "report.jsonl"
    report.write_text("{}")
    played.answers["bye"] = {"states": {"USB": "on"}, "errors": {}}
    guard = ProcessGuard([PLAN], report=str(report))
    guard.close()
    assert report.exists()
    with pytest.raises(GuardLost, match="was closed"):
        guard.sample("USB")


def test_an_end_that_is_not_answered_is_a_kill(played: Played, bench: Bench) -> None:
    guard = ProcessGuard([PLAN], report="")
    played.answers["bye"] = LinkTimeout("no reply")

    def hangs(timeout: float) -> int:
        raise subprocess.TimeoutExpired("guard", timeout)

    played.answers["bye"] = OFF
    played.wait = hangs  # type: ignore[method-assign]
    guard.close()
    assert played.killed


def test_a_failure_of_its_own_is_no_failure_of_the_bench(guard: ProcessGuard, played: Played) -> None:
    played.answers["off"] = KeyError("NOPE")
    with pytest.raises(GuardLost, match="the guard failed: KeyError"):
        guard.off("USB")


def test_the_process_has_a_group_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    started: list[Any] = []
    monkeypatch.setattr(subprocess, "Popen", lambda *what, **options: started.append((what, options)) or "process")
    assert client._start() == "process"
    (command,), options = started[0]
    assert client.PROCESS in command
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE}
    assert options == {**pipes, "creationflags": 0, "start_new_session": True}


def test_without_a_process_nothing_is_energised(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_what: Any, **_options: Any) -> Any:
        raise OSError(11, "Resource temporarily unavailable")

    monkeypatch.setattr(subprocess, "Popen", refused)
    with pytest.raises(BenchError, match=r"cannot be started .Resource temporarily unavailable.; nothing is energised"):
        client._start()


@pytest.mark.parametrize(("code", "told"), [(-9, ", signal 9"), (3, ", exit code 3"), (0, "")])
def test_how_a_process_ended_is_told(code: int, told: str) -> None:
    class Ended:
        waited: float

        def wait(self, timeout: float) -> int:
            self.waited = timeout
            return code

    process = Ended()
    assert client._ended(process) == told  # type: ignore[arg-type]
    assert process.waited == 1.0


# --- the runner's side, without a thread of the guard between ---
class Inbox:
    """Lines in a row; keeps how long each wait was to be."""

    def __init__(self, *lines: Any) -> None:
        self.lines = [line if line is None else wire.encode(line) for line in lines]
        self.waits: list[float] = []

    def get(self, timeout: float) -> bytes | None:
        self.waits.append(timeout)
        if not self.lines:
            raise queue.Empty
        return self.lines.pop(0)

    def put(self, line: bytes | None) -> None:
        self.lines.append(line)


CUT = {"event": "cut", "supply": "USB", "cut": {"rule": "lead-off", "time": 1.0, "volts": 5.0, "amps": 0.0, "says": ""}}
CAME_ON = {**CUT, "back": True}
PULSE = {"event": "pulse", "latest": {}}


@pytest.mark.parametrize(
    ("first", "known", "left"),
    [(CUT, False, 1), (CUT, True, 0), (CAME_ON, False, 1), (CAME_ON, True, 1), (PULSE, False, 0)],
)
def test_listening_ends_with_what_the_runner_must_know(guard: ProcessGuard, first: Any, known: bool, left: int) -> None:
    guard._inbox = inbox = Inbox(first, PULSE)  # type: ignore[assignment]
    if known:
        guard.acknowledge()
    guard._listen(0.0)
    assert len(inbox.lines) == left
    guard.came_on = guard.cut = None
    guard.lost = "over"


def test_no_wait_is_longer_than_it_was_asked_for(guard: ProcessGuard, played: Played, bench: Bench) -> None:
    played.answers["nothing"] = "silence"
    guard._inbox = inbox = Inbox()  # type: ignore[assignment]
    guard._listen(0.02)
    assert guard._next(0.02) is None
    with pytest.raises(GuardLost, match="no answer"):
        guard._call("nothing", timeout=0.02)
    assert all(0.0 <= each <= 0.02 for each in inbox.waits)
    late = Inbox()
    guard._inbox = late  # type: ignore[assignment]
    assert guard._next(-1.0) is None, "its time was over before"
    assert late.waits == [0.0]


def test_the_end_of_the_inbox_is_the_end_of_the_guard(guard: ProcessGuard, bench: Bench) -> None:
    with pytest.raises(GuardLost, match="its process ended"):
        guard._understood(None)
    assert bench.tries


def test_a_pipe_that_takes_nothing_is_the_end_of_the_guard(guard: ProcessGuard, bench: Bench) -> None:
    guard._process.stdin.close()  # type: ignore[union-attr]
    with pytest.raises(GuardLost, match="its pipe is closed"):
        guard._send({"do": "beat", "lease": 1.0})
    assert bench.tries


def test_a_guard_that_is_gone_is_told_nothing_more(guard: ProcessGuard, played: Played) -> None:
    guard.lost = "it is gone"
    with pytest.raises(GuardLost, match="it is gone"):
        guard.beat(3.0)
    assert not played.asked("beat")
    assert guard._last_beat == 0.0


def test_a_beat_raises_what_it_hears(guard: ProcessGuard) -> None:
    guard._inbox = Inbox(CUT)  # type: ignore[assignment]
    with pytest.raises(Tripped):
        guard.beat(3.0)
    guard.acknowledge()


def test_a_cut_in_the_last_moment_of_a_sleep_is_raised_by_it(
    guard: ProcessGuard, monkeypatch: pytest.MonkeyPatch
) -> None:
    guard._inbox = Inbox(CUT)  # type: ignore[assignment]
    monkeypatch.setattr(guard, "beat", lambda _lease: None)
    monkeypatch.setattr(guard, "_listen", lambda _seconds: (time.sleep(0.02), ProcessGuard._listen(guard, 0.0)))
    with pytest.raises(Tripped):
        guard.sleep(0.01)
    guard.acknowledge()


def test_before_the_guard_said_a_word_nothing_is_on(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    played = Played(breathes=False)
    monkeypatch.setattr(client, "_start", lambda: played)
    guard = ProcessGuard([PLAN], report="")
    assert not guard._lit
    assert guard._waits == 0.0
    assert not guard._fails(client.STOPPED + 0.01)
    guard._own.begin("USB")  # the runner has told it to switch on: no word is needed for that
    assert guard._fails(client.STOPPED + 0.01)
    guard._own.end(OffReport({"USB": "off"}))
    guard._lit = True  # by the guard's word, whatever the runner believes
    assert guard._fails(client.STOPPED + 0.01)
    played.kill()
    guard.lost = "over"


def test_its_threads_end_with_the_runner(guard: ProcessGuard) -> None:
    mine = [each for each in threading.enumerate() if each.name.endswith(("(_read)", "(_watch)"))]
    assert len(mine) >= 2
    assert all(each.daemon for each in mine)


def test_what_was_switched_off_no_longer_counts(
    guard: ProcessGuard, played: Played, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = [100.0]
    monkeypatch.setattr(client, "steady", lambda: now[0])
    guard.energise("USB", SETTING, ENVELOPE, None)
    now[0] = 107.0
    guard.off("USB")
    now[0] = 150.0
    played.end()
    until(lambda: guard.lost, "the successor")
    assert guard.energised() == pytest.approx(7.0)


def test_what_the_successor_switches_off_at_last_no_longer_counts(
    guard: ProcessGuard, played: Played, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = [100.0]
    monkeypatch.setattr(client, "steady", lambda: now[0])
    bench.report = OffReport({"USB": "unknown"})
    guard.energise("USB", SETTING, ENVELOPE, None)
    played.end()
    until(lambda: guard.lost, "the successor")
    now[0], bench.report = 130.0, OffReport({"USB": "off"})
    assert guard.all_off().confirmed
    now[0] = 200.0
    assert guard.energised() == pytest.approx(30.0)


def test_what_is_seen_to_be_off_at_the_last_look_no_longer_counts(
    guard: ProcessGuard, played: Played, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = [100.0]
    monkeypatch.setattr(client, "steady", lambda: now[0])
    bench.report = OffReport({"USB": "unknown"})
    guard.energise("USB", SETTING, ENVELOPE, None)
    played.end()
    until(lambda: guard.lost, "the successor")
    now[0], bench.report = 130.0, OffReport({"USB": "off"})
    assert guard.look_again().confirmed
    now[0] = 200.0
    assert guard.energised() == pytest.approx(30.0)


def test_the_instrument_is_named_once(guard: ProcessGuard) -> None:
    named = {"kind": "LinkTimeout", "message": "supply: no reply", "instrument": "supply"}
    assert str(client._raised(named)).count("supply") == 1
    assert str(client._raised({**named, "message": "no reply"})).count("supply") == 1


def test_the_figures_of_the_page() -> None:
    """guard.md and the page for who asks why a wait is as long as it is."""
    assert (client.OPEN_TIMEOUT, client.ANSWER_TIMEOUT, client.LEASE) == (30.0, 10.0, 3.0)
    assert (client.SILENCE, client.STOPPED, client.WATCH, client.BEAT_GAP) == (2.0, 1.0, 0.1, 0.05)
    assert client.SLICE == 0.05


def test_signs_of_life_and_the_answer_to_stop_are_not_for_the_runners_loop(guard: ProcessGuard) -> None:
    alive, dark = ({"event": "alive", "waits": 0.5, "lit": True}, {"event": "dark", **OFF})
    assert guard._is_alive(wire.encode(alive))
    assert guard._is_dark(wire.encode(dark))
    assert not guard._is_alive(wire.encode(dark))
    assert not guard._is_dark(wire.encode(alive))
    assert guard._is_dark(b'{"event":"dark"}'), "nonsense of this kind neither"


def test_a_supply_that_is_busy_is_asked_again_after_a_second() -> None:
    assert client.BUSY == 1.0
