"""How often `explain` is right on Skep, and how honest its probabilities are.

    python tests/benchmarks/explain_skep.py [--draws 2] [--first 0] [--faults 400] [--table FILE]

Each trial is a unit of its own: a fault is planted in the virtual board, its parts are drawn within their tolerances,
every instrument has its errors, the whole bring-up runs, and its readings alone are explained. Every single fault that
a rehearsal calls not equivalent is tried: some reading that a bench can reach shows it, whether or not the sequence
takes that reading.

Written to FILE: the ranks, and for every group that was named with probability p how often it was the true one. What
is not first is named. Draws are taken through all faults one after another, so that a measurement that is broken off
after so many draws is still one of all faults.
"""

from __future__ import annotations

import argparse
import itertools
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from explain_trials import Line, Outcome, judge, not_equivalent, put, table

from wakeboard.harness.explain.explaining import explain_case
from wakeboard.harness.explain.unit.cases import Case

EDGES = [0.0, 0.01, 0.1, 0.3, 0.5, 0.7, 0.9, 0.99, 1.0001]


def trials(faults: int, first: int, draws: int) -> Iterator[Outcome]:
    line = Line.of()
    library = not_equivalent(line.sequence.board)[:faults]
    print(f"{len(library)} faults, {draws} draws each", flush=True)
    for draw, fault in itertools.product(range(first, first + draws), library):
        run = line.run([str(fault)], f"{fault}-{draw}")
        started = time.process_time()
        found = explain_case(Case(run, line.model), ask_next=False)
        outcome = judge(line.model, fault, found, time.process_time() - started)
        print(
            f"{outcome.rank} {outcome.probability:.3f} {outcome.seconds:5.2f} s {fault} -> {outcome.first}", flush=True
        )
        yield outcome


def share(part: int, whole: int) -> str:
    return f"{part} of {whole} ({part / max(whole, 1):.1%})"


def reliability(outcomes: list[Outcome]) -> str:
    """Stated against observed: of all groups named with a probability in a class, how many were true."""
    named = [pair for o in outcomes for pair in o.named]
    rows = []
    for low, high in itertools.pairwise(EDGES):
        inside = [(p, true) for p, true in named if low <= p < high]
        if inside:
            true = sum(t for _, t in inside)
            stated = np.mean([p for p, _ in inside])
            rows.append(
                [f"{low:.0%} to {min(high, 1):.0%}", len(inside), f"{stated:.1%}", true, f"{true / len(inside):.1%}"]
            )
    return table(["stated", "groups named", "mean stated", "of them true", "observed"], rows)


def section(outcomes: list[Outcome], command: str, seconds: float) -> str:
    count = len(outcomes)
    first = sum(o.rank == 1 for o in outcomes)
    three = sum(0 < o.rank <= 3 for o in outcomes)
    faults = Counter(o.fault for o in outcomes)
    missed = Counter((o.fault, o.first.partition("=")[0] or "none") for o in outcomes if o.rank != 1)
    least = min(faults.values(), default=0)
    lines = [
        f"Made by `{command}`: {len(faults)} faults of Skep that are not equivalent, {least} or more draws each,",
        f"{count} trials through the whole bring-up; {seconds / 60:.0f} min of processor time, runs included.",
        "",
        f"- the true group first: {share(first, count)}",
        f"- the true group among the first three: {share(three, count)}",
        f"- processor time to explain a trial: median {np.median([o.seconds for o in outcomes]):.2f} s"
        " (what a fault does in a bench state is solved once for all units)",
        "",
        reliability(outcomes),
        "",
        "Not first, with what was named instead (times): "
        + "; ".join(f"{fault} → {name} ({n})" for (fault, name), n in sorted(missed.items())) + ".",
    ]  # fmt: skip
    return "\n".join(lines)


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--faults", type=int, default=400)
    parser.add_argument("--draws", type=int, default=2)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--table", type=Path)
    options = parser.parse_args()
    command = f"python tests/benchmarks/explain_skep.py --draws {options.draws}"
    begun = time.process_time()
    done: list[Outcome] = []
    for number, trial in enumerate(trials(options.faults, options.first, options.draws), start=1):
        done.append(trial)
        if options.table and number % 50 == 0:  # kept as it goes: a long measurement that is broken off is still one
            put(options.table, "Single faults", section(done, command, time.process_time() - begun))
    text = section(done, command, time.process_time() - begun)
    print(text)
    if options.table:
        put(options.table, "Single faults", text)
