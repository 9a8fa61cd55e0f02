"""The guard's bounds side by side with those of another checkout, in one run, in turn, on whatever the machine does.

    python tests/benchmarks/guard_bounds.py --before FOLDER [--count 20] [--polls 3]

FOLDER: another checkout of this project with a `.venv` that has it installed (`pip install -e .`). Each figure is what
`python -m tests.campaign --bounds` measures, by each checkout's own code: seen at the instrument's socket, the
instrument's own time for its messages taken out. One run of the one, one of the other, the order changing each time:
what else the machine does falls on both. Only the ratios mean something on a busy machine.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
FIGURES = ("over-current", "runner killed", "runner hung", "guard killed")
LATENCIES = (0.002, 0.005, 0.020)  # s: what a message takes the instrument, where polls are counted
ONE = """
import json, random, sys, tempfile
from pathlib import Path
from tests.campaign import bounds
from tests.campaign.lane import Lane
with Lane(Path(tempfile.mkdtemp(prefix="bounds-")), bounds.LATENCY) as lane:
    print("ready", flush=True)
    for line in sys.stdin:
        order = json.loads(line)
        if "name" in order:
            figure = bounds.measure(lane, order["name"], 1, random.Random(order["seed"]))
            print(json.dumps(figure.seconds), flush=True)
        else:
            lane.order("latency", seconds=order["latency"])
            polls = bounds._guard_polls(lane)
            lane.order("latency", seconds=bounds.LATENCY)
            print(json.dumps([polls.rate, polls.share, polls.core]), flush=True)
"""


class Side:
    """A checkout that measures what it is told to."""

    def __init__(self, name: str, folder: Path) -> None:
        self.name = name
        environment = {**os.environ, "PYTHONPATH": str(folder), "OPENBLAS_NUM_THREADS": "1"}
        python = folder / ".venv/bin/python"
        self._process = subprocess.Popen(
            [str(python if python.exists() else sys.executable), "-c", ONE], cwd=folder, env=environment,
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        self._line()

    def _line(self) -> str:
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        if not line:
            raise RuntimeError(f"{self.name} ended with {self._process.wait()}")
        return line

    def measure(self, **order: Any) -> list[float]:
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(order) + "\n")
        self._process.stdin.flush()
        found: list[float] = json.loads(self._line())
        return found

    def close(self) -> None:
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(30)


def in_turn(sides: list[Side], number: int, **order: Any) -> dict[str, list[float]]:
    """One measurement of each, the first one in turn."""
    return {side.name: side.measure(**order) for side in (sides if number % 2 else sides[::-1])}


def bounds(sides: list[Side], names: Sequence[str], count: int) -> None:
    print("| bound | runs of each | before: median, largest | now: median, largest | medians, now to before |")
    print("| --- | ---: | ---: | ---: | ---: |")
    for name in names:
        seen: dict[str, list[float]] = {side.name: [] for side in sides}
        for number in range(count):
            for side, seconds in in_turn(sides, number, name=name, seed=number).items():
                seen[side] += seconds
        before, now = seen["before"], seen["now"]
        ratio = statistics.median(now) / statistics.median(before)
        missed = 2 * count - len(before) - len(now)
        cells = [name, f"{min(len(before), len(now))}", *(
            f"{statistics.median(each) * 1e3:.1f} ms, {max(each) * 1e3:.1f} ms" for each in (before, now)
        ), f"{ratio:.2f}" + (f", {missed} missed" if missed else "")]  # fmt: skip
        print(f"| {' | '.join(cells)} |", flush=True)


def polls(sides: list[Side], count: int) -> None:
    print("\n| reply time of the supply | messages a second, before | now | now to before | of a core, before | now |")
    print("| ---: | ---: | ---: | ---: | ---: | ---: |")
    for latency in LATENCIES:
        seen: dict[str, list[list[float]]] = {side.name: [] for side in sides}
        for number in range(count):
            for side, found in in_turn(sides, number, latency=latency).items():
                seen[side].append(found)
        rate = {side: statistics.median(each[0] for each in found) for side, found in seen.items()}
        core = {side: statistics.median(each[2] for each in found) for side, found in seen.items()}
        ratio = rate["now"] / rate["before"]
        print(f"| {latency * 1e3:.0f} ms | {rate['before']:.0f} | {rate['now']:.0f} | {ratio:.2f} "
              f"| {core['before']:.0%} | {core['now']:.0%} |", flush=True)  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--before", type=Path, required=True, metavar="FOLDER")
    parser.add_argument("--only", action="append", choices=FIGURES, help="one bound; may be repeated")
    parser.add_argument("--count", type=int, default=20, help="runs of each side for each bound")
    parser.add_argument("--polls", type=int, default=3, help="counts of each side for each reply time")
    chosen = parser.parse_args()
    load = os.getloadavg()[0]
    sides = [Side("before", chosen.before.absolute()), Side("now", ROOT)]
    try:
        if chosen.count:
            bounds(sides, chosen.only or FIGURES, chosen.count)
        if chosen.polls:
            polls(sides, chosen.polls)
    finally:
        for side in sides:
            side.close()
    print(f"\nload {load:.1f} before, {os.getloadavg()[0]:.1f} after, of {os.cpu_count()} cores")


if __name__ == "__main__":
    main()
