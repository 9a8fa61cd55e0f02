"""The runner's side of the guard's process.

    guard = ProcessGuard(plan_of(described))     starts the process; it opens and identifies the supplies
    guard.prove_off(); guard.energise(...)       as GuardShell
    guard.close()

If the process dies (its pipe ends), falls silent, or cannot reach a supply any more, the runner opens sessions of its
own and switches every output off. The next call raises GuardLost; what could not be confirmed is in the report, and
unknown is not off. Two threads see to that at once, whatever the runner waits for meanwhile (a meter, a person): one
reads the pipe to its end, one counts the silence.

Beats are sent from here only, that is from the runner's own loop: a thread that beats would go on beating while the
runner hangs. Each beat carries a lease: how long the runner may be silent until the next one.
"""

from __future__ import annotations

import contextlib
import itertools
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NoReturn

from wakeboard.harness.run import presses
from wakeboard.harness.run.errors import GuardLost, power_cut
from wakeboard.harness.run.guard import reports, wire
from wakeboard.harness.run.guard.core import Cut, Envelope, Sample
from wakeboard.harness.run.guard.owner import OffReport, Ramp, Setting, Track
from wakeboard.harness.run.guard.supplies import SupplyPlan, off_afresh
from wakeboard.instruments import errors as bench_errors
from wakeboard.instruments.clock import RealClock, steady
from wakeboard.instruments.own_code import command

OPEN_TIMEOUT = 30.0  # s: opening and identifying every supply
ANSWER_TIMEOUT = 10.0  # s: a supply that needs its time-out and three tries to be switched off
SILENCE = 2.0  # s, beyond one and a half times a supply's time-out, that the guard may wait for one, or be silent for
STOPPED = 1.0  # s without a word from the guard while an output is on: its process is stopped
WATCH = 0.1  # s between looks at the silence; a runner that was stopped itself has not looked, so that does not count
ALIVE = b'{"event":"alive"'
DARK = b'{"event":"dark"'
BEAT_GAP = 0.05  # s
BUSY = 1.0  # s until a supply that did not answer a successor is asked once more
SLICE = 0.05  # s
LEASE = 3.0  # s: while the runner sleeps
PROCESS = "wakeboard.harness.run.guard.process"


class ProcessGuard:
    """Implements GuardShell. Not thread-safe, but for `stop`: the runner's loop owns it."""

    def __init__(self, plans: Sequence[SupplyPlan], report: str | None = None) -> None:
        """Start the process and have it open the supplies. Raises BenchError as it was raised there."""
        self.plans = list(plans)
        self._instruments = {supply: plan.name for plan in self.plans for supply in plan.feeds.values()}
        self.report_path = report or reports.new_report()
        self.cut: Cut | None = None
        self.cut_supply = ""
        self.lost = ""
        self._latest: dict[str, Sample] = {}
        self._traffic: list[tuple[float, str, str, str]] = []
        self._acknowledged = False
        self._numbers = itertools.count(1)
        self._inbox: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        self._lease_ends = self._last_beat = 0.0
        self._own = _Energised()  # as counted here, where the guard can no longer be asked
        self.came_on: Cut | None = None
        self.left: OffReport | None = None
        self.stopped: OffReport | None = None
        self._told: Cut | None = None  # the output that came on by itself which the runner knows of
        self._back_supply = ""
        self._waits = 0.0  # s for which the guard's loop has been waiting, by its own word
        self._lit = False  # whether an output is on, by its own word
        self._kept: dict[str, Track] = {}  # the guard's last trace, where it was ended
        self._heard = 0  # lines
        self._closing = threading.Event()
        self._taking = threading.Lock()
        self._own_report: OffReport | None = None  # of switching off by ourselves
        self.silence = SILENCE + 1.5 * max((plan.timeout for plan in self.plans), default=0.0)
        self.dialects: dict[str, str] = {}
        self._process = _start()
        threading.Thread(target=self._read, daemon=True).start()
        try:
            opened: wire.Opened = self._call("open", timeout=OPEN_TIMEOUT, plans=self.plans, report=self.report_path)
        except BaseException:
            self._kill()
            raise
        self.identities = opened["identities"]
        self.dialects = opened["dialects"]
        self.off_list = opened["off_list"]
        self.cautions = opened["cautions"]
        threading.Thread(target=self._watch, daemon=True).start()

    @property
    def pid(self) -> int:
        """The process number of the guard."""
        return self._process.pid

    # --- the pipe ---------------------------------------------------------------------------------------------------
    def _read(self) -> None:
        stream = self._process.stdout
        assert stream is not None
        try:
            for line in stream:
                if not (self._is_alive(line) or self._is_dark(line)):
                    self._inbox.put(line)
                self._heard += 1
        except (OSError, ValueError):
            pass
        finally:
            if not self._closing.is_set() and self.dialects:
                self._succeed(f"its process ended{_ended(self._process)}")
            self._inbox.put(None)

    def _is_alive(self, line: bytes) -> bool:
        """Whether it is the guard's sign of life, ten times a second: not for the runner's loop, which may wait."""
        if not line.startswith(ALIVE):
            return False
        with contextlib.suppress(ValueError, KeyError, TypeError):
            told = wire.told(line)
            self._waits, self._lit = float(told["waits"]), bool(told["lit"])
        return True

    def _is_dark(self, line: bytes) -> bool:
        """Whether it is the answer to `stop`: the runner's loop may be busy, and a person waits for it."""
        if not line.startswith(DARK):
            return False
        with contextlib.suppress(ValueError, KeyError, TypeError):
            self.stopped = wire.report_of(wire.told(line))
        return True

    def _watch(self) -> None:
        """Count the silence in looks of our own, and take over when it has lasted too long."""
        looks, heard = 0, self._heard
        while not self._closing.wait(WATCH):
            looks, heard = (looks + 1, heard) if self._heard == heard else (0, self._heard)
            if why := self._fails(looks * WATCH):
                self._succeed(why)
                self._inbox.put(None)
                return

    def _fails(self, silent: float) -> str:
        """Why the guard counts as dead after so many seconds without a word; "" while it does not."""
        allowed = STOPPED if self._lit or self._own.running else self.silence
        if silent > allowed:
            return f"it has been silent for {allowed:g} s"
        return f"it has been waiting for {self._waits:.1f} s" if self._waits > self.silence else ""

    def _send(self, message: Mapping[str, object]) -> None:
        stream = self._process.stdin
        assert stream is not None
        try:
            stream.write(wire.encode(message))
            stream.flush()
        except (OSError, ValueError):
            self._take_over("its pipe is closed")

    def _call(self, do: str, timeout: float = ANSWER_TIMEOUT, **what: object) -> Any:
        """Ask and wait for the answer. Raises what the guard raised, GuardLost, Tripped."""
        self._must_live()
        number = next(self._numbers)
        self._send({"id": number, "do": do, **what})
        ends = time.monotonic() + timeout
        while True:
            message = self._next(max(0.0, ends - time.monotonic()))
            if message is None:
                self._take_over(f"no answer to {do!r} within {timeout:g} s")
            if message.get("id") == number:
                if "error" in message:
                    raise _raised(message["error"])
                return message["ok"]

    def _next(self, timeout: float) -> wire.GuardSays | None:
        """The next answer; events are taken in on the way. None when the time is over."""
        ends = time.monotonic() + timeout
        while True:
            try:
                line = self._inbox.get(timeout=max(0.0, ends - time.monotonic()))
            except queue.Empty:
                return None
            message = self._understood(line)
            if "event" not in message:
                return message
            self._event(message)

    def _understood(self, line: bytes | None) -> wire.GuardSays:
        if line is None:
            self._take_over(f"its process ended{_ended(self._process)}")
        try:
            return wire.told(line)
        except ValueError as error:
            self._take_over(f"it said something that is no message: {error}")

    def _event(self, message: wire.GuardSays) -> None:
        if message["event"] == "cut" and message.get("back"):
            self.came_on, self._back_supply = wire.cut_of(message["cut"]), message["supply"]
        elif message["event"] == "cut":
            self.cut, self.cut_supply = wire.cut_of(message["cut"]), message["supply"]
        elif message["event"] == "pulse":
            self._latest.update({name: wire.sample_of(each) for name, each in message["latest"].items()})

    def _listen(self, seconds: float) -> None:
        """Take in what comes for so long; returns at once after a cut."""
        ends = time.monotonic() + seconds
        while True:
            try:
                line = self._inbox.get(timeout=max(0.0, ends - time.monotonic()))
            except queue.Empty:
                break
            message = self._understood(line)
            if "event" in message:
                self._event(message)
            if (self.cut is not None and not self._acknowledged) or self.came_on is not self._told:
                break

    def _check(self) -> None:
        if self.came_on is not None and self.came_on is not self._told:
            self._told = self.came_on
            raise power_cut(self._back_supply, self.came_on)
        if self.cut is not None and not self._acknowledged:
            raise power_cut(self.cut_supply, self.cut)

    # --- the guard is gone ------------------------------------------------------------------------------------------
    def _must_live(self) -> None:
        if self.lost:
            raise GuardLost(self.lost)

    def _take_over(self, why: str) -> NoReturn:
        """Outputs off through sessions of our own, then GuardLost."""
        self._succeed(why)
        raise GuardLost(self.lost)

    def _succeed(self, why: str) -> OffReport:
        """End the guard and switch off in its place, once; whoever comes second waits for the first."""
        with self._taking:
            if self._own_report is None:
                self._closing.set()
                self._kill()
                self._own_report = self._off_by_ourselves()
                self._own.end(self._own_report)
                told = self._own_report.says()
                self.lost = f"the guard is gone ({why}); the runner has switched off by itself: {told}"
                self.lost += reports.told(self.report_path)
            return self._own_report

    def _kill(self) -> None:
        with contextlib.suppress(OSError):
            self._process.kill()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(2.0)
        self._close_pipes()

    def _close_pipes(self) -> None:
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()

    def _off_by_ourselves(self, settled: bool = False) -> OffReport:
        """Each supply over a fresh session; one that cannot be reached is unknown, and the others are still tried."""
        states: dict[str, str] = {}
        errors: dict[str, str] = {}
        remarks: dict[str, str] = {}
        for plan in self.plans:
            report = off_afresh(plan, self.dialects.get(plan.name), RealClock(), settled)
            if "unknown" in report.states.values():  # it may still be busy with what its guard asked last
                time.sleep(BUSY)
                report = off_afresh(plan, self.dialects.get(plan.name), RealClock(), settled)
            states.update(report.states)
            errors.update(report.errors)
            remarks.update(report.remarks)
        return OffReport(states, errors, remarks)

    # --- GuardShell -------------------------------------------------------------------------------------------------
    def prove_off(self) -> OffReport:
        return wire.report_of(self._call("prove_off"))

    def energise(self, supply: str, setting: Setting, envelope: Envelope, ramp: Ramp | None) -> str:
        self.beat(ANSWER_TIMEOUT)
        self._own.begin(supply)
        return str(self._call("energise", supply=supply, setting=setting, envelope=envelope, ramp=ramp))

    def climbing(self, supply: str) -> bool:
        self._check()
        return bool(self._call("climbing", supply=supply))

    def bound(self, supply: str, most_amps: float | None, least_amps: float | None) -> None:
        self._call("bound", supply=supply, most_amps=most_amps, least_amps=least_amps)

    def change(self) -> None:
        self._call("change")

    def sample(self, supply: str) -> Sample:
        self._check()
        sample = wire.sample_of(self._call("sample", supply=supply))
        self._check()  # of an output that was just cut off: it says nothing of what the meter saw a moment before
        return sample

    def off(self, supply: str) -> OffReport:
        report = wire.report_of(self._call("off", supply=supply))
        self._own.end(report)
        return report

    def stop(self, why: str) -> None:
        """One line on the pipe, which takes it whole. A guard that is gone is succeeded here and now."""
        if not self.lost:
            with contextlib.suppress(GuardLost):
                self._send({"do": "stop", "why": why})
        if self.lost:
            self.stopped = self._own_report or self.left

    def look_again(self) -> OffReport:
        """Where the guard is gone: off once more, by ourselves, and then looked at."""
        if self.lost:
            with self._taking:
                self._own_report = self._off_by_ourselves(settled=True)
                self._own.end(self._own_report)
                return self._own_report
        answer = self._call("look_again")
        if answer["came_on"] is not None:
            self.came_on = self._told = wire.cut_of(answer["came_on"])
        return wire.report_of(answer)

    def all_off(self) -> OffReport:
        """Off by the guard or, where it is gone or does not get through, by ourselves."""
        if self.lost:
            return self._again()
        try:
            report = wire.report_of(self._call("all_off"))
            self._own.end(report)
            if "unknown" not in report.states.values():
                return report
            self._keep_trace()
            return self._succeed(f"it could not switch off: {report.says()}")
        except GuardLost:
            return self._succeed("it is gone")

    def _again(self) -> OffReport:
        """What was switched off by ourselves stays off; what was not is tried again."""
        with self._taking:
            if self._own_report is None or not self._own_report.confirmed:
                self._own_report = self._off_by_ourselves()
                self._own.end(self._own_report)
            return self._own_report

    def _keep_trace(self) -> None:
        with contextlib.suppress(GuardLost, bench_errors.BenchError):
            self._kept = self.trace()

    def beat(self, lease: float) -> None:
        self._must_live()
        now = time.monotonic()
        if now - self._last_beat >= BEAT_GAP or abs(now + lease - self._lease_ends) > BEAT_GAP:
            self._last_beat, self._lease_ends = now, now + lease
            self._send({"do": "beat", "lease": lease})
        self._listen(0.0)
        self._check()

    def sleep(self, seconds: float) -> None:
        ends = time.monotonic() + seconds
        while (left := ends - time.monotonic()) > 0:
            presses.look()
            self.beat(LEASE)
            self._listen(min(left, SLICE))
            self._check()

    def trace(self) -> dict[str, Track]:
        if self._kept:
            kept, self._kept = self._kept, {}
            return kept
        taken = self._call("trace")
        self._traffic += taken["traffic"]
        return {name: wire.track_of(track) for name, track in taken["tracks"].items()}

    def traffic(self) -> list[tuple[float, str, str, str]]:
        """What the guard's process said to the supplies, as of the last `trace`."""
        taken, self._traffic = [(t, name, way, text) for t, name, way, text in self._traffic], []
        return taken

    def latest(self) -> Mapping[str, Sample]:
        return self._latest

    def amps_error(self, supply: str, amps: float) -> float:
        return float(self._call("amps_error", supply=supply, amps=amps))

    def settle_s(self, supply: str) -> float:
        return float(self._call("settle_s", supply=supply))

    def instrument(self, supply: str) -> str:
        return self._instruments[supply]

    def energised(self) -> float:
        """s with an output on, by the guard's count; by ours where it is gone."""
        if not self.lost:
            with contextlib.suppress(GuardLost):
                return float(self._call("energised"))
        return self._own.seconds

    def acknowledge(self) -> None:
        self._acknowledged = True

    def close(self) -> None:
        """Off, and the process ends; its report file goes with an orderly end."""
        if self.lost:
            self.left = self.left or self._own_report
            return
        self._closing.set()
        try:
            self.left = report = wire.report_of(self._call("bye"))
            self._process.wait(5.0)
            if report.confirmed and self.report_path:  # a trip is in the store
                Path(self.report_path).unlink(missing_ok=True)
        except (GuardLost, subprocess.TimeoutExpired):
            self._kill()
            self.left = self.left or self._own_report
        finally:
            self.lost = self.lost or "the guard was closed"
            self._close_pipes()


class _Energised:
    """How long at least one output was on, as the runner knows it: from the first command to the report that it is
    off. The sleep of the computer counts."""

    def __init__(self) -> None:
        self._on: set[str] = set()
        self._since = self._sum = 0.0

    @property
    def running(self) -> bool:
        return bool(self._on)

    @property
    def seconds(self) -> float:
        return self._sum + (steady() - self._since if self._on else 0.0)

    def begin(self, supply: str) -> None:
        if not self._on:
            self._since = steady()
        self._on.add(supply)

    def end(self, report: OffReport) -> None:
        seconds, was_on = self.seconds, self.running
        self._on -= {supply for supply, state in report.states.items() if state == "off"}
        if was_on and not self._on:
            self._sum = seconds


def _start() -> subprocess.Popen[bytes]:
    """The process, in a group of its own: a Ctrl-C at the terminal is the runner's to handle."""
    flags = 0
    if sys.platform == "win32":
        flags = subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.ABOVE_NORMAL_PRIORITY_CLASS
    try:
        return subprocess.Popen(
            command(PROCESS),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            creationflags=flags,
            start_new_session=sys.platform != "win32",
        )
    except OSError as error:
        raise bench_errors.BenchError(
            f"the guard's process cannot be started ({error.strerror or error}); nothing is energised without it"
        ) from error


def _raised(error: wire.Failure) -> Exception:
    """The guard's exception as one of ours: the same class where it is a class of the bench."""
    kind = getattr(bench_errors, error["kind"], None)
    if isinstance(kind, type) and issubclass(kind, bench_errors.BenchError):
        return kind(error["message"], instrument="" if error["instrument"] in error["message"] else error["instrument"])
    return GuardLost(f"the guard failed: {error['kind']}: {error['message']}")


def _ended(process: subprocess.Popen[bytes]) -> str:
    with contextlib.suppress(subprocess.TimeoutExpired):
        code = process.wait(1.0)
        return f", signal {-code}" if code < 0 else f", exit code {code}" if code else ""
    return ""
