"""The guard's process as a whole, in this process: its main function on real pipes, with a supply that is played.

What it answers to each question of the runner, what it says unasked, and how it ends.

Figures are the guard's own bounds and invented samples.
"""

from __future__ import annotations

import contextlib
import io
import os
import queue
import signal
import threading
import time
from collections.abc import Callable, Iterator
from types import SimpleNamespace
from typing import Any

import pytest

from wakeboard.harness.run.guard import process, wire
from wakeboard.harness.run.guard.core import Envelope
from wakeboard.harness.run.guard.owner import Feed, Guard, OffReport, Ramp, Setting
from wakeboard.harness.run.guard.process import Shell
from wakeboard.instruments import clock
from wakeboard.instruments.clock import RealClock, steady

SETTING, ENVELOPE = Setting(5.0, 0.12), Envelope(5.0, 0.12, inrush_s=0.02)
SIGNALS = ("SIGTERM", "SIGINT", "SIGHUP")
LATE = 20.0  # s: when a wait gives up


class Runner:
    """The other end of the pipes, in a thread of its own."""

    def __init__(self, ear: int, mouth: int) -> None:
        self.ear, self.mouth = os.fdopen(ear, "rb"), mouth
        self.answers: dict[int, dict[str, Any]] = {}
        self.events: list[tuple[float, dict[str, Any]]] = []
        self.told: queue.SimpleQueue[int] = queue.SimpleQueue()
        self.number = 0
        threading.Thread(target=self._hear, daemon=True).start()

    def _hear(self) -> None:
        with self.ear:
            for line in self.ear:
                message = wire.decode(line)
                if "event" in message:
                    self.events.append((time.monotonic(), message))
                else:
                    self.answers[message["id"]] = message
                    self.told.put(message["id"])

    def say(self, **message: Any) -> None:
        os.write(self.mouth, wire.encode(message))

    def ask(self, do: str, **what: Any) -> Any:
        self.number += 1
        self.say(id=self.number, do=do, **what)
        assert self.told.get(timeout=LATE) == self.number
        answer = self.answers[self.number]
        return answer.get("ok", answer.get("error"))

    def heard(self, event: str) -> list[dict[str, Any]]:
        return [each for _, each in self.events if each["event"] == event]

    def hangs_up(self) -> None:
        os.close(self.mouth)


@pytest.fixture
def play(fake_psu: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Any) -> Iterator[Callable[..., Any]]:
    """main() on pipes, while `script` plays the runner; gives the supply, and what was closed."""
    psu = fake_psu()
    psu.identity, psu.dialect = {"maker": "M"}, SimpleNamespace(name="d")
    psu.cautions = lambda: ["be careful"]
    psu.amps_accuracy = SimpleNamespace(half_width=lambda amps, _range: 0.001 + amps / 100)
    closed: list[Any] = []
    priority: list[Any] = []

    def open_supplies(plans: Any, clock: Any, traffic: Any) -> Any:
        psu.plans, psu.clock, psu.traffic = plans, clock, traffic
        return {"supply": psu}, {"USB": Feed(psu, 1, "supply")}

    monkeypatch.setattr(process, "open_supplies", open_supplies)
    monkeypatch.setattr(process, "close_supplies", lambda drivers: closed.append(dict(drivers)))
    over = threading.Event()

    def sleep(seconds: float) -> None:
        time.sleep(seconds)
        if over.is_set() and threading.current_thread() is not threading.main_thread():
            raise SystemExit  # the thread that breathes ends with its process, otherwise

    forever = Shell.breathe

    def breathe(shell: Shell) -> None:
        with contextlib.suppress(SystemExit):
            forever(shell)

    monkeypatch.setattr(Shell, "breathe", breathe)
    monkeypatch.setattr(process, "time", SimpleNamespace(**{**vars(time), "sleep": sleep}))
    monkeypatch.setattr(os, "setpriority", lambda *what: priority.append(what))
    before = {each: signal.getsignal(getattr(signal, each)) for each in SIGNALS}

    def play(script: Callable[[Runner], Any]) -> Any:
        to_guard, from_guard = os.pipe(), os.pipe()
        runner, failed = Runner(from_guard[0], to_guard[1]), []
        out = os.fdopen(from_guard[1], "wb", buffering=0)
        monkeypatch.setattr("sys.stdin", SimpleNamespace(fileno=lambda: to_guard[0]))
        monkeypatch.setattr("sys.stdout", SimpleNamespace(buffer=out, fileno=out.fileno))

        def act() -> None:
            try:
                script(runner)
            except BaseException as error:  # noqa: BLE001  raised by the test
                failed.append(error)
                runner.hangs_up()

        thread = threading.Thread(target=act, daemon=True)
        thread.start()
        process.main()
        writing = [each for each in threading.enumerate() if each.name.endswith("(write)")]
        thread.join(LATE)
        out.close()
        os.close(to_guard[0])
        if failed:
            raise failed[0]
        return SimpleNamespace(psu=psu, runner=runner, closed=closed, priority=priority, writing=writing)

    yield play
    over.set()
    for thread in threading.enumerate():
        if thread.name.endswith("(breathe)"):
            thread.join(LATE)
    for each, handler in before.items():
        signal.signal(getattr(signal, each), handler)


def opened(runner: Runner, **plan: Any) -> Any:
    plans = [{"name": "supply", "address": "TCPIP::192.0.2.1::1::SOCKET", "feeds": {"1": "USB"}, **plan}]
    return runner.ask("open", plans=plans, report="")


def energised(runner: Runner) -> None:
    opened(runner)
    runner.ask("prove_off")
    runner.say(do="beat", lease=30.0)
    runner.ask("energise", supply="USB", setting=SETTING, envelope=ENVELOPE, ramp=None)


def test_an_orderly_life(play: Any) -> None:
    """Every question of the runner once, with its answer."""

    def script(runner: Runner) -> None:
        says = opened(runner)
        assert says == {
            "identities": {"supply": {"maker": "M"}}, "dialects": {"supply": "d"}, "off_list": ["USB"],
            "cautions": {"supply": ["be careful"]},
        }  # fmt: skip
        assert runner.ask("prove_off")["states"] == {"USB": "off"}
        runner.say(do="beat", lease=30.0)
        setting = Setting(5.0, 0.12, ovp=5.5)
        assert runner.ask("energise", supply="USB", setting=setting, envelope=ENVELOPE, ramp=Ramp(2.0, 0.01)) == ""
        assert runner.ask("climbing", supply="USB") is True
        ends = time.monotonic() + LATE
        while runner.ask("climbing", supply="USB") and time.monotonic() < ends:
            time.sleep(0.01)
        seen = runner.ask("sample", supply="USB")
        assert (seen["volts"], seen["amps"], seen["mode"], seen["on"]) == (5.0, 0.02, "cv", True)
        assert runner.ask("amps_error", supply="USB", amps=0.1) == pytest.approx(0.002)
        assert runner.ask("settle_s", supply="USB") == 0.0  # nobody states one of this supply
        assert runner.ask("change") is None
        assert runner.ask("bound", supply="USB", most_amps=0.06, least_amps=0.01) is None
        assert runner.ask("energised") > 0.0
        tracks = runner.ask("trace")
        assert tracks["tracks"]["USB"]["volts"][-1] == 5.0
        assert tracks["traffic"] == []
        assert runner.ask("off", supply="USB")["states"] == {"USB": "off"}
        assert runner.ask("all_off")["states"] == {"USB": "off"}
        last = runner.ask("look_again")
        assert (last["states"], last["came_on"]) == ({"USB": "off"}, None)
        assert runner.ask("bye")["states"] == {"USB": "off"}

    played = play(script)
    assert played.closed == [{"supply": played.psu}]
    assert played.psu.plans[0].feeds == {"1": "USB"}
    assert played.priority == [(os.PRIO_PROCESS, 0, -10)]
    assert "protect 1" in played.psu.calls


def test_the_last_words_are_out_before_the_process_ends(play: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    write, daemons = os.write, []

    def slow(descriptor: int, data: bytes) -> int:
        if threading.current_thread().name.endswith("(write)"):
            time.sleep(0.05)
        return write(descriptor, data)

    def script(runner: Runner) -> None:
        opened(runner)
        names = ("(_read)", "(write)", "(breathe)")
        daemons.extend(each.daemon for each in threading.enumerate() if each.name.endswith(names))
        assert runner.ask("bye")["states"] == {"USB": "off"}

    monkeypatch.setattr(os, "write", slow)
    assert not play(script).writing
    assert daemons.count(True) >= 3
    assert all(daemons), "none of them keeps the process from its end"


def test_what_it_is_asked_for_is_done(play: Any) -> None:
    """The bounds that are given to it hold from then on."""

    def script(runner: Runner) -> None:
        energised(runner)
        runner.ask("bound", supply="USB", most_amps=0.01, least_amps=None)  # it draws 20 mA
        ends = time.monotonic() + LATE
        while not runner.heard("cut") and time.monotonic() < ends:
            time.sleep(0.005)
        cut = runner.heard("cut")[0]
        assert (cut["supply"], cut["cut"]["rule"], cut["back"]) == ("USB", "over-current", False)
        assert runner.ask("bye")["states"] == {"USB": "off"}

    play(script)


def test_it_says_that_it_lives_and_what_it_sees(play: Any) -> None:
    def script(runner: Runner) -> None:
        energised(runner)
        runner.events.clear()
        ends = time.monotonic() + LATE
        while min(len(runner.heard("alive")), len(runner.heard("pulse"))) < 6 and time.monotonic() < ends:
            time.sleep(0.01)
        runner.hangs_up()

    runner = play(script).runner
    alive, pulses = runner.heard("alive"), runner.heard("pulse")
    assert min(len(alive), len(pulses)) >= 6
    assert all(each["lit"] is True and 0 <= each["waits"] < LATE for each in alive[1:5])
    assert pulses[1]["latest"]["USB"]["volts"] == 5.0


def test_a_change_is_granted_its_inrush_and_signals_are_ours(play: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    changes: list[int] = []
    change = Guard.change
    monkeypatch.setattr(Guard, "change", lambda guard: (changes.append(1), change(guard))[1])

    def script(runner: Runner) -> None:
        energised(runner)
        runner.ask("change")
        assert changes
        handlers = [signal.getsignal(getattr(signal, each)) for each in SIGNALS]
        assert all(callable(each) and each is not signal.default_int_handler for each in handlers)
        runner.ask("bye")

    play(script)


def test_the_end_of_the_pipe_switches_off_and_closes(play: Any) -> None:
    def script(runner: Runner) -> None:
        energised(runner)
        runner.hangs_up()

    played = play(script)
    assert not played.psu.outputs[1]
    assert played.closed


def test_stop_comes_past_everything_and_is_answered(play: Any) -> None:
    def script(runner: Runner) -> None:
        energised(runner)
        runner.say(do="stop", why="a person at the page")
        ends = time.monotonic() + LATE
        while not runner.heard("dark") and time.monotonic() < ends:
            time.sleep(0.005)
        assert runner.heard("dark")[0]["states"] == {"USB": "off"}
        cut = runner.heard("cut")[0]["cut"]
        assert (cut["rule"], cut["says"]) == ("stopped", "a person at the page")
        runner.ask("bye")

    assert not play(script).psu.outputs[1]


def test_what_is_asked_before_a_supply_was_opened_is_refused(play: Any) -> None:
    def script(runner: Runner) -> None:
        assert runner.ask("all_off")["message"] == "the guard has opened no supply yet"
        runner.say(do="stop", why="too early")
        runner.hangs_up()

    runner = play(script).runner
    assert not runner.heard("dark")
    assert not runner.heard("pulse")


def test_a_first_lease_is_long_and_a_runner_that_is_silent_after_it_is_cut(play: Any) -> None:
    def script(runner: Runner) -> None:
        opened(runner)
        runner.ask("prove_off")
        runner.ask("energise", supply="USB", setting=SETTING, envelope=ENVELOPE, ramp=None)
        time.sleep(0.3)
        assert not runner.heard("cut")
        runner.say(do="beat", lease=0.2)
        began = time.monotonic()
        while not runner.heard("cut") and time.monotonic() < began + LATE:
            time.sleep(0.005)
        assert runner.heard("cut")[0]["cut"]["rule"] == "heartbeat"
        runner.ask("bye")

    play(script)


def test_a_sleep_of_the_computer_cuts_is_told_and_counts(play: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """As after a suspend (clock_gettime(2)): the clock that counts it is 31 s on between two instructions, the one that
    Python's waits go by is not. The clock is moved while the process runs; no computer is put to sleep here."""
    slept, read = [0.0], clock._READ
    monkeypatch.setattr(clock, "_READ", lambda: read() + slept[0])

    def script(runner: Runner) -> None:
        energised(runner)
        runner.say(do="beat", lease=3600.0)  # what cuts is the gap
        time.sleep(0.3)
        assert not runner.heard("cut")
        slept[0] = 31.0
        began = time.monotonic()
        while not runner.heard("cut") and time.monotonic() < began + LATE:
            time.sleep(0.005)
        (cut,) = runner.heard("cut")
        assert cut["cut"]["rule"] == "stood-still"
        assert "stood still for 3" in cut["cut"]["says"]
        assert "the computer slept" in cut["cut"]["says"]
        assert 31.0 <= runner.ask("energised") < 31.0 + LATE
        runner.ask("bye")

    assert not play(script).psu.outputs[1]


def test_a_sleep_ends_a_lease(play: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Half a second of it explains nothing by itself, and counts."""
    slept, read = [0.0], clock._READ
    monkeypatch.setattr(clock, "_READ", lambda: read() + slept[0])

    def script(runner: Runner) -> None:
        energised(runner)
        runner.say(do="beat", lease=LATE)
        runner.ask("change")
        for _ in range(60):  # a nap each 20 ms
            slept[0] += 0.5
            time.sleep(0.02)
        (cut,) = runner.heard("cut")
        assert cut["cut"]["rule"] in ("heartbeat", "stood-still")
        runner.ask("bye")

    assert not play(script).psu.outputs[1]


def test_a_line_in_pieces_is_one_message_and_an_error_is_an_end() -> None:
    ear, mouth = os.pipe()
    shell = Shell(io.BytesIO())
    os.write(mouth, b'{"do":"be')
    os.write(mouth, b'at"}\n{"do":"x"}\nrest')
    os.close(mouth)
    process._read(shell, ear)
    os.close(ear)
    assert [shell.inbox.get() for _ in range(3)] == [b'{"do":"beat"}', b'{"do":"x"}', None]
    process._read(shell, ear)  # closed: as good as its end
    assert shell.inbox.get() is None


def test_a_runner_that_no_longer_listens_ends_the_guard() -> None:
    ear, mouth = os.pipe()
    os.close(ear)
    shell = Shell(os.fdopen(mouth, "wb", buffering=0))
    shell._say({"event": "pulse"})
    shell.write()
    shell.out.close()
    assert shell.ends
    assert shell.why_off == "the runner no longer listens"
    assert shell.inbox.get() is None


def test_a_long_message_goes_out_whole() -> None:
    ear, mouth = os.pipe()
    shell = Shell(os.fdopen(mouth, "wb", buffering=0))
    shell._say({"event": "pulse", "text": "x" * 300_000})
    shell._say({"event": "alive"})
    shell.outbox.put(None)
    writer = threading.Thread(target=shell.write, daemon=True)
    writer.start()
    with os.fdopen(ear, "rb") as stream:
        first, second = stream.readline(), stream.readline()
    writer.join(LATE)
    shell.out.close()
    assert (len(wire.decode(first)["text"]), wire.decode(second)) == (300_000, {"event": "alive"})


# --- piece by piece -------------------------------------------------------------------------------------------------
@pytest.fixture
def shell(fake_psu: Any) -> Shell:
    """With one output on."""
    shell, psu = Shell(io.BytesIO()), fake_psu()
    shell.guard = Guard({"USB": Feed(psu, 1, "supply")}, RealClock())
    shell.guard.prove_off()
    shell.guard.arm("USB", SETTING, ENVELOPE)
    shell.guard.on("USB")
    shell.breath = steady()
    return shell


def said(shell: Shell, event: str) -> list[dict[str, Any]]:
    told = []
    while not shell.outbox.empty():
        line = shell.outbox.get()
        if line is not None and wire.decode(line).get("event") == event:
            told.append(wire.decode(line))
    return told


def test_a_fresh_shell_has_time_for_its_first_beat() -> None:
    assert 29.0 < Shell(io.BytesIO()).lease_ends - steady() <= 30.0


def test_it_keeps_to_its_share_of_a_core() -> None:
    assert process._pause(0.015, 0.05) == pytest.approx(0.05)  # 15 ms of work within 100 ms
    assert process._pause(0.001, 0.05) == 0.0


def test_while_it_is_lit_it_waits_by_its_share_and_else_for_a_while(
    shell: Shell, monkeypatch: pytest.MonkeyPatch
) -> None:
    waits: list[float] = []
    monkeypatch.setattr(shell, "_listen", waits.append)
    monkeypatch.setattr(process, "_pause", lambda cpu, wall: 0.0 if cpu <= wall + 1.0 else 9.0)
    shell._turn()
    assert shell.guard is not None
    shell.guard.all_off()
    shell._turn()
    assert waits == [0.0, process.IDLE]


def test_a_turn_is_reckoned_by_what_it_took_itself(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not by what the process has worked since it began, which would make it poll more and more slowly."""
    clocks = SimpleNamespace(cpu=500.0, wall=10_000.0)

    def later(name: str, by: float) -> Callable[[], float]:
        def now() -> float:
            setattr(clocks, name, getattr(clocks, name) + by)
            return float(getattr(clocks, name))

        return now

    taken: list[tuple[float, float]] = []
    played = {**vars(time), "thread_time": later("cpu", 0.25), "monotonic": later("wall", 1.0)}
    monkeypatch.setattr(process, "time", SimpleNamespace(**played))
    monkeypatch.setattr(process, "_pause", lambda cpu, wall: (taken.append((cpu, wall)), 0.0)[1])
    shell._turn()
    ((cpu, wall),) = taken
    assert cpu == 0.25
    assert 1.0 <= wall < 100.0


def test_a_runner_that_is_gone_is_the_end_of_the_pipe(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    """Though somebody else may hold it: the thread that breathes sees who its parent is."""

    class Enough(Exception):
        pass

    breaths = iter([None, None])

    def sleep(_seconds: float) -> None:
        if next(breaths, Enough) is Enough:
            raise Enough

    monkeypatch.setattr(process, "time", SimpleNamespace(**{**vars(time), "sleep": sleep}))
    with pytest.raises(Enough):
        shell.breathe()
    assert shell.inbox.empty(), "the runner is there"
    shell.runner, breaths = -1, iter([None])
    with pytest.raises(Enough):
        shell.breathe()
    assert shell.inbox.get_nowait() is None


def test_a_short_patience_is_a_lease_too() -> None:
    assert process._lease(0.5) == 0.5


def test_pulses_come_when_they_are_due(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    now = [steady()]
    monkeypatch.setattr(process, "steady", lambda: now[0])
    for later, pulses in ((0.0, 1), (0.09, 0), (0.02, 1)):
        now[0] += later
        shell._turn()
        assert len(said(shell, "pulse")) == pulses


def test_pulses_wait_for_a_runner_that_does_not_listen(shell: Shell) -> None:
    for _ in range(process.UNSAID):
        shell.outbox.put(None)
    shell._pulse()
    assert shell.outbox.qsize() == process.UNSAID


def test_a_gap_is_told_once(shell: Shell) -> None:
    shell.gap = 2.0
    assert "for 2.0 s" in shell._says_gap()
    assert shell.gap == 0.0


def breaths(shell: Shell, monkeypatch: pytest.MonkeyPatch, *late: float) -> None:
    """The thread's rounds: it wakes so many s too late each time."""
    now, left = [100.0], list(late)
    shell.breath = 100.0

    def sleep(seconds: float) -> None:
        if not left:
            raise StopIteration
        now[0] += seconds + left.pop(0)

    monkeypatch.setattr(process, "steady", lambda: now[0])
    monkeypatch.setattr(process, "time", SimpleNamespace(sleep=sleep, monotonic=lambda: 7.5))
    with pytest.raises(StopIteration):
        shell.breathe()


def test_a_breath_says_that_the_process_lives(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    shell.turned = 5.0
    breaths(shell, monkeypatch, 0.01, 0.02)
    told = said(shell, "alive")
    assert [(each["waits"], each["lit"]) for each in told] == [(2.5, True)] * 2
    assert shell.gap == pytest.approx(0.02)
    assert shell.breath == pytest.approx(100.23)


def test_a_breath_that_comes_late_is_a_gap_and_the_loop_tells_it(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    breaths(shell, monkeypatch, 30.0, 0.0)
    assert len(said(shell, "alive")) == 1
    assert shell.gap == pytest.approx(30.0)


def test_a_runner_that_does_not_listen_is_told_no_more_of_life(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    for _ in range(process.UNSAID):
        shell.outbox.put(None)
    breaths(shell, monkeypatch, 0.0)
    assert shell.outbox.qsize() == process.UNSAID


def test_with_nothing_on_a_breath_says_so(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    assert shell.guard is not None
    shell.guard.all_off()
    breaths(shell, monkeypatch, 0.0)
    assert said(shell, "alive")[0]["lit"] is False


def slept(monkeypatch: pytest.MonkeyPatch, each: Callable[[], Any] = lambda: None) -> list[float]:
    """Time passes only by sleeping."""
    now, waits = [0.0], []

    def sleep(seconds: float) -> None:
        waits.append(seconds)
        now[0] += seconds
        each()

    monkeypatch.setattr(process, "steady", lambda: now[0])
    monkeypatch.setattr(process, "time", SimpleNamespace(sleep=sleep, monotonic=time.monotonic, time=time.time))
    return waits


def test_alone_it_tries_once_a_second_for_a_minute(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    guard = shell.guard
    assert guard is not None
    guard.off_report = OffReport({"USB": "unknown"})
    tries: list[str] = []
    monkeypatch.setattr(shell, "_off", tries.append)
    shell.why_off = "signal SIGTERM"
    waits = slept(monkeypatch)
    shell._keep_trying()
    assert waits == [process.AGAIN] * 60
    assert tries == ["again, after: signal SIGTERM"] * 60


def test_alone_it_ends_once_all_is_off_and_stays_off(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    assert shell.guard is not None
    shell.guard.all_off()
    looks: list[bool] = [False, True]
    monkeypatch.setattr(
        shell.guard, "look_again", lambda: OffReport({"USB": "off" if looks.pop(0) else "on"})
    )  # fmt: skip
    waits = slept(monkeypatch)
    shell._keep_trying()
    assert waits == [process.AGAIN]
    assert not looks


def test_a_guard_that_never_switched_anything_has_nothing_to_try(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    assert shell.guard is not None
    shell.guard.off_report = None
    assert slept(monkeypatch) == []
    shell._keep_trying()


def test_what_sticks_after_a_cut_is_tried_again_once_a_second(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    tries: list[str] = []
    monkeypatch.setattr(shell, "_off", tries.append)
    now = [50.0]
    monkeypatch.setattr(process, "steady", lambda: now[0])
    for at in (50.0, 50.9, 51.0, 51.5, 52.1):
        now[0] = at
        shell._try_again()
    assert tries == ["again"] * 3


def test_stop_says_what_is_off_where_everything_was_off_before(shell: Shell) -> None:
    assert shell.guard is not None
    shell.guard.off_report = None
    shell._stop("a person")
    assert said(shell, "dark")[0]["states"] == {"USB": "off"}


def test_a_guard_that_fails_itself_cuts(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    guard = shell.guard
    assert guard is not None

    def fails() -> None:
        raise RuntimeError("a mistake of ours")

    monkeypatch.setattr(guard, "tick", fails)
    shell._poll(guard)
    assert guard.cut is not None
    assert (guard.cut.rule, guard.cut.says) == ("guard-failed", "a mistake of ours")
    assert len(said(shell, "cut")) == 1
    shell._poll(guard)
    assert not said(shell, "cut"), "told once"


def test_a_lost_link_is_a_lost_link_while_nobody_slept(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    guard = shell.guard
    assert guard is not None
    guard.feeds["USB"].psu.fails.add("sample")
    shell._poll(guard)
    assert guard.cut is not None
    assert guard.cut.rule == "link-lost"


@pytest.mark.parametrize("states", [{"USB": "off"}, {"USB": "on"}])
def test_the_goodbye_knows_whether_all_is_off(
    shell: Shell, monkeypatch: pytest.MonkeyPatch, states: dict[str, str]
) -> None:
    guard = shell.guard
    assert guard is not None
    monkeypatch.setattr(guard, "all_off", lambda: OffReport(states))
    assert shell.do_bye({})["states"] == states
    assert shell.ends
    assert shell.why_off == ("bye" if states["USB"] == "off" else "bye, with outputs that are not off")


def test_a_report_stays_for_the_day_that_nobody_hears(shell: Shell, tmp_path: Any) -> None:
    shell.report_path = str(tmp_path / "report.jsonl")
    shell._report("nothing was switched off yet, but by the proof")
    shell._off("why")
    lines = (tmp_path / "report.jsonl").read_text().splitlines()
    assert wire.decode(lines[-1].encode())["why"] == "why"
    shell.report_path = str(tmp_path / "no" / "folder")
    shell._off("a disk that takes nothing is no reason to stop")


def test_an_end_has_the_first_reason(shell: Shell) -> None:
    shell._end("the first")
    shell._end("the second")
    assert (shell.why_off, shell.ends) == ("the first", True)
