"""The runner's side of the page: a process of its own, fed through a pipe that loses what it cannot take.

with PageLink(place, picture, tell) as page:
    operator.face = page                    the same questions as on the terminal
    observer = Both(observer, page)         what happens
    before(bench): page.watch(bench)        what the guard sees; and Stop goes to the guard

The runner's loop only replaces values in the picture. A thread writes the newest one onto the pipe, at most so often;
when the page's process does not listen, that thread waits and nobody else does. Another thread takes what was pressed:
a key answers the open question, if it is still the same; Stop goes to the guard at once, past the runner.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Self

from wakeboard.harness.page.picture import (
    NOT_OFF,
    OFF,
    Picture,
    answered_steps,
    first_net,
    is_live,
    keys_of,
    supply_row,
)
from wakeboard.harness.run.errors import OperatorStop
from wakeboard.instruments.own_code import command
from wakeboard.instruments.quantity import show
from wakeboard.results.counted import count
from wakeboard.results.records import STOPPED_SAYS
from wakeboard.results.report.cautions import CAUTIONS

if TYPE_CHECKING:
    from wakeboard.harness.page.address import Place
    from wakeboard.harness.run.bench.bench import OpenBench
    from wakeboard.harness.run.guard.core import Envelope, Sample
    from wakeboard.harness.run.guard.owner import OffReport, Ramp, Setting
    from wakeboard.results.records import Reading, Step

PROCESS = "wakeboard.harness.page.server"
OPENING = 30.0  # s for the page's process to say its address
ODD = ("fail", "marginal", "error")
MOST_ODD = 8  # readings that the answer names
FEW_ODD = 2  # of them that a step's line names
UNCONFIRMED = "outputs not confirmed off: "  # how a report begins; beside NOT_OFF it would be said twice
GAP = 0.1  # s between pictures, at least
WORD = 0.5  # s between them, at most: silence means that the run is gone
SLICE = 0.2  # s of the runner's sleep between looks
FAREWELL = 2.0  # s for the last picture to reach the pages
LONGEST = 4096  # bytes of a line that the page may send
IN_THE_AIR = "The lead is in the air: hands clear, then the key"
DISCHARGE = "everything off, and the discharge"  # what follows the last step
LAST = {"power off": "the end of the run"}  # a last step that has brought it
METER_DRIVES = "the meter tests with"  # how the step resistance says it
STOP_KEY = "\x03"  # to whatever question is open: a text, too, is broken off by it
STOP_SAYS = "stopped at the page"
NEEDED = {"starlette": "Starlette", "uvicorn": "uvicorn", "python_multipart": "python-multipart"}


class NoPage(Exception):
    """The page cannot be served; the text says why."""


class PageLink:
    """One for a command's life. It is an Observer, and another face of the Operator."""

    def __init__(
        self, place: Place, picture: Picture, *, store: str = "", board: str = "", alone: bool = False
    ) -> None:
        """store: the file of results that its pages show; board: the board's file; alone: nobody can answer elsewhere.

        Raises NoPage."""
        self.picture = picture
        self.alone = alone
        self.address = self.code = ""
        self.tells: Callable[[str, str, str], None] = lambda _address, _code, _why: None  # the address good from now on
        self.stop_pressed = False  # at any time: whoever asks or switches on next ends for it
        self._guard: Any = None
        self._number = 0  # of the open question
        self._odd: list[str] = []  # readings outside their limits, in words
        self._read = False  # whether a step has told what it read, since the last point was taken
        self._looks = 0  # how often the lead was found on the board in a row
        self._asked: dict[str, str] = {}  # the words of a question that asks for the lead in the air
        self._keys: queue.SimpleQueue[tuple[int, str]] = queue.SimpleQueue()
        self._closing = threading.Event()
        self._ended = threading.Event()  # the page's process is gone
        self._process = _start()
        self._open(place, store, board)
        threading.Thread(target=self._send, daemon=True, name="page-send").start()
        threading.Thread(target=self._take, daemon=True, name="page-take").start()

    def _open(self, place: Place, store: str, board: str) -> None:
        first = {"host": place.host, "port": place.port, "store": store, "board": board}
        told = self._hand_shake(json.dumps(first).encode() + b"\n")
        if "error" in told:
            self._kill()
            raise NoPage(told["error"])
        self.address, self.code = told["address"], told["code"]

    def _hand_shake(self, line: bytes) -> dict[str, Any]:
        answer: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        stream, inbox = self._process.stdout, self._process.stdin
        assert stream is not None
        assert inbox is not None
        threading.Thread(target=lambda: answer.put(stream.readline()), daemon=True).start()
        try:
            inbox.write(line)
            inbox.flush()
            return dict(json.loads(answer.get(timeout=OPENING)))
        except (OSError, ValueError, queue.Empty):
            return {"error": "the page's process did not start"}

    @property
    def pid(self) -> int:
        """The process number of the page's server."""
        return self._process.pid

    @property
    def gone(self) -> bool:
        """Whether the page's process has ended."""
        return self._ended.is_set()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()

    def close(self) -> None:
        """The last picture, then the end of the process: it has no outputs to look after."""
        if self._closing.is_set():
            return
        self._closing.set()
        self.picture.changed.set()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(FAREWELL)
        self._kill()

    def _kill(self) -> None:
        with contextlib.suppress(OSError):
            self._process.kill()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(FAREWELL)

    # --- threads ----------------------------------------------------------------------------------------------------
    def _send(self) -> None:
        """The newest picture, again and again."""
        stream = self._process.stdin
        assert stream is not None
        descriptor = stream.fileno()
        try:
            while not self._ended.is_set():
                last = self._closing.is_set()
                self.picture.changed.clear()
                self._look_for_dark()
                _write(descriptor, json.dumps({"picture": self.picture.document()}, allow_nan=False).encode() + b"\n")
                if last:
                    _write(descriptor, b'{"bye":true}\n')
                    return
                time.sleep(GAP)
                self.picture.changed.wait(WORD - GAP)
        except (OSError, ValueError):
            self._ended.set()

    def _take(self) -> None:
        """What was pressed, line by line."""
        stream = self._process.stdout
        assert stream is not None
        with contextlib.suppress(OSError, ValueError):
            while line := stream.readline(LONGEST):
                with contextlib.suppress(ValueError, KeyError, TypeError):
                    self._pressed(json.loads(line))
        self._ended.set()

    def _pressed(self, message: Mapping[str, Any]) -> None:
        if message["do"] == "stop":
            self._stop()
        elif message["do"] == "address":
            self.address, self.code = str(message["address"]), str(message["code"])
            self.tells(self.address, self.code, str(message["why"]))
        elif message["do"] == "key":
            number = int(message["prompt"])
            if number == self._number:  # one to a question that has not been asked yet would be an answer unread
                self._keys.put((number, str(message["key"])))

    # --- stop -------------------------------------------------------------------------------------------------------
    def _stop(self) -> None:
        """To the guard at once; and as the key of whatever question is open. Where there is neither, a bench that is
        being opened or a question between two units, to the one that comes next."""
        self.stop_pressed = True  # before the guard is looked for: whoever brings one looks here after that
        guard = self._guard
        if guard is not None:
            self._tell_guard(guard)
        elif self.picture.get("ended") is None:
            self.picture.put(stop={"says": "Stop: nothing is switched on any more", "off": None})
        self._keys.put((self._number, STOP_KEY))
        self.picture.changed.set()

    def _tell_guard(self, guard: Any) -> None:
        waiting = "Stop: the guard switches off. Wait for the word that it is off"
        self.picture.put(stop={"says": waiting, "off": None})
        guard.stop(STOP_SAYS)

    def _look_for_dark(self) -> None:
        """The guard's answer to Stop, as soon as it has come."""
        stop, guard = self.picture.get("stop"), self._guard
        if stop is not None and stop["off"] is None and guard is not None and guard.stopped is not None:
            self._off(guard.stopped)

    def _off(self, report: OffReport) -> None:
        """One state, changed together: what has power, and the answer to a stop."""
        told = told_off(report)
        stop = {"says": told, "off": report.confirmed} if self.picture.get("stop") is not None else None
        self.picture.put(stop=stop, supplies=[], power=power_after(report), **proof(report))

    # --- the bench --------------------------------------------------------------------------------------------------
    def watch(self, bench: OpenBench) -> None:
        """Look over the guard's shoulder, and know whom Stop goes to."""
        self._guard = bench.guard
        of_bench = [f"{name}: {text}" for name, texts in bench.cautions.items() for text in texts]
        self.picture.put(cautions=[*CAUTIONS, *of_bench], proved=False, power="")
        bench.guard = SeenGuard(bench.guard, self.picture)
        if self.stop_pressed:
            self._tell_guard(self._guard)

    def warns(self, text: str) -> None:
        """What nobody knows of the outputs; it stands until they are proved off."""
        self.picture.put(warnings=[*self.picture.get("warnings"), text])

    def ended(self, outcome: str, says: str, off: OffReport) -> None:
        """How the run ended, and whether the outputs are off."""
        self._guard = None
        self._off(off)
        seen = [*([says] if says else []), *told_odd(self._odd)]
        self.picture.put(
            ended={"outcome": outcome, "seen": seen, "off": off.confirmed, "off_says": off.says()},
            prompt=None, moving="", tests="",
        )  # fmt: skip

    def broke(self, says: str, stopped: bool = False) -> None:
        """There is no run, or no end of one to tell; `says` says whether the outputs are off where any was on. stopped:
        a person did not want it to begin."""
        guard, self._guard = self._guard, None
        left: OffReport | None = getattr(guard, "left", None)  # None where no guard has said a last word
        if left is not None:
            self._off(left)
        outcome, seen = ("stopped", f"{STOPPED_SAYS}, before the first step") if stopped else ("error", says)
        self.picture.put(ended={"outcome": outcome, "seen": [seen], "off": left and left.confirmed,
                                "off_says": left.says() if left else ""}, supplies=[], prompt=None,
                         moving="")  # fmt: skip

    # --- production -------------------------------------------------------------------------------------------------
    def begins(self, unit: str) -> None:
        """Another unit: nothing of the one before is left standing."""
        self._odd.clear()
        self.picture.put(unit=unit, ended=None, answer=None, stop=None, step=None, steps=[], reading=None, taken=None,
                         spot=None, power="", proved=False)  # fmt: skip

    def answers(self, word: str, outcome: str, where: str, seen: Sequence[str], do: str) -> None:
        """The large answer to a unit."""
        self.picture.put(answer={"word": word, "outcome": outcome, "where": where, "seen": list(seen), "do": do},
                         ended=None)  # fmt: skip

    def counts(self, says: str, failed: Sequence[tuple[str, int]]) -> None:
        """How many so far, and what failed most: (step, times)."""
        self.picture.put(count={"says": says, "failed": [list(each) for each in failed]})

    # --- Face -------------------------------------------------------------------------------------------------------
    def asks(self, power: str, title: str, detail: str, keys: str, text: bool = False) -> None:
        from wakeboard.harness.run.hand.aloft import LIFTED_KEYS

        self._number += 1
        net = first_net(detail)
        self._looks = self._looks + 1 if keys == LIFTED_KEYS else 0
        self._asked = {"title": title, "detail": detail} if self._looks else {}
        again = f"Looked {self._looks} times: still on, not switched on. " if self._looks > 1 else ""
        known = self.picture.get("proved") or power.startswith(NOT_OFF)  # the runner's word, once it has looked itself
        self.picture.put(
            prompt={"number": self._number, "title": title, "detail": again + detail, "keys": keys_of(keys),
                    "text": text},
            power=(known and power) or self.picture.get("power"), moving="",
            spot={"net": net, "point": _point(title)},
        )  # fmt: skip
        self._read = False
        if self.stop_pressed:
            self._keys.put((self._number, STOP_KEY))

    def answered(self) -> None:
        self.picture.put(prompt=None, moving="")

    def shows(self, text: str) -> None:
        from wakeboard.harness.run.hand.aloft import SAYS

        prompt = self.picture.get("prompt")
        if self._asked and prompt:
            if SAYS["air"] in text:
                prompt = {**prompt, **_lifted(self._asked["detail"])}
            elif SAYS["on"] in text and prompt["title"] == IN_THE_AIR:
                prompt = {**prompt, **self._asked}
        self.picture.put(moving=text, prompt=prompt)

    def took(self, name: str, value: str) -> None:
        """What no step has told as a reading (the comparison of supply and meter) is shown as it was taken."""
        if not self._read:
            self._shows_reading({"of": name, "quantity": "dc volts" if value.endswith("V") else "", "value": value,
                                 "outcome": "", "word": "taken", "text": f"{name} {value}"})  # fmt: skip
        self._read = False
        taken = (self.picture.get("taken") or {"number": 0})["number"] + 1
        self.picture.put(taken={"of": name, "value": value, "number": taken}, moving="")

    def _shows_reading(self, reading: Mapping[str, str]) -> None:
        """With the point that was asked for, the question, and the spell of power that it belongs to."""
        spot = self.picture.get("spot") or {"net": "", "point": ""}
        at = spot["point"] if spot["net"] == reading["of"] else ""
        self.picture.put(reading={**reading, "at": at, "asked": self._number, "live": self._is_live(),
                                  "spell": self.picture.get("spell")})  # fmt: skip

    def key(self) -> str | None:
        """A key to the question that is open now; one that was meant for an earlier question answers nothing."""
        while True:
            try:
                number, key = self._keys.get_nowait()
            except queue.Empty:
                if self.gone and self.alone:
                    raise OperatorStop("the page's process has ended, and there is no terminal to answer at") from None
                return None
            if number == self._number:
                return key

    # --- Observer ---------------------------------------------------------------------------------------------------
    def step_begins(self, number: int, total: int, title: str, kind: str) -> None:
        titles = self.picture.get("titles") or []
        following = titles[number] if number < len(titles) else LAST.get(kind, DISCHARGE)
        self.picture.put(step={"number": number, "total": total, "title": title, "kind": kind, "next": following})

    def reading(self, reading: Reading) -> None:
        from wakeboard.harness.run.live import reading_text

        value = reading.says or "over range" if reading.value is None else show(reading.value, reading.unit)
        self._read = True
        self._shows_reading({"of": reading.of, "quantity": reading.quantity, "value": value,
                             "outcome": reading.outcome, "word": reading.word,
                             "text": reading_text(reading)})  # fmt: skip

    def says(self, text: str) -> None:
        """Kept by the step; that the meter itself drives the board is shown beside what has power."""
        if text.startswith(METER_DRIVES):
            self.picture.put(tests=text[0].upper() + text[1:])

    def pulse(self, samples: Mapping[str, Sample], limits: Mapping[str, float]) -> None:
        """The guard's own words come by SeenGuard."""

    def step_ends(self, step: Step) -> None:
        from wakeboard.harness.run.live import reading_text

        self._odd += [
            f"{step.name}: {each.word}: {reading_text(each)}" for each in step.readings if each.outcome in ODD
        ]
        done = {"number": step.number, "name": step.name, "outcome": step.word, "says": step.says,
                "odd": odd_values(step)}  # fmt: skip
        self.picture.put(steps=answered_steps(self.picture.get("steps"), done), tests="", moving="")

    def _is_live(self) -> bool:
        return is_live(self.picture.get("power"))


def told_off(report: OffReport) -> str:
    """What a report says beyond "confirmed off" or "not confirmed off"; "" where it says no more."""
    return "; ".join(report.odd()) if report.confirmed else report.says().removeprefix(UNCONFIRMED)


def power_after(report: OffReport) -> str:
    """What has power after all outputs were switched off, or were to be."""
    return OFF if report.confirmed else f"{NOT_OFF}: {told_off(report)}"


def proof(report: OffReport) -> dict[str, object]:
    """What is known, and no longer warned of, where every output was seen to be off."""
    return {"proved": True, "warnings": []} if report.confirmed else {}


def _lifted(detail: str) -> dict[str, str]:
    """The question for a lead on the board, once the lead is in the air: what it read there is over."""
    return {"title": IN_THE_AIR, "detail": detail.partition(". ")[2].replace("Lift it, hands clear.", "Hands clear.")}


def odd_values(step: Step) -> list[str]:
    """What a step read outside its limits: net and value of the first, and how much more there is."""
    odd = [each for each in step.readings if each.outcome in ODD]
    told = [
        f"{each.of} {each.says or 'over range' if each.value is None else show(each.value, each.unit)}"
        for each in odd[:FEW_ODD]
    ]
    return [*told, *([f"and {len(odd) - FEW_ODD} more"] if len(odd) > FEW_ODD else [])]


def told_odd(odd: Sequence[str]) -> list[str]:
    """What was read outside its limits, in order, and how much more there is."""
    more = len(odd) - MOST_ODD
    return [*odd[:MOST_ODD], *([f"and {count(more, 'reading')} more: see the unit's page"] if more > 0 else [])]


class SeenGuard:
    """A guard whose every word goes to the picture as well; what is asked of it goes on as it is."""

    def __init__(self, guard: Any, picture: Picture) -> None:
        self._guard = guard
        self._picture = picture
        self._held: dict[str, Envelope] = {}
        self._doubt = ""  # what the last switching off of everything did not prove

    def __getattr__(self, name: str) -> Any:
        return getattr(self._guard, name)

    def energise(self, supply: str, setting: Setting, envelope: Envelope, ramp: Ramp | None) -> str:
        self._held = {**self._held, supply: envelope}
        self._show()
        return str(self._guard.energise(supply, setting, envelope, ramp))

    def bound(self, supply: str, most_amps: float | None, least_amps: float | None) -> None:
        from dataclasses import replace

        self._guard.bound(supply, most_amps, least_amps)
        if supply in self._held:
            self._held = {**self._held, supply: replace(self._held[supply], most_amps=most_amps)}

    def prove_off(self) -> OffReport:
        report: OffReport = self._guard.prove_off()
        return self._proved(report)

    def off(self, supply: str) -> OffReport:
        report: OffReport = self._guard.off(supply)
        return self._noted(report)

    def all_off(self) -> OffReport:
        report: OffReport = self._guard.all_off()
        return self._proved(report)

    def beat(self, lease: float) -> None:
        try:
            self._guard.beat(lease)
        finally:
            self._show()

    def sleep(self, seconds: float) -> None:
        """In slices, so that a page sees what moves; a virtual clock jumps as it did."""
        ends = time.monotonic() + seconds
        while not hasattr(self._guard, "clock") and (left := ends - time.monotonic()) > SLICE:
            self._guard.sleep(SLICE)
            self._show()
            seconds = left - SLICE
        self._guard.sleep(max(seconds, 0.0))
        self._show()

    def _proved(self, report: OffReport) -> OffReport:
        """Of every output; before the first of these nobody knows."""
        self._doubt = "" if report.confirmed else power_after(report)
        self._picture.put(**proof(report))
        return self._noted(report)

    def _noted(self, report: OffReport) -> OffReport:
        self._held = {name: each for name, each in self._held.items() if report.states.get(name) != "off"}
        self._show()
        return report

    def _show(self) -> None:
        """What has power by what was set, and what the supplies say."""
        samples = self._guard.latest()
        rows = [supply_row(name, envelope, samples.get(name)) for name, envelope in self._held.items()]
        live = "; ".join(f"{row['name']} on, {show(row['set'], 'V')}, limit {show(row['limit'], 'A')}" for row in rows)
        off = OFF if self._picture.get("proved") else ""
        self._picture.looked()
        self._picture.put(supplies=rows, power=self._doubt or (f"LIVE: {live}" if live else off))


def _point(title: str) -> str:
    """The point that a prompt is about."""
    words = title.split()
    return words[-1] if len(words) > 1 and words[0] in ("Probe", "Reverse") else ""


def _start() -> subprocess.Popen[bytes]:
    """In a group of its own: a Ctrl-C at the terminal is the runner's to handle."""
    must_be_installed()
    options: dict[str, Any] = {"start_new_session": True}
    if sys.platform == "win32":
        options = {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.BELOW_NORMAL_PRIORITY_CLASS}
    try:
        return subprocess.Popen(command(PROCESS), stdin=subprocess.PIPE, stdout=subprocess.PIPE, **options)
    except OSError as error:
        raise NoPage(f"the page's process cannot be started: {error.strerror or error}") from error


def must_be_installed() -> None:
    """Raises NoPage, with the extra that brings what is missing."""
    import importlib.util

    missing = [says for name, says in NEEDED.items() if importlib.util.find_spec(name) is None]
    if missing:
        raise NoPage(f"the page needs {', '.join(missing)}: pip install 'wakeboard[page]'")


def _write(descriptor: int, data: bytes) -> None:
    while data:
        data = data[os.write(descriptor, data) :]
