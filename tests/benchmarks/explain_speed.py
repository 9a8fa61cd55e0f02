"""How long an explanation takes: Skep after its whole bring-up, single faults and pairs, wall clock.

    OPENBLAS_NUM_THREADS=1 python tests/benchmarks/explain_speed.py [--rounds 3] [--table FILE]

The circuit is compiled anew and nothing is solved beforehand, as in the command; imports, and what a compiler keeps
from the first use on, are left out. The best of several rounds counts: other programs only make it longer. Processor
time stands beside it.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

from explain_trials import Line, put, table

from wakeboard.harness.explain.explaining import explain_case
from wakeboard.harness.explain.unit.cases import BoardModel, Case, board_of_run
from wakeboard.results.records import RunRecord

PLANTED: tuple[tuple[str, ...], ...] = (
    ("R14:missing",),
    ("U5.NRST:pull_up=13k",),
    ("U2:variant=2.8 V",),
    ("U7:dead",),
    ("R3:missing",),
    ("D3:reversed",),
    (),
    ("R14:missing", "U5.NRST:pull_up=13k"),
    ("R20:missing", "U9.WP:pull_down=5k"),
    ("D5:missing", "R12:missing"),
)


def once(run: RunRecord, pairs: bool) -> tuple[float, float, int]:
    """(wall seconds, processor seconds, readings) of one explanation from nothing."""
    wall, processor = time.perf_counter(), time.process_time()
    case = Case(run, BoardModel.of(board_of_run(run)))
    explain_case(case, pairs=pairs, ask_next=False)
    return time.perf_counter() - wall, time.process_time() - processor, len(case.observations)


def measure(rounds: int) -> list[list[str]]:
    line = Line.of()
    runs = {faults: line.run(list(faults), " and ".join(faults) or "good") for faults in PLANTED}
    once(runs[PLANTED[0]], pairs=True)  # what is imported or compiled at first use
    rows = []
    for faults, run in runs.items():
        best = []
        for pairs in (False, True):
            taken = [once(run, pairs) for _ in range(rounds)]
            best.append((min(t[0] for t in taken), min(t[1] for t in taken), taken[0][2]))
        row = [" and ".join(faults) or "no fault", str(best[0][2]), *(f"{b[k]:.2f}" for b in best for k in (0, 1))]
        print(" | ".join(row), flush=True)
        rows.append(row)
    return rows


def section(rows: list[list[str]], rounds: int) -> str:
    head = ["planted", "readings", "singles, wall s", "processor s", "with pairs, wall s", "processor s"]
    worst = [max(float(row[k]) for row in rows) for k in (2, 4)]
    return (
        f"Made by `OPENBLAS_NUM_THREADS=1 python tests/benchmarks/explain_speed.py --rounds {rounds}`: one\n"
        "explanation after the whole bring-up of Skep, circuit compiled, nothing solved beforehand; the best of the\n"
        "rounds. With pairs: only where one fault does not do are two tried.\n\n"
        f"- goal 1 s for singles: the longest took {worst[0]:.2f} s\n"
        f"- goal 10 s with pairs: the longest took {worst[1]:.2f} s\n\n" + table(head, rows)
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--table", type=Path)
    options = parser.parse_args()
    text = section(measure(options.rounds), options.rounds)
    if options.table:
        put(options.table, "Speed", text)
