"""A warm process that forks a real run for each order: everything is imported and the board compiled once.

    python -m tests.campaign.nursery FOLDER

Takes lines of JSON: {"id", "sequence", "bench", "db", "log", "out", "spec", "fsize", "deaf"}; says {"id", "pid"} when
a run has begun and {"id", "status"} when it has ended. A run is what `wakeboard run` does: files, store, guard's
process, result.
"""

from __future__ import annotations

import hashlib
import json
import os
import resource
import select
import signal
import sys
from typing import Any

from tests.campaign import failing
from tests.campaign.board import SEQUENCES

IDENTITIES = (
    ("Keysight Technologies,E36312A,X,1", "psu"),
    ("Keysight Technologies,34461A,X,1", "dmm"),
    ("HEWLETT-PACKARD,34970A,0,1", "scanner"),
)


def digest(step: Any) -> str:
    """What a step says, to be compared after reopening the store."""
    told = [step.number, step.name, step.outcome, [(r.of, r.quantity, r.value, r.outcome) for r in step.readings]]
    return hashlib.sha256(repr(told).encode()).hexdigest()[:16]


def run(order: dict[str, Any], sequences: dict[str, Any]) -> int:
    """In the forked child: one unit through the sequence. Returns the exit code of `wakeboard run`."""
    from wakeboard.harness.describe.load import load_bench
    from wakeboard.harness.run.session import exit_code, take_unit
    from wakeboard.instruments.errors import BenchError
    from wakeboard.results.store.errors import StoreError
    from wakeboard.results.store.store import Store

    before = set(sys.modules)
    log = failing.Log(order["log"], "runner")
    faults = failing.install("runner", order.get("spec") or {}, log)
    if order.get("fsize"):
        resource.setrlimit(resource.RLIMIT_FSIZE, (order["fsize"], order["fsize"]))
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    sequence = sequences[order["sequence"]]
    try:
        with Store.open(order["db"]) as store:
            begin, commit, end = store.begin_run, store.commit_step, store.end_run

            def begun(start: Any) -> str:
                run_id = begin(start)
                log.add("begun", run=run_id)
                return run_id

            def committed(run_id: str, step: Any) -> None:
                commit(run_id, step)
                log.add("ack", step=step.number, digest=digest(step))

            def ended(run_id: str, *arguments: Any, **options: Any) -> None:
                end(run_id, *arguments, **options)
                log.add("ended", run=run_id)

            store.begin_run, store.commit_step, store.end_run = begun, committed, ended  # type: ignore[method-assign]
            described = load_bench(order["bench"], sequence.board)
            result = take_unit(sequence, unit="T-1", described=described, store=store, energise=True)
    except (BenchError, StoreError) as error:
        log.add("refused", kind=type(error).__name__, says=str(error))
        return 3
    finally:
        log.add("counts", counts=faults.counts)
        log.add("late imports", names=sorted(set(sys.modules) - before))
    code = exit_code(result)
    log.add("result", code=code, outcome=result.outcome, off=dict(result.off.states), says=result.record.says,
            error=type(result.error).__name__)  # fmt: skip
    return code


class Drains:
    """Where a run may write no file: its words go through FIFOs, which have no size, and are kept here."""

    def __init__(self) -> None:
        self.files: dict[int, int] = {}

    def open(self, order: dict[str, Any]) -> None:
        for number, kept in self.files.items():
            os.close(number)
            os.close(kept)
        self.files.clear()
        if not order.get("fsize"):
            return
        for key in ("log", "out"):
            path = order[key] + ".fifo"
            os.mkfifo(path)
            number = os.open(path, os.O_RDWR | os.O_NONBLOCK)
            self.files[number] = os.open(order[key], os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
            order[key] = path

    def drain(self, numbers: list[int]) -> None:
        for number in numbers:
            if number in self.files:
                os.write(self.files[number], os.read(number, 1 << 16))


def _child(order: dict[str, Any], sequences: dict[str, Any]) -> None:
    out = os.open(order["out"], os.O_WRONLY | os.O_CREAT, 0o644)
    null = os.open(os.devnull, os.O_RDONLY)
    for number, target in ((null, 0), (out, 1), (out, 2)):
        os.dup2(number, target)
    code = 70
    # as at a terminal, however the campaign itself was started, or as in the background of a shell (POSIX, XCU 2.11)
    signal.signal(signal.SIGINT, signal.SIG_IGN if order.get("deaf") else signal.default_int_handler)
    try:
        code = run(order, sequences)
    except BaseException:  # noqa: BLE001  a traceback is a finding, too
        import traceback

        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


def main(folder: str) -> None:
    import gc

    import pyvisa_py.tcpip  # noqa: F401
    import sqlalchemy  # noqa: F401

    import wakeboard.harness.run.session
    import wakeboard.instruments.scpi.opening
    import wakeboard.results.store.store  # noqa: F401
    from wakeboard.harness.describe.load import load_sequence
    from wakeboard.harness.describe.sequence.steps import step_kinds
    from wakeboard.harness.run.guard import client  # noqa: F401
    from wakeboard.instruments.dialect import pick_dialect

    step_kinds()
    for idn, kind in IDENTITIES:
        pick_dialect(idn, kind)  # dialects are read once a process
    os.chdir(folder)
    sequences = {name: load_sequence(name) for name in SEQUENCES}
    gc.freeze()
    running: dict[int, Any] = {}
    pending = b""
    drains = Drains()
    print(json.dumps({"ready": True}), flush=True)
    while True:
        readable, _, _ = select.select([0, *drains.files], [], [], 0.005 if running else None)
        drains.drain(readable)
        if 0 in readable:
            data = os.read(0, 65536)
            if not data:
                return
            *lines, pending = (pending + data).split(b"\n")
            for line in lines:
                order = json.loads(line)
                drains.open(order)
                pid = os.fork()
                if pid == 0:
                    _child(order, sequences)
                running[pid] = order["id"]
                print(json.dumps({"id": order["id"], "pid": pid}), flush=True)
        for pid in list(running):
            done, status = os.waitpid(pid, os.WNOHANG)
            if done:
                drains.drain(select.select(list(drains.files), [], [], 0)[0])
                print(json.dumps({"id": running.pop(pid), "status": os.waitstatus_to_exitcode(status)}), flush=True)


if __name__ == "__main__":
    main(sys.argv[1])
