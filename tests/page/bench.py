"""The toy board on a virtual bench at real sockets, and a person whose hands the test moves: no scanner, its channels
are the probe. The commands run as a person starts them, in processes of their own."""

from __future__ import annotations

import os
import re
import runpy
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests import warm
from wakeboard.harness.cli.virtual import bench_toml
from wakeboard.harness.describe.load import load_board
from wakeboard.harness.run.bench.virtual import virtual_bench
from wakeboard.instruments.virtual.wire.server import running

POWERED = (
    '[[step]]\ndo = "power on"\nsupply = "USB"\nlimit = "100 mA"\nwhy = "a test"\n[[step]]\ndo = "rails"\n'
    '[[step]]\ndo = "power off"\n'
)
LATE = 90.0  # s


class HandBench:
    """folder: board.toml, hand.toml (by hand), bench.toml (through the scanner)."""

    def __init__(self, folder: Path, bench: Any, addresses: Any) -> None:
        self.folder = folder
        self.bench = bench
        document = bench.bench_description(addresses.instruments)
        (folder / "bench.toml").write_text(bench_toml("Toy", "T-1", document))
        board = load_board(folder / "board.toml")
        scanner = document["instruments"].pop("scanner")
        self.routes = {board.net_of(point): channel for point, channel in document["probing"]["routes"].items()}
        self.routes["the other tip"] = document["probing"]["short"]
        document["probing"] = {"by": "hand"}
        (folder / "hand.toml").write_text(bench_toml("Toy", "T-1", document))
        self.scanner = scanner["address"].split("::")[1:3]
        supply = next(each for each in document["instruments"].values() if each["kind"] == "psu")
        self.supply = supply["address"].split("::")[1:3]

    def steps(self, text: str, name: str = "steps.toml") -> Path:
        path = self.folder / name
        path.write_text(f'title = "By hand"\nboard = "board.toml"\n{text}', encoding="utf-8")
        return path

    def hand(self, net: str) -> None:
        """The probe on a net; in the air for ""."""
        line = f"ROUT:CLOS:EXCL (@{self.routes[net]})" if net else (
            f"ROUT:OPEN (@{','.join(map(str, self.routes.values()))})"
        )  # fmt: skip
        self._ask(self.scanner, f"{line};*OPC?")

    @staticmethod
    def _ask(where: list[str], line: str) -> str:
        with socket.create_connection((where[0], int(where[1])), timeout=20) as link:
            link.sendall(f"{line}\n".encode())
            return link.recv(200).decode()

    def switch_on(self) -> None:
        """The output, 3 V, as at the supply's own panel."""
        self._ask(self.supply, "APPL 3,0.1;:OUTP ON;*OPC?")

    @property
    def on(self) -> bool:
        """Whether any output is on, at the instrument itself."""
        return bool(self.bench.outputs_on)


def write_toy(folder: Path) -> None:
    """The toy board's file."""
    source = runpy.run_path(str(Path(__file__).parents[1] / "run" / "toy.py"))
    (folder / "board.toml").write_text(source["BOARD"], encoding="utf-8")


@contextmanager
def hand_bench(folder: Path, heard: Any = None) -> Iterator[HandBench]:
    """heard: told what each instrument hears and says (instruments/virtual/wire/server.py)."""
    write_toy(folder)
    bench = virtual_bench(load_board(folder / "board.toml"), unit="T-1", transients=False)
    with running(bench, heard=heard) as addresses:
        yield HandBench(folder, bench, addresses)


class Command:
    """`wakeboard …` without a terminal; what it says is gathered line by line. cold: see tests/warm.py"""

    def __init__(self, folder: Path, *arguments: str, cold: bool = False) -> None:
        environment = {**os.environ, "WAKEBOARD_LOCKS": str(folder / "locks"), "NO_COLOR": "1"}
        self.process = (warm.cold if cold else warm.start)(arguments, folder, environment, together=True)
        self.said: list[str] = []
        self._used: set[str] = set()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.said.append(line.decode())

    @property
    def text(self) -> str:
        return "".join(self.said)

    def until(self, pattern: str, late: float = LATE) -> re.Match[str]:
        ends = time.monotonic() + late
        while time.monotonic() < ends:
            if found := re.search(pattern, self.text):
                return found
            assert self.process.poll() is None or time.monotonic() < ends - late + 2, self.text
            time.sleep(0.05)
        raise AssertionError(f"never said {pattern!r}:\n{self.text}")

    @property
    def address(self) -> str:
        return self.until(r"page: (\S+)")[1]

    def an_address(self, what: str = "page") -> str:
        """One that nobody has used: each is good once, and the next is printed then."""
        ends = time.monotonic() + LATE
        while not (fresh := [each for each in re.findall(rf"{what}: (\S+)", self.text) if each not in self._used]):
            assert time.monotonic() < ends, self.text
            time.sleep(0.05)
        self._used.add(fresh[-1])
        return str(fresh[-1])

    @property
    def code(self) -> str:
        return self.until(r"code: (\d+)")[1]

    def page_pid(self) -> int:
        """The process that serves the page: a child of the command."""
        found = subprocess.run(["ps", "-ww", "-o", "pid=,args=", "--ppid", str(self.process.pid)], capture_output=True,
                               text=True, check=True).stdout  # fmt: skip
        return int(next(line.split()[0] for line in found.splitlines() if "harness.page.server" in line))

    def wait(self, late: float = LATE) -> int:
        code = self.process.wait(late)
        time.sleep(0.2)
        return code

    def __enter__(self) -> Command:
        return self

    def __exit__(self, *_error: object) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
            try:
                self.process.wait(20)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait(10)
        self._reader.join(5)
        assert self.process.stdout is not None
        self.process.stdout.close()
