"""Whether an explanation takes longer among many units in a store than among few: processor time, in turn, as a ratio.

    OPENBLAS_NUM_THREADS=1 python tests/benchmarks/explain_store.py [--few 20] [--many 500] [--rounds 3]

Two stores are filled with runs of Skep under new serial numbers, of a few faults by turns; the latest run of each
is explained as the command does it, from an opened store on.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from explain_trials import Line

from wakeboard.harness.explain.explaining import explain_run
from wakeboard.results.records import RunRecord
from wakeboard.results.store.store import Store

FAULTS = ((), ("R14:missing",), ("U5.NRST:pull_up=13k",), (), ("D3:reversed",))


def filled(file: Path, runs: list[RunRecord], units: int) -> None:
    with Store.open(file, create=True) as store:
        for k in range(units):
            run = runs[k % len(runs)]
            made = store.begin_run(replace(run.start, unit=f"M-{k:04d}"))
            for step in run.steps:
                store.commit_step(made, step)
            store.end_run(made, run.outcome or "fail", outputs_off=True, energised_s=1.0, trip=None)


def seconds(file: Path) -> float:
    started = time.process_time()
    with Store.open(file) as store:
        explain_run(store)
    return time.process_time() - started


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--few", type=int, default=20)
    parser.add_argument("--many", type=int, default=500)
    parser.add_argument("--rounds", type=int, default=3)
    asked = parser.parse_args()
    line = Line.of()
    runs = [line.run(list(faults), " and ".join(faults) or "good") for faults in FAULTS]
    with tempfile.TemporaryDirectory() as folder:
        stores = {count: Path(folder, f"{count}.db") for count in (asked.few, asked.many)}
        for count, file in stores.items():
            filled(file, runs, count - count % len(runs) + 1)  # both end with the same run
        seconds(stores[asked.few])  # what is imported or compiled at first use
        taken: dict[int, list[float]] = {count: [] for count in stores}
        for _ in range(asked.rounds):
            for count, file in stores.items():
                taken[count].append(seconds(file))
    few, many = (min(taken[count]) for count in stores)
    print(f"among {asked.few}: {few:.2f} s, among {asked.many}: {many:.2f} s of processor, {many / few:.2f} times")


if __name__ == "__main__":
    main()
