"""The board's serial port vanishes while the board is powered: a clear error of the bench, and everything off.

A real run in a process of its own against the served virtual bench; its console is a pty of the test's, whose other end
is closed as a pulled cable closes it. Nothing here asserts how long something takes.
"""

from __future__ import annotations

import json
import os
import runpy
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from wakeboard.results.store.store import Store

if sys.platform == "win32":
    pytest.skip("ptys of POSIX systems", allow_module_level=True)

import pty
import tty

WIRE = runpy.run_path(str(Path(__file__).with_name("test_wire.py")))
start, Bench, LATE = WIRE["start"], WIRE["Bench"], WIRE["LATE"]

STEPS = """
[[step]]
do = "resistance"
of = "every supply"

[[step]]
do = "power on"
supply = "USB"
limit = "120 mA"

[[step]]
name = "first"
do = "talk"
send = "id"
expect = 'toy (?P<version>[0-9.]+) C'

[[step]]
name = "second"
"""
TALK = """
do = "talk"
send = "id"
expect = 'toy (?P<version>[0-9.]+) C'
"""
STREAM = """
do = "transfer"
stream = "dump"
expect = "> 1 B/s"
"""
DRIVE = """
do = "drive"
of = ["EN"]
"""


class Cable:
    """The board's end of a serial line: answers the first question, vanishes with the second (`said` bytes into it)."""

    def __init__(self, said: bytes = b"") -> None:
        self.board, self.computer = pty.openpty()
        tty.setraw(self.computer)
        self.name = os.ttyname(self.computer)
        self.said = said
        self.questions: list[bytes] = []
        self.thread = threading.Thread(target=self._answer)
        self.thread.start()

    def _answer(self) -> None:
        heard = b""
        while len(self.questions) < 2:
            heard += os.read(self.board, 1000)
            while b"\n" in heard:
                question, _, heard = heard.partition(b"\n")
                self.questions.append(question.strip())
                if len(self.questions) == 1:
                    os.write(self.board, b"toy 1.25 C\r\ntoy> ")
        if self.said:
            os.write(self.board, self.said)
        os.close(self.computer)
        os.close(self.board)


@pytest.fixture(scope="module")
def bench(make_toy: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    with pytest.MonkeyPatch.context() as patch:
        folder = tmp_path_factory.mktemp("bench")
        patch.setenv("WAKEBOARD_LOCKS", str(folder / "locks"))
        served = Bench(make_toy(folder))
        yield served
        served.stop()


@pytest.mark.parametrize(
    ("step", "said"),
    [(TALK, b""), (TALK, b"toy 1.2"), (STREAM, b"0123456789" * 20), (DRIVE, b"")],
    ids=["while an answer is waited for", "within an answer", "within a stream", "while a pin is driven"],
)
def test_the_run_ends_as_a_failure_of_the_bench_with_everything_off(bench: Any, step: str, said: bytes) -> None:
    cable = Cable(said)
    port = bench.described.links["console"].port
    text = bench.file.read_text()
    assert port in text
    (bench.folder / "cable.toml").write_text(text.replace(port, cable.name))
    (bench.folder / "vanish.toml").write_text(f'title = "Vanish"\nboard = "board.toml"\n{STEPS}{step}')
    run = start(
        "run", "vanish.toml", "--unit", "T-1", "--bench", "cable.toml", "--energise", "--json", folder=bench.folder
    )
    out, told = run.communicate(timeout=LATE)
    cable.thread.join(LATE)
    assert run.returncode == 3, told.decode()
    assert len(cable.questions) == 2, "the cable was not pulled in mid-run"
    assert not bench.on()
    document = json.loads(out)
    assert document["outcome"] == "error"
    assert document["outputs_off"] is True
    assert cable.name in document["says"]
    assert "went away" in document["says"]
    assert "Traceback" not in told.decode()
    with Store.open(bench.folder / "wakeboard.db") as store:
        kept = {each.name: each.outcome for each in store.run(document["run"]).steps}
    assert kept["first"] == "pass"
    assert kept["second"] == "error"
    assert kept["discharge"] == "pass"  # the meter still answers: no one touches before it was measured
