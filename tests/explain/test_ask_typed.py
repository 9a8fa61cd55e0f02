"""`explain --ask` without a bench: a person at a terminal types what the meter shows. A real terminal (pty)."""

from __future__ import annotations

import dataclasses
import os
import re
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from wakeboard.harness.explain.ask import loop as asking
from wakeboard.harness.explain.choose.least_effort import Choice
from wakeboard.harness.explain.explaining import explain_case
from wakeboard.harness.explain.unit.cases import BoardModel, Case
from wakeboard.results.records import Reading, RunRecord
from wakeboard.results.store.store import Store

RunMaker = Callable[..., RunRecord]
ROOT = Path(__file__).parents[2]
LATE = 60.0  # s: when a wait gives up


def only_cs(readings: list[Reading]) -> None:
    """CS sits low: its pull-up is missing, or something holds it there."""
    readings[:] = [r for r in readings if r.of in ("CS", "+3V3") and "GPIO" not in r.state]


def test_what_is_skipped_is_not_offered_again_and_others_follow(wren: BoardModel, make_run: RunMaker) -> None:
    """More are skipped than are listed at once: it goes on through all that can be measured, each once, no lifted part,
    and then ends."""
    start = explain_case(Case(make_run(["R2:missing"], edit=only_cs), wren))
    start = dataclasses.replace(start, next=start.next[:1])
    offered: list[Choice] = []

    def skip(choice: Choice) -> None:
        offered.append(choice)

    after, taken = asking.pursue(start, skip)
    assert taken == []
    assert after is start
    keys = [(c.measurement.point, c.measurement.quantity, c.measurement.state) for c in offered]
    assert len(keys) == len(set(keys)) > len(start.next)
    assert not any("lifted" in state for _, _, state in keys)


class Stops:
    """Somebody who answers "stop" at once."""

    interactive = True

    def __init__(self) -> None:
        self.said: list[str] = []

    def say(self, text: str = "") -> None:
        self.said.append(text)

    def ask(self, question: str, default: str) -> str:
        return "stop"


def test_the_answer_is_told_once_where_nothing_was_measured(wren: BoardModel, make_run: RunMaker) -> None:
    start, talks = explain_case(Case(make_run(["R2:missing"], edit=only_cs), wren)), Stops()
    assert asking.go_on(start, talks) is start
    assert sum(line.startswith(" 1. ") for line in talks.said) == 1


@pytest.mark.skipif(sys.platform == "win32", reason="ptys of POSIX systems")
def test_at_a_terminal_values_are_typed_and_bad_ones_asked_for_again(tmp_path: Path, make_run: RunMaker) -> None:
    run = make_run(["R2:missing"], edit=only_cs)
    with Store.open(tmp_path / "wakeboard.db") as store:
        key = store.begin_run(run.start)
        for step in run.steps:
            store.commit_step(key, step)
        store.end_run(key, "fail", outputs_off=True, energised_s=1.0)
    terminal = Terminal(["explain", "--ask"], tmp_path)
    terminal.wait_for(r"reading \(such as")
    terminal.type("three volts")
    terminal.wait_for(r"three volts.*reading \(such as")  # said what is allowed, asked again
    terminal.type("skip")
    terminal.wait_for(r"(?s)three volts.*reading.*reading \(such as|taken|No further|none")
    terminal.type("stop")
    code, said = terminal.end()
    assert code == 0, said
    assert "Traceback" not in said
    assert "W1, run" in said


class Terminal:
    """`wakeboard` on a terminal of its own."""

    def __init__(self, arguments: list[str], folder: Path) -> None:
        import pty

        self.master, slave = pty.openpty()
        environment = {**os.environ, "PYTHONPATH": str(ROOT), "NO_COLOR": "1", "COLUMNS": "120"}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "wakeboard", *arguments],
            cwd=folder, env=environment, stdin=slave, stdout=slave, stderr=slave, close_fds=True,
        )  # fmt: skip
        os.close(slave)
        os.set_blocking(self.master, False)
        self.said = ""

    def _read(self) -> None:
        try:
            self.said += os.read(self.master, 65536).decode(errors="replace")
        except (BlockingIOError, OSError):
            time.sleep(0.02)

    def wait_for(self, pattern: str) -> None:
        ends = time.monotonic() + LATE
        while not re.search(pattern, self.said, re.S):
            assert time.monotonic() < ends, self.said
            assert self.process.poll() is None, self.said
            self._read()

    def type(self, text: str) -> None:
        os.write(self.master, text.encode() + b"\n")

    def end(self) -> tuple[int, str]:
        ends = time.monotonic() + LATE
        while self.process.poll() is None and time.monotonic() < ends:
            self._read()
        self._read()
        os.close(self.master)
        return self.process.wait(1), self.said
