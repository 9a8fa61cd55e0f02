"""The guard in a process of its own: `python -m wakeboard.harness.run.guard.process`, started by client.py.

It holds the only session to each supply. Outputs go off, and are seen to be off:

- when a trip rule is broken (at once, then it is told);
- when the runner's pipe ends: it was killed, or it ended without a word;
- when the runner is silent for longer than it said it would be (its lease): it hangs;
- when it stood still itself while they were on: the computer slept, or somebody stopped the program;
- when a person at the page says stop, which comes past whatever the runner is busy with;
- on SIGTERM, SIGINT, SIGHUP; on any exception; at exit.

Outputs that are off are looked at as long as the process lives. A thread of its own tells the runner ten times a second
that the process runs, and for how long its loop has been waiting for a supply.

What it did last is in the report file, synced to the disk, whatever became of the runner. The loop polls as fast as the
instrument answers, but never takes more than CORE_SHARE of a core (its pipe's threads take little beside).
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import signal
import sys
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import IO

from wakeboard.harness.run.guard import wire
from wakeboard.harness.run.guard.core import STOPPED, Cut
from wakeboard.harness.run.guard.owner import Guard
from wakeboard.harness.run.guard.supplies import SupplyPlan, close_supplies, open_supplies
from wakeboard.instruments.clock import steady
from wakeboard.instruments.link.traffic import Exchange, TrafficLog

CORE_SHARE = 0.15  # of a core: a guard that takes it all starves the run that it guards
PULSE = 0.1  # s between unasked words to the runner
IDLE = 0.05  # s: the longest wait while nothing is on
KEEP_TRYING = 60.0  # s: how long an output that is not seen to be off is tried again when the runner is gone
AGAIN = 1.0  # s between these tries
UNSAID = 100  # messages that wait for a runner that does not listen: more than that, and pulses are left out
LAST_WORDS = 2.0  # s for what was said last to reach the runner
PRIORITY = -10  # as `nice` counts
ALIVE = 0.1  # s between words of the thread that tells that the process runs
STOOD_STILL = 1.0  # s of standing still that a busy computer does not explain
LONGEST_LEASE = 600.0  # s
FIRST_LEASE = 30.0  # s: until the runner's first beat, while it opens the rest of the bench


class Shell:
    """The loop around one Guard."""

    def __init__(self, out: IO[bytes]) -> None:
        self.inbox: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        self.outbox: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        self.out = out
        self.guard: Guard | None = None
        self.traffic: list[Exchange] = []
        self.report_path = ""
        self.heard = steady()  # when the runner last said that it lives
        self.lease_ends = self.heard + FIRST_LEASE
        self.why_off = ""
        self.told_cut = False
        self.told_back: Cut | None = None  # the output that came on by itself which the runner was told of
        self.ends = False
        self.breath = steady()  # when the thread last ran
        self.runner = os.getppid()
        self.gap = 0.0  # s: the longest time that the process stood still, until it is told
        self.turned = time.monotonic()  # when the loop began its turn, by the clock that leaves out a sleep
        self._pulse_due = self._again_due = 0.0
        self._close: list[Callable[[], None]] = []

    # --- the loop ---------------------------------------------------------------------------------------------------
    def run(self) -> None:
        """Until the pipe ends or a signal comes. Outputs are off when it returns, as far as this can be done."""
        try:
            while not self.ends:
                self._turn()
        finally:
            if self.why_off != "bye":  # said to be off just now
                self._off(self.why_off or "end of the guard")
                self._keep_trying()
            for close in self._close:
                with contextlib.suppress(Exception):
                    close()

    def _turn(self) -> None:
        self.turned = wall = time.monotonic()
        cpu = time.thread_time()
        live = self.guard is not None and self.guard.any_live
        lit = live and self.guard is not None and self.guard.cut is None
        if live and not lit:
            self._try_again()
        elif self.guard is not None:
            self._poll(self.guard)
        if not lit:
            self.gap = 0.0
        pause = _pause(time.thread_time() - cpu, time.monotonic() - wall) if lit else IDLE
        self._listen(pause)
        now = steady()
        lit = lit and self.guard is not None and self.guard.cut is None
        if lit and self._stood_still() > STOOD_STILL:
            self._lose("stood-still", self._says_gap())
        elif lit and now > self.lease_ends:
            self._lose("heartbeat", f"the run was silent for {now - self.heard:.1f} s in all: it hangs, or was held up")
        if now >= self._pulse_due:
            self._pulse_due = now + PULSE
            self._pulse()

    def _poll(self, guard: Guard) -> None:
        try:
            guard.tick()
        except Exception as error:  # noqa: BLE001  the power is cut by then; the runner is told why
            if guard.cut is None:
                guard.abandon("guard-failed", str(error))
        late = guard.cut is not None and not self.told_cut and guard.cut.rule in ("link-lost", "late-reading")
        if guard.cut is not None and late and self._stood_still() > STOOD_STILL:
            guard.cut = replace(guard.cut, rule="stood-still", says=self._says_gap())
        if guard.cut is not None and not self.told_cut:
            self.told_cut = True
            self._tell_cut(guard.cut_supply, guard.cut)
        if guard.came_on is not None and guard.came_on is not self.told_back:
            self.told_back = guard.came_on
            self._tell_cut(guard.came_on_supply, guard.came_on, back=True)

    def _tell_cut(self, supply: str, cut: Cut, back: bool = False) -> None:
        self._say({"event": "cut", "supply": supply, "cut": cut, "back": back})
        self._report(f"{cut.rule}: {cut.says}")

    # --- standing still ---------------------------------------------------------------------------------------------
    def breathe(self) -> None:
        """In a thread of its own, which waits for no supply: a breath that comes late is a process that stood still.
        The pipe of a runner that was killed does not end where a process that it had forked holds it, too."""
        while True:
            time.sleep(ALIVE)
            if os.getppid() != self.runner:
                self.inbox.put(None)
            now = steady()
            late, self.breath = now - self.breath - ALIVE, now
            self.gap = max(self.gap, late)
            if self.outbox.qsize() < UNSAID and late < STOOD_STILL:  # else the loop tells what has happened
                lit = self.guard is not None and self.guard.any_live
                self._say({"event": "alive", "waits": time.monotonic() - self.turned, "lit": lit})

    def _stood_still(self) -> float:
        """The longest gap; also the one that the thread has not seen yet."""
        return max(self.gap, steady() - self.breath - ALIVE)

    def _says_gap(self) -> str:
        gap, self.gap = self._stood_still(), 0.0
        return (
            f"the guard stood still for {gap:.1f} s with an output on: the computer slept, or somebody stopped the "
            "program; nobody watched the board meanwhile"
        )

    def _listen(self, pause: float) -> None:
        """Take what has come in; wait for it for at most `pause` seconds."""
        if pause <= 0 and self.inbox.empty():
            return
        try:
            line = self.inbox.get(timeout=pause) if pause > 0 else self.inbox.get_nowait()
            while True:
                if line is None:
                    self._end("the runner's pipe ended")
                    return
                self._take(line)
                line = self.inbox.get_nowait()
        except queue.Empty:
            return

    def _take(self, line: bytes) -> None:
        try:
            message = wire.asked(line)
        except ValueError as error:
            self._end(f"the runner said something that is no message: {error}")
            return
        if message.get("do") == "beat":
            self.heard = steady()
            self.lease_ends = self.heard + _lease(float(message["lease"]))
            return
        if message.get("do") == "stop":
            self._stop(str(message["why"]))
            return
        try:
            answer = getattr(self, f"do_{message['do']}")(message)
            self._say({"id": message["id"], "ok": answer})
        except Exception as error:  # noqa: BLE001  told to the runner, which knows what to do
            self._say({"id": message.get("id"), "error": _error(error)})

    # --- what the runner may ask ------------------------------------------------------------------------------------
    def do_open(self, message: wire.RunnerSays) -> object:
        """Open and identify the supplies; the off-list is fixed with this."""
        from wakeboard.instruments.clock import RealClock

        self.report_path = message["report"]
        self.traffic = TrafficLog()
        clock = RealClock()
        plans = [SupplyPlan(**plan) for plan in message["plans"]]
        drivers, feeds = open_supplies(plans, clock=clock, traffic=self.traffic)
        self._close.append(lambda: close_supplies(drivers))
        self.guard = Guard(feeds, clock, traffic=self.traffic)
        self.heard = steady()
        self.lease_ends = self.heard + FIRST_LEASE
        return {
            "identities": {name: psu.identity for name, psu in drivers.items()},
            "dialects": {name: psu.dialect.name for name, psu in drivers.items()},
            "off_list": sorted(feeds),
            "cautions": {name: list(psu.cautions()) for name, psu in drivers.items()},
        }

    def do_prove_off(self, _message: wire.RunnerSays) -> object:
        return wire.report_data(self._guard().prove_off())

    def do_energise(self, message: wire.RunnerSays) -> object:
        guard, supply = self._guard(), message["supply"]
        says = guard.arm(supply, wire.setting_of(message["setting"]), wire.envelope_of(message["envelope"]))
        guard.on(supply, wire.ramp_of(message["ramp"]))
        return says

    def do_climbing(self, message: wire.RunnerSays) -> object:
        return self._guard().climbing(message["supply"])

    def do_bound(self, message: wire.RunnerSays) -> None:
        self._guard().bound(message["supply"], message["most_amps"], message["least_amps"])

    def do_change(self, _message: wire.RunnerSays) -> None:
        self._guard().change()

    def do_sample(self, message: wire.RunnerSays) -> object:
        return self._guard().sample(message["supply"])

    def do_amps_error(self, message: wire.RunnerSays) -> object:
        return self._guard().amps_error(message["supply"], message["amps"])

    def do_settle_s(self, message: wire.RunnerSays) -> object:
        return self._guard().settle_s(message["supply"])

    def do_off(self, message: wire.RunnerSays) -> object:
        return wire.report_data(self._guard().off(message["supply"]))

    def do_all_off(self, _message: wire.RunnerSays) -> object:
        return wire.report_data(self._guard().all_off())

    def do_look_again(self, _message: wire.RunnerSays) -> object:
        report = self._guard().look_again()
        self.told_back = self._guard().came_on  # the runner asks for it with the answer
        return {**wire.report_data(report), "came_on": self._guard().came_on}

    def do_trace(self, _message: wire.RunnerSays) -> object:
        taken = [list(each) for each in ((e.time, e.instrument, e.direction, e.text) for e in self.traffic)]
        del self.traffic[: len(taken)]
        return {"tracks": self._guard().take_trace(), "traffic": taken}

    def do_energised(self, _message: wire.RunnerSays) -> object:
        return self._guard().energised

    def do_bye(self, _message: wire.RunnerSays) -> object:
        """An orderly end: off, said, and the process ends."""
        guard = self._guard()
        dark = guard.off_report is not None and guard.off_report.confirmed and not guard.any_live
        report = guard.look_again() if dark else guard.all_off()
        self.why_off, self.ends = "bye" if report.confirmed else "bye, with outputs that are not off", True
        return wire.report_data(report)

    def _guard(self) -> Guard:
        if self.guard is None:
            raise RuntimeError("the guard has opened no supply yet")
        return self.guard

    # --- off --------------------------------------------------------------------------------------------------------
    def _end(self, why: str) -> None:
        self.why_off, self.ends = self.why_off or why, True

    def _lose(self, rule: str, why: str) -> None:
        """The runner hangs, or nobody watched: the power goes off, the guard stays to tell it."""
        if self.guard is not None:
            self.guard.abandon(rule, why)
            self.told_cut = True
            if (cut := self.guard.cut) is not None:
                self._tell_cut(self.guard.cut_supply, cut)

    def _stop(self, why: str) -> None:
        """A person wants everything off, whatever the runner is at; whether it is, is told at once."""
        if self.guard is not None:
            self._lose(STOPPED, why)
            report = self.guard.off_report or self.guard.all_off()
            self._say({"event": "dark", **wire.report_data(report)})

    def _off(self, why: str) -> None:
        if self.guard is not None:
            self.guard.all_off()
            self._report(why)

    def _try_again(self) -> None:
        """The power was cut, and not every output was seen to be off: now and then, not as fast as it goes."""
        if steady() >= self._again_due:
            self._off("again")
            self._again_due = steady() + AGAIN

    def _keep_trying(self) -> None:
        """The runner is gone, nobody else will do it: until every output is seen to be off, or for a minute."""
        ends = steady() + KEEP_TRYING
        while self.guard is not None and steady() < ends:
            if self.guard.off_report is None or (self.guard.off_report.confirmed and self.guard.look_again().confirmed):
                return
            time.sleep(AGAIN)
            self._off(f"again, after: {self.why_off}")

    def _report(self, why: str) -> None:
        """What was done last, on the disk before anything else."""
        if not self.report_path or self.guard is None or self.guard.off_report is None:
            return
        entry = {"time": time.time(), "why": why, **wire.report_data(self.guard.off_report)}
        with contextlib.suppress(OSError), open(self.report_path, "a", encoding="utf-8") as stream:
            stream.write(json.dumps(entry) + "\n")
            stream.flush()
            os.fsync(stream.fileno())

    # --- telling ----------------------------------------------------------------------------------------------------
    def _pulse(self) -> None:
        if self.guard is not None and self.outbox.qsize() < UNSAID:
            self._say({"event": "pulse", "latest": self.guard.latest})

    def _say(self, message: Mapping[str, object]) -> None:
        self.outbox.put(wire.encode(message))

    def write(self) -> None:
        """What is to be said, onto the pipe; in a thread, so that a runner that is stopped with its pipe full never
        keeps the loop from its lease. Unbuffered: a stream has a lock, which the thread would hold at the end."""
        while (data := self.outbox.get()) is not None:
            try:
                while data:
                    data = data[os.write(self.out.fileno(), data) :]
            except (OSError, ValueError):
                self._end("the runner no longer listens")
                self.inbox.put(None)
                return


def _lease(seconds: float) -> float:
    """s: no runner may be silent for ever, whatever it says; what is no number is none."""
    return min(seconds, LONGEST_LEASE) if seconds > 0 else 0.0


def _pause(cpu: float, wall: float) -> float:
    """How long to wait so that the loop keeps to its share of a core."""
    return max(0.0, cpu / CORE_SHARE - wall)


def _error(error: Exception) -> wire.Failure:
    return {
        "kind": type(error).__name__,
        "message": str(error),
        "instrument": getattr(error, "instrument", ""),
    }


def _read(shell: Shell, descriptor: int) -> None:
    """The pipe's lines into the inbox; None when it ends. In a thread: no system has a wait for pipes and queues.

    The descriptor is read as it is: a buffered stream has a lock, which a daemon thread would hold at the end.
    """
    rest = b""
    try:
        while chunk := os.read(descriptor, 65536):
            *lines, rest = (rest + chunk).split(b"\n")
            for line in lines:
                shell.inbox.put(line)
    except OSError:
        pass  # as good as its end
    finally:
        shell.inbox.put(None)


def _on_signals(shell: Shell) -> None:
    def end(number: int, _frame: object) -> None:
        shell._end(f"signal {signal.Signals(number).name}")
        shell.inbox.put(None)  # wakes the loop

    for name in ("SIGTERM", "SIGINT", "SIGHUP", "SIGBREAK"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), end)


def _go_first() -> None:
    """Ahead of other programs, where the system allows it to this user: what cuts the power should not wait for them.
    On Windows the process is started so (client.py)."""
    if hasattr(os, "setpriority"):
        with contextlib.suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, 0, PRIORITY)


def main() -> None:
    _go_first()
    shell = Shell(sys.stdout.buffer)
    sys.stdout = sys.stderr  # a stray print must not look like a message
    _on_signals(shell)
    threading.Thread(target=_read, args=(shell, sys.stdin.fileno()), daemon=True).start()
    writer = threading.Thread(target=shell.write, daemon=True)
    writer.start()
    threading.Thread(target=shell.breathe, daemon=True).start()
    try:
        shell.run()
    finally:
        shell.outbox.put(None)
        writer.join(LAST_WORDS)


if __name__ == "__main__":
    main()
