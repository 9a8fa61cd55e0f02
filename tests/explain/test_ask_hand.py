"""`explain --ask --bench` with the probe in a hand: a person at a real terminal, played by a program that puts the
virtual meter's leads where the prompts say, over a session of its own to the scanner that this bench file leaves out.

Nothing here asserts how long something takes; waits give up late.
"""

from __future__ import annotations

import contextlib
import os
import re
import runpy
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from wakeboard.harness.describe.load import load_bench
from wakeboard.results.records import ASKED
from wakeboard.results.store.store import Store

if sys.platform == "win32":
    pytest.skip("ptys of POSIX systems", allow_module_level=True)

import pty

WIRE = runpy.run_path(str(Path(__file__).with_name("test_ask_wire.py")))
ROOT = Path(__file__).parents[2]
LATE = 200.0  # s: when a wait gives up
HAND = 0.2  # s that a hand takes from one point to the next
PATIENCE = 2.0  # s without a change of the picture before the person presses a key
ALL_OFF = "ROUT:OPEN (@101:120,201:209)"
PROMPT = re.compile(
    r"Probe \S+\s+[^\n]*net (?P<net>\S+)|(?P<tips>probe tips together)[^q]*q: stop"
    r"|(?P<turn>Reverse the leads)[^q]*q: stop|Enter if|Enter: go on|Enter: power on|Enter: yes"
)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    with pytest.MonkeyPatch.context() as patch:
        folder = tmp_path_factory.mktemp("hand")
        patch.setenv("WAKEBOARD_LOCKS", str(folder / "locks"))
        bench = WIRE["Served"](folder)
        yield bench
        bench.process.kill()
        bench.process.communicate()


def by_hand(text: str) -> str:
    """The bench file without its scanner, probed by hand."""
    start, end = text.index("[instruments.scanner]"), text.index("[links.console]")
    return text[:start] + '[probing]\nby = "hand"\n\n' + text[end:]


class Person:
    """Reads the terminal and does what it says."""

    def __init__(self, folder: Path, scanner: int, channels: dict[str, str], arguments: list[str]) -> None:
        self.channels, self.scanner = channels, scanner
        self.master, slave = pty.openpty()
        environment = {
            **os.environ, "PYTHONPATH": str(ROOT), "WAKEBOARD_LOCKS": str(folder / "locks"), "NO_COLOR": "1",
        }  # fmt: skip
        self.process = subprocess.Popen(
            [sys.executable, "-m", "wakeboard", *arguments],
            cwd=folder, env=environment, stdin=slave, stdout=slave, stderr=slave, close_fds=True,
        )  # fmt: skip
        os.close(slave)
        self.said, self.read, self.acted = "", 0, time.monotonic()
        self.probed: list[str] = []

    def work(self) -> int:
        """Until the program ends; its exit code."""
        try:
            return self._work()
        finally:
            if self.process.poll() is None:
                self.process.kill()
            self.process.wait()
            os.close(self.master)

    def _work(self) -> int:
        ends = time.monotonic() + LATE
        os.set_blocking(self.master, False)
        while self.process.poll() is None:
            assert time.monotonic() < ends, self.said
            with contextlib.suppress(BlockingIOError, OSError):
                self.said += os.read(self.master, 65536).decode(errors="replace")
            if not self._obey():
                time.sleep(0.02)
        with contextlib.suppress(BlockingIOError, OSError):
            self.said += os.read(self.master, 65536).decode(errors="replace")
        return self.process.returncode

    def _obey(self) -> bool:
        """The next thing that is asked for in what was not looked at yet."""
        found = PROMPT.search(self.said, self.read)
        if found is None:
            still = time.monotonic() - self.acted
            if still > 5 * PATIENCE or (still > PATIENCE and "not moved yet" in self.said[-120:]):
                self._press(b"\n")  # the new point reads as the old one did: the person knows that the probe is on it
            return False
        self.read = found.end()
        self.acted = time.monotonic()
        if found["net"]:
            self.probed.append(found["net"])
            self._leads(ALL_OFF, f"ROUT:CLOS (@{self.channels[found['net']]})")
        elif found["tips"]:
            self._leads(ALL_OFF, f"ROUT:CLOS (@{self.channels['tips']})")
            self._press(b"\n")
        else:
            if found[0].endswith("power on"):
                self._leads(ALL_OFF)  # the probes come off the board before power
            self._press(b"s" if found["turn"] else b"\n")
        return True

    def _press(self, key: bytes) -> None:
        self.acted = time.monotonic()
        os.write(self.master, key)

    def _leads(self, *commands: str) -> None:
        with socket.create_connection(("127.0.0.1", self.scanner), timeout=10) as link:
            for command in commands:
                link.sendall(command.encode() + b"\n")
                time.sleep(HAND)
            link.sendall(b"*OPC?\n")
            link.recv(100)


@pytest.mark.timeout(240)
def test_the_person_holds_the_probe_and_the_reading_is_taken_when_it_is_steady(served: Any) -> None:
    folder = served.folder
    described = load_bench(folder / "bench.toml")
    (folder / "hand.toml").write_text(by_hand((folder / "bench.toml").read_text()))
    from wakeboard.harness.describe.load import load_board

    board = load_board(folder / "board.toml")
    channels = {board.net_of(point): str(route) for point, route in described.probing.routes.items()}
    channels["tips"] = str(described.probing.short)
    scanner = int(described.instruments["scanner"].address.split("::")[2])
    person = Person(
        folder, scanner, channels, ["explain", served.look, "--ask", "--bench", "hand.toml", "--alone"]
    )  # fmt: skip
    code = person.work()
    assert code == 0, person.said
    assert not served.on()
    assert {"RADIO_RST", "FLASH_CS"} & set(person.probed)  # the two lines that are odd
    assert "VUSB" in person.probed  # its check for a short
    assert "+3V3" in person.probed  # the discharge of the rails
    said = " ".join(person.said.split())
    assert "R14" in said
    assert "outputs confirmed off" in said
    with Store.open(folder / "wakeboard.db") as store:
        (kept,) = store.runs(sequence=ASKED)
        assert any(step.kind == "probe" and step.outcome == "pass" for step in store.run(kept.id).steps)
