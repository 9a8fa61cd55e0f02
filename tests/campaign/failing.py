"""Faults inside a process under test, and its own record of which reply it took for which question.

`install(role, spec, log)` changes classes of the process that it is called in: a forked runner, or the guard, which is
then started through this module (`python -m tests.campaign.failing`). The product knows nothing of it.

spec: {"role": "runner" | "guard", "op": one of OPS, "n": 1 …, "once": true | false}. The N-th operation of that role
fails, and, unless `once`, all after it. Failures are what the operating system would raise there:

    write   the message is not sent: EPIPE
    read    the connection is reset while waiting: ECONNRESET
    query   the message is sent, its reply comes too late and is still to come
    commit  SQLite says "disk I/O error": with odd N nothing was committed, with even N everything was
    spawn   no process can be started: EAGAIN

"quiet": true leaves the links as they are, for measuring how fast they are: no reply is noted then.

The log takes a line of JSON an event. "took" is a reply that the link handed to a driver, with its times; "void": the
driver could not read it after all.
"""

from __future__ import annotations

import errno
import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from typing import Any

OPS = ("write", "read", "query", "commit", "spawn")
ENVIRONMENT = "WAKEBOARD_CAMPAIGN"


class Log:
    def __init__(self, path: str, role: str) -> None:
        self.path = path
        self.role = role
        self._file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)

    def add(self, what: str, **more: Any) -> None:
        line = json.dumps({"time": time.monotonic(), "role": self.role, "what": what, **more})
        os.write(self._file, line.encode() + b"\n")


class Faults:
    """Counts operations and says when one fails."""

    def __init__(self, role: str, spec: dict[str, Any], log: Log) -> None:
        self.spec = spec if spec.get("role") in (role, "both") else {}
        self.log = log
        self.counts = dict.fromkeys(OPS, 0)

    def due(self, op: str) -> int:
        """The number of this operation where it has to fail, else 0."""
        self.counts[op] += 1
        number = self.counts[op]
        if self.spec.get("op") != op or number < self.spec["n"] or (self.spec["once"] and number > self.spec["n"]):
            return 0
        if number == self.spec["n"]:
            self.log.add("failed", op=op, n=number)
        return number


def install(role: str, spec: dict[str, Any], log: Log) -> Faults:
    faults = Faults(role, spec, log)
    if not spec.get("quiet"):
        _wire(faults)
        _link(faults, log)
    if role == "runner":
        _store(faults)
        _spawn(faults, log, spec)
    else:
        _lease(log)
    return faults


def _wire(faults: Faults) -> None:
    from wakeboard.instruments.link import wire

    write, read = wire.SocketWire.write, wire.SocketWire.read

    def failing_write(self: Any, data: bytes, deadline: float) -> None:
        if faults.due("write"):
            raise BrokenPipeError(errno.EPIPE, "Broken pipe")
        write(self, data, deadline)

    def failing_read(self: Any, deadline: float) -> bytes:
        if faults.due("read"):
            raise ConnectionResetError(errno.ECONNRESET, "Connection reset by peer")
        return read(self, deadline)

    wire.SocketWire.write, wire.SocketWire.read = failing_write, failing_read  # type: ignore[method-assign]


def _link(faults: Faults, log: Log) -> None:
    from wakeboard.instruments.errors import IdentityError
    from wakeboard.instruments.link import link
    from wakeboard.instruments.link.wire import WireTimeout

    exchange, receive, garbled = link.Link._exchange, link.Link._receive, link.Link.garbled
    confirm = link.Link._confirm_identity
    late = {"now": False}

    def timed(self: Any, line: str, timeout: float, length: int | None) -> str:
        started = time.monotonic()
        late["now"] = bool(faults.due("query"))
        reply = exchange(self, line, timeout, length)
        log.add("took", name=self.name, line=line, reply=reply, started=started)
        return reply

    def receiving(self: Any, deadline: float, length: int | None) -> bytes:
        if late["now"]:
            late["now"] = False
            raise WireTimeout
        return receive(self, deadline, length)

    def voiding(self: Any, line: str, reply: str, why: str) -> Any:
        log.add("void", name=self.name)
        garbled(self, line, reply, why)

    def confirming(self: Any) -> None:
        try:
            confirm(self)
        except IdentityError:
            log.add("void", name=self.name)
            raise

    link.Link._confirm_identity = confirming  # type: ignore[method-assign]
    link.Link._exchange, link.Link._receive, link.Link.garbled = timed, receiving, voiding  # type: ignore[method-assign,assignment]


def _store(faults: Faults) -> None:
    from wakeboard.results.store import engine as store_engine

    class Connection(sqlite3.Connection):
        def commit(self) -> None:
            number = faults.due("commit") if self.in_transaction else 0
            if number % 2 == 0:
                super().commit()
            if number:
                error = sqlite3.OperationalError("disk I/O error")
                error.sqlite_errorcode, error.sqlite_errorname = sqlite3.SQLITE_IOERR, "SQLITE_IOERR"
                raise error

    def connect(self: Any, path: Any, mode: str) -> sqlite3.Connection:
        return sqlite3.connect(
            f"{path.as_uri()}?mode={mode}", uri=True, timeout=self._busy_s, isolation_level=None,
            check_same_thread=False, factory=Connection,
        )  # fmt: skip

    store_engine.Database._sqlite = connect  # type: ignore[method-assign]


def _spawn(faults: Faults, log: Log, spec: dict[str, Any]) -> None:
    """The guard is started through this module, so that it can be made to fail, too."""
    from wakeboard.harness.run.guard import client

    class Subprocess:
        def __getattr__(self, name: str) -> Any:
            return getattr(subprocess, name)

        def Popen(self, command: list[str], **options: Any) -> Any:
            if faults.due("spawn"):
                raise BlockingIOError(errno.EAGAIN, "Resource temporarily unavailable")
            if spec.get("warm"):
                return Forked(faults, log, spec)
            assert client.PROCESS in command, command
            told = json.dumps({"spec": spec, "log": log.path})
            environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path), ENVIRONMENT: told}
            process = subprocess.Popen([sys.executable, "-m", "tests.campaign.failing"], env=environment, **options)
            log.add("guard", pid=process.pid)
            return process

    client.subprocess = Subprocess()  # type: ignore[assignment]


class Forked:
    """The guard as a fork of the runner, for sweeps of thousands of runs: it saves the start of a Python. What
    subprocess.Popen has and the runner uses is here."""

    def __init__(self, faults: Faults, log: Log, spec: dict[str, Any]) -> None:
        there, back = os.pipe(), os.pipe()
        self.returncode: int | None = None
        self.pid = os.fork()
        if self.pid == 0:
            _guard_in_fork(there[0], back[1], faults, log, spec)
        os.close(there[0])
        os.close(back[1])
        self.stdin, self.stdout = os.fdopen(there[1], "wb"), os.fdopen(back[0], "rb")
        log.add("guard", pid=self.pid)

    def kill(self) -> None:
        if self.poll() is None:
            os.kill(self.pid, signal.SIGKILL)

    def poll(self) -> int | None:
        if self.returncode is None:
            done, status = os.waitpid(self.pid, os.WNOHANG)
            if done:
                self.returncode = os.waitstatus_to_exitcode(status)
        return self.returncode

    def wait(self, timeout: float) -> int:
        ends = time.monotonic() + timeout
        while (code := self.poll()) is None:
            if time.monotonic() > ends:
                raise subprocess.TimeoutExpired("guard", timeout)
            time.sleep(0.002)
        return code


def _guard_in_fork(stdin: int, stdout: int, faults: Faults, log: Log, spec: dict[str, Any]) -> None:
    """The child: only its pipes are left open, and what was changed for the runner is at rest."""
    try:
        os.setsid()
        os.dup2(stdin, 0)
        os.dup2(stdout, 1)
        os.closerange(3, 256)
        faults.spec = {}
        log._file = os.open(os.devnull, os.O_WRONLY)
        _guard(spec, log.path)
    finally:
        os._exit(0)


def _lease(log: Log) -> None:
    """When the runner's lease ended, where the guard found that it had."""
    from wakeboard.harness.run.guard import process
    from wakeboard.instruments.clock import steady

    lose = process.Shell._lose

    def told(self: Any, rule: str, why: str) -> None:
        if rule == "heartbeat":
            log.add("lease over", ended=self.lease_ends + time.monotonic() - steady())  # on the clock of all records
        lose(self, rule, why)

    process.Shell._lose = told  # type: ignore[method-assign]


def main() -> None:
    told = json.loads(os.environ[ENVIRONMENT])
    _guard(told["spec"], told["log"])


def _guard(spec: dict[str, Any], path: str) -> None:
    from wakeboard.harness.run.guard import process

    log = Log(path, "guard")
    faults = install("guard", spec, log)
    started = time.monotonic()
    try:
        process.main()
    finally:
        log.add("counts", counts=faults.counts, cpu=time.process_time(), wall=time.monotonic() - started)


if __name__ == "__main__":
    sys.exit(main())
