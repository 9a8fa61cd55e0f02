"""`wakeboard`, or pytest, in a process of its own that is warm: forked from one that has imported all and run a board.

    process = warm.start(["run", …], folder, environment)     used as subprocess.Popen is

A command that is started cold spends most of its processor time on imports and on fetching the compiled solver. What
the tests look at comes after: what is on when a process is killed, hangs or is told to stop. From `harness.cli.main` on
all is as in any other process, its end too. On another system than Linux, and where the start itself counts, it is
started cold.

The forking process is started once by each process of pytest that wants one. It gets an order, as one message with four
files (input, output, errors, and where to say the process number and later the exit code), and is alone in its process:
no thread of it is lost by a fork.
"""

from __future__ import annotations

import atexit
import contextlib
import functools
import gc
import json
import os
import select
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import IO, Any

import pytest

ROOT = Path(__file__).parents[1]
ENVIRONMENT = dict(os.environ)  # before a test changes it for itself
MOST = 1 << 18  # bytes of an order: a whole environment


class Process:
    """What tests use of subprocess.Popen."""

    def __init__(self, args: Sequence[str], status: int, stdout: IO[bytes], stderr: IO[bytes] | None) -> None:
        self.args = args
        self.stdin, self.stdout, self.stderr = None, stdout, stderr
        self.returncode: int | None = None
        self._status = os.fdopen(status, "rb", buffering=0)
        self._kept: dict[int, bytes] = {}
        self._readers: list[threading.Thread] = []
        self.pid = self._told()

    def _told(self) -> int:
        line = b""
        while not line.endswith(b"\n"):
            piece = self._status.read(1)
            assert piece, "the process that forks has ended"
            line += piece
        return int(line)

    def poll(self) -> int | None:
        if self.returncode is None and select.select([self._status], [], [], 0)[0]:
            self.returncode = self._told()
            self._status.close()
        return self.returncode

    def wait(self, timeout: float | None = None) -> int:
        if self.returncode is None and not select.select([self._status], [], [], timeout)[0]:
            raise subprocess.TimeoutExpired(self.args, timeout or 0.0)
        code = self.poll()
        assert code is not None
        return code

    def send_signal(self, number: int) -> None:
        if self.poll() is None:
            os.kill(self.pid, number)

    def terminate(self) -> None:
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)

    def communicate(self, timeout: float | None = None) -> tuple[bytes, bytes]:
        """Output and errors to their end, then the process's; once more: the same again."""
        if not self._readers:
            for number, stream in enumerate((self.stdout, self.stderr)):
                if stream is not None:
                    self._readers.append(threading.Thread(target=self._read, args=(number, stream), daemon=True))
                    self._readers[-1].start()
        ends = None if timeout is None else time.monotonic() + timeout
        for reader in self._readers:
            reader.join(None if ends is None else max(0.0, ends - time.monotonic()))
            if reader.is_alive():
                raise subprocess.TimeoutExpired(self.args, timeout or 0.0)
        self.wait(None if ends is None else max(0.0, ends - time.monotonic()))
        return self._kept.get(0, b""), self._kept.get(1, b"")

    def _read(self, number: int, stream: IO[bytes]) -> None:
        with stream:
            self._kept[number] = stream.read()


def start(
    arguments: Sequence[str], folder: Path, environment: Mapping[str, str], *, together: bool = False,
    program: str = "wakeboard",
) -> Any:  # fmt: skip
    """wakeboard with these arguments, in a folder, hearing Ctrl-C. together: errors go where the output goes. program:
    wakeboard or pytest."""
    if sys.platform != "linux":
        return cold(arguments, folder, environment, together=together, program=program)
    with contextlib.ExitStack() as ours:  # the ends that the other process gets: ours are closed in any case

        def closed(number: int) -> int:
            ours.callback(os.close, number)
            return number

        null = closed(os.open(os.devnull, os.O_RDONLY))
        (read_out, out), (read_status, status) = os.pipe(), os.pipe()
        closed(out), closed(status)
        read_err, err = (None, out) if together else os.pipe()
        if not together:
            closed(err)
        order = {"arguments": [program, *arguments], "folder": str(folder), "environment": dict(environment)}
        socket.send_fds(_forker(), [json.dumps(order).encode()], [null, out, err, status])
    errors = None if read_err is None else os.fdopen(read_err, "rb")
    return Process([program, *arguments], read_status, os.fdopen(read_out, "rb"), errors)


def cold(
    arguments: Sequence[str], folder: Path, environment: Mapping[str, str], *, together: bool = False,
    program: str = "wakeboard",
) -> subprocess.Popen[bytes]:  # fmt: skip
    """The same as a person starts it."""
    return subprocess.Popen(
        [sys.executable, "-m", program, *arguments],
        cwd=folder, env=environment, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT if together else subprocess.PIPE,
        preexec_fn=None if sys.platform == "win32" else hears_ctrl_c,
    )  # fmt: skip


def hears_ctrl_c() -> None:
    """As at a terminal: a job in the background of a shell, and what it starts, has SIGINT ignored (POSIX, 2.11)."""
    signal.signal(signal.SIGINT, signal.default_int_handler)


@functools.cache
def _forker() -> socket.socket:
    """The way to the process that forks; it ends when this end is closed."""
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    ours.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 2 * MOST)
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.warm", str(theirs.fileno())],
        cwd=ROOT, env={**ENVIRONMENT, "PYTHONPATH": str(ROOT)}, pass_fds=[theirs.fileno()], stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
    )  # fmt: skip
    theirs.close()

    def end() -> None:
        ours.close()
        process.wait(20)

    atexit.register(end)
    return ours


# --- in the process that forks ----------------------------------------------------------------------------------------
def warm_up() -> None:
    """What commands at a bench import, the compiled solver fetched, one run taken. No thread is left of it."""
    import importlib
    import pkgutil
    import runpy

    import pyvisa_py.tcpip  # noqa: F401

    from wakeboard.harness.cli import execute

    for room in ("harness.cli", "harness.explain", "harness.page", "harness.run", "results.store"):
        package = importlib.import_module(f"wakeboard.{room}")
        for each in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
            importlib.import_module(each.name)
    toy = runpy.run_path(str(ROOT / "tests" / "run" / "toy.py"))
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        os.environ["WAKEBOARD_LOCKS"] = folder
        for name, text in (("board.toml", toy["BOARD"]), ("bring-up.toml", toy["SEQUENCE"])):
            Path(name).write_text(text, encoding="utf-8")
        with open(os.devnull, "w") as nowhere, contextlib.redirect_stderr(nowhere):
            assert execute(["run", "bring-up.toml", "--unit", "T-1", "--no-input"]) == 0
    assert threading.active_count() == 1, threading.enumerate()
    gc.collect()
    gc.freeze()


def serve(orders: socket.socket) -> list[str] | None:
    """Fork for each order. Returns in each new process, with its command line; None where no more will be asked for."""
    running: dict[int, int] = {}  # process number -> where its end is told
    woken, wakes = os.pipe()
    for end in (woken, wakes):
        os.set_blocking(end, False)
    signal.set_wakeup_fd(wakes, warn_on_full_buffer=False)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    while True:
        ready, _, _ = select.select([orders, woken], [], [])
        if woken in ready:
            with contextlib.suppress(BlockingIOError):
                os.read(woken, 4096)
            reap(running)
        if orders in ready:
            message, files, _, _ = socket.recv_fds(orders, MOST, 4)
            if not message:
                return None
            order, status = json.loads(message), files[3]
            pid = os.fork()
            if pid == 0:
                signal.set_wakeup_fd(-1)
                signal.signal(signal.SIGCHLD, signal.SIG_DFL)
                for number in (orders.detach(), woken, wakes, *running.values(), status):
                    os.close(number)
                return begin(order, files[:3])
            for number in files[:3]:
                os.close(number)
            running[pid] = status
            os.write(status, b"%d\n" % pid)


def reap(running: dict[int, int]) -> None:
    for pid in list(running):
        done, status = os.waitpid(pid, os.WNOHANG)
        if done:
            where = running.pop(pid)
            with contextlib.suppress(OSError):  # nobody may wait for it any more
                os.write(where, b"%d\n" % os.waitstatus_to_exitcode(status))
            os.close(where)


def begin(order: dict[str, Any], files: Sequence[int]) -> list[str]:
    """In the new process: its place, its environment and its files are those of the order."""
    hears_ctrl_c()
    for target, number in enumerate(files):
        os.dup2(number, target)
        os.close(number)
    sys.stdin = open(0, closefd=False)  # noqa: SIM115  as Python opens them for what they are now
    sys.stdout = open(1, "w", closefd=False)  # noqa: SIM115
    sys.stderr = open(2, "w", closefd=False, errors="backslashreplace", buffering=1)  # noqa: SIM115
    os.chdir(order["folder"])
    os.environ.clear()
    os.environ.update(order["environment"])
    sys.argv = list(order["arguments"])
    return sys.argv


if __name__ == "__main__":
    warm_up()
    asked = serve(socket.socket(fileno=int(sys.argv[1])))
    if asked is not None and asked[0] == "pytest":
        sys.exit(pytest.console_main())
    if asked is not None:
        from wakeboard.harness.cli import main

        main(asked[1:])
