"""One virtual bench and one nursery: runs one after another, each with a fresh store, judged when it has ended.

with Lane(folder) as lane:
    verdict = lane.run(spec={"role": "guard", "op": "write", "n": 7, "once": True})
    verdict = lane.run(during=kill_it)          # during(lane, going) is called while the run goes on
"""

from __future__ import annotations

import itertools
import json
import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from tests.campaign import board
from tests.campaign.judge import Event, Verdict, judge, record, said

ROOT = Path(__file__).parents[2]
GIVE_UP = 90.0  # s: no bound of the guard is longer
LATENCY = 0.02  # s: what each message takes the instrument: so a run has a hundred messages, not a thousand
TIMEOUT = "400 ms"  # of the bench's links


@dataclass
class Going:
    """A run under way."""

    number: int
    folder: Path
    start: int  # place in the instrument's record
    pid: int = 0
    status: int | None = None
    fault_at: float | None = None
    settled: bool = False  # `during` has waited for the outputs itself
    held: list[int] = field(default_factory=list)

    @property
    def log(self) -> Path:
        return self.folder / f"run{self.number}.log"

    @property
    def db(self) -> Path:
        return self.folder / f"run{self.number}.db"

    @property
    def out(self) -> Path:
        return self.folder / f"run{self.number}.out"

    def notes(self) -> list[dict[str, Any]]:
        return said(self.log)

    @property
    def guard(self) -> int | None:
        """The process number of the guard, once it was started."""
        return next((each["pid"] for each in self.notes() if each["what"] == "guard"), None)


def gone(pid: int) -> bool:
    """Ended, or a zombie that nobody has waited for yet."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True


class Lane:
    def __init__(self, folder: Path, latency: float = LATENCY) -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in {"board.toml": board.BOARD, **board.SEQUENCES}.items():
            (folder / name).write_text(text, encoding="utf-8")
        self.record_file = folder / "record.txt"
        self.record_file.touch()
        environment = {**os.environ, "PYTHONPATH": str(ROOT), "WAKEBOARD_LOCKS": str(folder / "locks"),
                       "OPENBLAS_NUM_THREADS": "1"}  # fmt: skip
        self._server = _start(
            "served", "board.toml", "record.txt", str(latency), folder=folder, environment=environment
        )
        self._nursery = _start("nursery", str(folder), folder=folder, environment=environment)
        told = json.loads(_line(self._server))
        self.ports: dict[str, int] = told["ports"]
        self.description: dict[str, Any] = told["bench"]
        self.bench_file = self.write_bench(self.ports)
        _line(self._nursery)
        self._numbers = itertools.count(1)
        self._template = self._make_template()

    def _make_template(self) -> Path:
        from wakeboard.results.store.store import Store

        path = self.folder / "template.db"
        Store.open(path).close()
        return path

    def write_bench(self, ports: dict[str, int], name: str = "bench.toml", timeout: str = TIMEOUT) -> str:
        """A bench file that reaches the instruments at these ports."""
        from wakeboard.harness.cli.virtual import bench_toml

        told = json.loads(json.dumps(self.description))
        for each, entry in told["instruments"].items():
            entry.update(address=f"TCPIP::127.0.0.1::{ports[each]}::SOCKET", timeout=timeout)
        (self.folder / name).write_text(bench_toml("Tiny", "T-1", told), encoding="utf-8")
        return name

    # --- the bench --------------------------------------------------------------------------------------------------
    def order(self, do: str, **what: Any) -> Any:
        assert self._server.stdin is not None
        self._server.stdin.write(json.dumps({"do": do, **what}).encode() + b"\n")
        self._server.stdin.flush()
        return json.loads(_line(self._server))

    def on(self) -> list[str]:
        return [name for name, state in self.order("state").items() if state["on"]]

    def events(self, going: Going) -> list[Event]:
        return record(self.record_file, going.start)

    # --- runs -------------------------------------------------------------------------------------------------------
    def begin(self, spec: dict[str, Any] | None = None, *, bench: str | None = None, sequence: str = "sequence.toml",
              fsize: int | None = None, deaf: bool = False) -> Going:  # fmt: skip
        """deaf: SIGINT is ignored where the run begins."""
        self.order("reset")
        going = Going(next(self._numbers), self.folder, self.record_file.stat().st_size)
        shutil.copy(self._template, going.db)
        order = {"id": going.number, "sequence": sequence, "bench": bench or self.bench_file, "db": going.db.name,
                 "log": going.log.name, "out": going.out.name, "spec": spec or {}, "fsize": fsize,
                 "deaf": deaf}  # fmt: skip
        assert self._nursery.stdin is not None
        self._nursery.stdin.write(json.dumps(order).encode() + b"\n")
        self._nursery.stdin.flush()
        going.pid = json.loads(_line(self._nursery))["pid"]
        return going

    def end(self, going: Going, failed: Callable[[], float | None] = lambda: None) -> Verdict:
        """Wait for runner and guard, then judge. A process that never ends is killed and told of.

        failed: when something outside of the processes failed.
        """
        told = json.loads(_line(self._nursery))
        going.status = told["status"]
        guard = going.guard
        stuck = guard is not None and not self.until(lambda: gone(guard), GIVE_UP)
        if stuck and guard is not None:
            os.kill(guard, 9)
        noted = next((each["time"] for each in going.notes() if each["what"] == "failed"), None)
        at = next((time for time in (going.fault_at, failed(), noted) if time is not None), None)
        out = going.out.read_text(errors="replace") if going.out.exists() else ""
        verdict = judge(self.events(going), going.notes(), going.db, going.status, out, at)
        if stuck:
            verdict.odd = True
            verdict.notes.append("the guard did not end")
        if not verdict.bad:
            self._tidy(going)
        return verdict

    def _tidy(self, going: Going) -> None:
        for path in self.folder.glob(f"run{going.number}.*"):
            path.unlink()

    def run(self, spec: dict[str, Any] | None = None, during: Callable[[Lane, Going], None] | None = None,
            **options: Any) -> Verdict:  # fmt: skip
        going = self.begin(spec, **options)
        if during is not None:
            during(self, going)
        return self.end(going)

    def until(self, seen: Callable[[], Any], within: float) -> Any:
        ends = time.monotonic() + within
        while time.monotonic() < ends:
            found = seen()
            if found:
                return found
            time.sleep(0.005)
        return None

    def close(self) -> None:
        for process in (self._nursery, self._server):
            assert process.stdin is not None
            process.stdin.close()
            try:
                process.wait(5)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            assert process.stdout is not None
            process.stdout.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: BaseException | None, _tb: TracebackType | None
    ) -> None:
        self.close()


def _start(module: str, *arguments: str, folder: Path, environment: dict[str, str]) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", f"tests.campaign.{module}", *arguments],
        cwd=folder, env=environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
    )  # fmt: skip


def _line(process: subprocess.Popen[bytes]) -> bytes:
    assert process.stdout is not None
    line = process.stdout.readline()
    if not line:
        raise RuntimeError(f"{process.args!r} ended with {process.wait()}")
    return line


def free_port() -> int:
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        return int(unused.getsockname()[1])
