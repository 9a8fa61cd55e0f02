"""The batch report's data: all runs at once against one run after the other, in one process, at so many runs.

    python tests/benchmarks/batch_report.py --runs 200

Prints CPU seconds of both and their ratio. The runs are copies of a made-up unit's with values drawn anew.
"""

from __future__ import annotations

import argparse
import random
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from wakeboard.results.compare.compare import compare, compare_records
from wakeboard.results.compare.table import table_of_store
from wakeboard.results.records import Reading, RunStart, Step
from wakeboard.results.store.store import Store

STEPS, READINGS = 17, 6


def fill(store: Store, runs: int) -> None:
    draw = random.Random(1)
    for number in range(runs):
        start = RunStart(f"B-{number:04d}", "Bench", "A", 'name = "Bench"', "Batch", 'title = "Batch"')
        key = store.begin_run(start)
        for step in range(1, STEPS + 1):
            readings = [
                Reading(f"N{step}_{k}", "dc volts", draw.gauss(3.3, 0.01), "V", 1e-3, 3.2, 3.4, "pass", "USB=5V@120mA")
                for k in range(READINGS)
            ]
            store.commit_step(key, Step(step, f"step {step}", "rails", "pass", float(step), step + 0.5, readings))
        store.end_run(key, "pass", outputs_off=True, energised_s=1.0)


def one_by_one(store: Store) -> object:
    return compare_records([store.run(each.id, blobs=False) for each in store.runs(board="Bench")])


def at_once(store: Store) -> object:
    return store.heads("Bench"), compare(table_of_store(store, "Bench", latest=True))


def cpu_s(work: Callable[[Store], object], store: Store) -> float:
    """The least of three."""
    taken = []
    for _ in range(3):
        began = time.process_time()
        work(store)
        taken.append(time.process_time() - began)
    return min(taken)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=200)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "batch.db") as store:
        fill(store, asked.runs)
        slow, fast = cpu_s(one_by_one, store), cpu_s(at_once, store)
    print(f"{asked.runs} runs of {STEPS * READINGS} readings: one by one {slow:.3f} s, at once {fast:.3f} s CPU")
    print(f"ratio {slow / fast:.1f}")


if __name__ == "__main__":
    main()
