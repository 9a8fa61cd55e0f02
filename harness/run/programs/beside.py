"""A program of the user beside a run: started, listened to within bounds, and gone with its children at the end.

    with Program(["./flash.sh", "/dev/ttyUSB0"], folder) as program:
        while not program.wait(0.05):
            context.time.pulse()
    program.code, program.output.text

It runs on the leash of a process of its own (leash.py), so that it also ends when the runner is killed.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from typing import IO, Any, Final, Self

from wakeboard.instruments.errors import BenchError
from wakeboard.instruments.own_code import command
from wakeboard.instruments.patterns import HEARD
from wakeboard.results.visible import visible

LEASH: Final = "wakeboard.harness.run.programs.leash"
KEPT: Final = HEARD // 2  # bytes of the output's beginning, and of its end
CHUNK: Final = 1 << 16  # bytes: what a pipe of Linux holds at most by default (pipe(7))
GRACE: Final = 3.0  # s for the leash to kill what is left, and for the rest of the output
HASTE: Final = 0.3  # s for the same where the power is to be cut next
OURS: Final = ("PYTHONSAFEPATH", "OPENBLAS_NUM_THREADS")  # set by Wakeboard for its own processes: not the program's
_CONTROLS: Final = re.compile(r"\x1b\[[0-?]*[ -/]*[@-~]")  # colours and cursor, ECMA-48 5.4


class Output:
    """What a program printed: its beginning and its end, however much it was."""

    def __init__(self) -> None:
        self.bytes = 0
        self._head = bytearray()
        self._tail = bytearray()
        self._lock = threading.Lock()

    def take(self, data: bytes) -> None:
        with self._lock:
            self.bytes += len(data)
            room = KEPT - len(self._head)
            self._head += data[:room]
            self._tail += data[room:]
            del self._tail[:-KEPT]

    @property
    def parts(self) -> tuple[str, ...]:
        """The text without colours: whole, or its beginning and its end."""
        with self._lock:
            head, tail, left_out = bytes(self._head), bytes(self._tail), self.left_out
        return tuple(map(_plain, (head, tail) if left_out else (head + tail,)))

    @property
    def left_out(self) -> int:
        """Bytes between the two that were not kept."""
        return self.bytes - len(self._head) - len(self._tail)

    @property
    def text(self) -> str:
        """For a person: every character that a terminal would obey is seen as its escape."""
        between = f"\n[… {self.left_out} bytes were not kept …]\n"
        return between.join("\n".join(map(visible, part.expandtabs().split("\n"))) for part in self.parts).strip("\n")

    @property
    def last_line(self) -> str:
        lines = [line for line in self.text.split("\n") if line.strip()]
        return lines[-1].strip()[-200:] if lines else ""


def _plain(data: bytes) -> str:
    text = data.decode("utf-8", "replace").replace("\r\n", "\n").replace("\r", "\n")
    return _CONTROLS.sub("", text)


class Program:
    """Use as a context manager: at its end the program and its children are killed."""

    def __init__(self, argv: Sequence[str], folder: str) -> None:
        """Raises BenchError where it cannot be started at all."""
        self.output = Output()
        self.code: int | None = None
        self._failed = ""
        self._pid: int | None = None
        self._ended = threading.Event()
        self._argv = argv
        try:
            options: dict[str, Any] = {"env": {name: text for name, text in os.environ.items() if name not in OURS}}
            options |= {} if sys.platform == "win32" else {"start_new_session": True}
            self._leash = subprocess.Popen(
                command(LEASH), stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, **options
            )
        except OSError as error:
            raise BenchError(f"no further process can be started: {error.strerror or error}") from None
        self._threads = [self._follow(self._leash.stdout, self._told), self._follow(self._leash.stderr, self._heard)]
        with contextlib.suppress(OSError):  # one that died at once is told by `wait`
            assert self._leash.stdin is not None
            self._leash.stdin.write(json.dumps({"argv": list(argv), "folder": folder}).encode() + b"\n")
            self._leash.stdin.flush()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: object, *_error: object) -> None:
        self.close(GRACE if kind is None else HASTE)

    def wait(self, seconds: float) -> bool:
        """Whether it has ended within s. Raises BenchError where it could not be started, or its leash was killed."""
        if not self._ended.wait(seconds):
            return False
        if self.code is None:
            told = (
                f"cannot be started: {self._failed}" if self._failed else "was let go: the process that keeps it died"
            )
            raise BenchError(f'the program "{visible(self._argv[0])}" {told}')
        return True

    def close(self, grace: float = GRACE) -> None:
        """Killed, if it still runs; the rest of its output is taken."""
        assert self._leash.stdin is not None
        with contextlib.suppress(OSError):
            self._leash.stdin.close()
        self._ended.wait(grace)
        if self._leash.poll() is None and not self._ended.is_set():
            self._leash.kill()
        if self.code is None and self._pid is not None and sys.platform != "win32":
            with contextlib.suppress(ProcessLookupError, PermissionError):
                os.killpg(self._pid, signal.SIGKILL)
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._leash.wait(grace)
        for thread in self._threads:
            thread.join(grace)

    def _follow(self, stream: IO[bytes] | None, work: Callable[[IO[bytes]], None]) -> threading.Thread:
        assert stream is not None
        thread = threading.Thread(target=work, args=(stream,), daemon=True)
        thread.start()
        return thread

    def _heard(self, stream: IO[bytes]) -> None:
        with contextlib.suppress(OSError, ValueError), stream:
            while data := os.read(stream.fileno(), CHUNK):
                self.output.take(data)

    def _told(self, stream: IO[bytes]) -> None:
        with contextlib.suppress(OSError, ValueError), stream:
            for line in stream:
                told = json.loads(line)
                self._pid = told.get("started", self._pid)
                self._failed = told.get("failed", self._failed)
                self.code = told.get("code", self.code)
        self._ended.set()
