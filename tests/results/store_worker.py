"""A program to be killed: commits steps and says on standard output what the store has acknowledged.

    python store_worker.py FILE STEPS

Prints "run ID", then "ack N" after each step, "failed N KIND" where the store refused, and "end" after the end. `check`
judges what is left behind: everything acknowledged is there, whole, and once.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from wakeboard.results.records import Reading, RunStart, Step
from wakeboard.results.store.errors import StoreError
from wakeboard.results.store.store import Store

READINGS = 12
WORKER = Path(__file__)


def step(number: int) -> Step:
    readings = [
        Reading(
            f"NET{place}", "dc volts", number + place / 16, "V", 0.001, 0.0, 99.0, state="USB=5V@120mA", time=number
        )
        for place in range(READINGS)
    ]
    traffic = [(number + place / 16, "meter", ">", f"READ? {place}") for place in range(30)]
    return Step(number, f"step {number}", "rails", "pass", number, number + 1, readings, traffic=traffic)


def work(path: str, steps: int) -> None:
    with Store.open(path, busy_s=30.0) as store:
        run = store.begin_run(RunStart("004", "Skep", "A", "board", "First power-on", "sequence", virtual=True))
        print("run", run, flush=True)
        for number in range(1, steps + 1):
            try:
                store.commit_step(run, step(number))
            except StoreError as error:
                print("failed", number, error.kind, error, flush=True)
                return
            print("ack", number, flush=True)
        store.end_run(run, "pass", outputs_off=True, energised_s=1.0)
        print("end", flush=True)


def check(path: str | Path, said: str) -> int:
    """Judges a store against what a worker said; returns the number of acknowledged steps. AssertionError if wrong."""
    lines = [line.split() for line in said.splitlines() if line.endswith(("\n", "")) and line]
    runs = [line[1] for line in lines if line[0] == "run" and len(line) == 2 and len(line[1]) == 32]
    acknowledged = [int(line[1]) for line in lines if line[0] == "ack" and len(line) == 2]
    if not runs:
        return 0
    with Store.open(path, create=False, busy_s=30.0) as store:
        record = store.run(runs[0])
        found = [done.number for done in record.steps]
        assert set(acknowledged) <= set(found), f"lost: {sorted(set(acknowledged) - set(found))}"
        assert found == list(range(1, len(found) + 1)), f"doubled or out of order: {found}"
        assert len(found) <= len(acknowledged) + 1, f"more than was begun: {found} after {acknowledged}"
        for done in record.steps:
            assert list(done.readings) == list(step(done.number).readings), f"step {done.number} is not whole"
            assert len(done.traffic) == 30
        if ["end"] in lines:
            assert record.outcome == "pass"
        with store.database.reading() as connection:
            assert connection.exec_driver_sql("PRAGMA integrity_check").scalar() == "ok"
            assert connection.exec_driver_sql("PRAGMA foreign_key_check").all() == []
    return len(acknowledged)


if __name__ == "__main__":
    work(sys.argv[1], int(sys.argv[2]))
