"""What judging a revision costs beside one review and one rehearsal of the board that it starts from.

    python tests/benchmarks/revise_cost.py [ROUNDS]

Skep, its first power-on, the two changes that its findings lead to, as commands in processes of their own; seconds of
the processor with all their children, and seconds by the clock. The aim: within twice the sum of the two.
"""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

SKEP = Path(__file__).parents[2] / "sequences" / "demo" / "skep"
PLAN = """
board = "board.toml"
revision = "B"
learned = ["U5.NRST:pull_up=13k"]
[[change]]
title = "the radio's reset is held"
do = ["R31:value=1.1k"]
[[change]]
title = "the bus is pulled up to the rail that is switched"
do = ["R16.1:net=+3V3_SENS", "R17.1:net=+3V3_SENS"]
"""
COMMANDS = {
    "review": ["review", "board.toml"],
    "rehearsal": ["rehearse", "first-power-on.toml"],
    "judge": ["revise", "judge", "revision-b.toml"],
}


def taken(folder: Path, arguments: list[str]) -> tuple[float, float]:
    """(s of the processor with children, s by the clock)."""
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    done = subprocess.run([sys.executable, "-m", "wakeboard", *arguments], cwd=folder, capture_output=True, text=True,
                          check=False, env={**os.environ, "OPENBLAS_NUM_THREADS": "1"})  # fmt: skip
    wall, after = time.perf_counter() - began, resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode not in (0, 1):
        raise SystemExit(f"{' '.join(arguments)} ended with {done.returncode}:\n{done.stderr}")
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, wall


def main() -> None:
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 1
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        shutil.copytree(SKEP, folder, dirs_exist_ok=True)
        (folder / "revision-b.toml").write_text(PLAN, encoding="utf-8")
        for number in range(1, rounds + 1):
            found = {what: taken(folder, command) for what, command in COMMANDS.items()}
            for what, (cpu, wall) in found.items():
                print(f"{number}  {what:10} {cpu:6.1f} s of the processor, {wall:6.1f} s by the clock", flush=True)
            for kind, place in (("of the processor", 0), ("by the clock", 1)):
                one = found["review"][place] + found["rehearsal"][place]
                print(f"{number}  judge beside one review and one rehearsal: {found['judge'][place] / one:.2f} times "
                      f"{kind}", flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
