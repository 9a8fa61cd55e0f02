"""How long `wakeboard --help` takes, beside a bare interpreter: python tests/benchmarks/startup.py

Prints the median of RUNS starts of each, taken in turns in one go, and their ratio. The promise is 0.2 s.
"""

import statistics
import subprocess
import sys
import time

RUNS = 15
COMMANDS = {
    "python -c pass": ["-c", "pass"],
    "wakeboard --help": ["-m", "wakeboard", "--help"],
    "wakeboard check --help": ["-m", "wakeboard", "check", "--help"],
}


def seconds(arguments: list[str]) -> float:
    started = time.perf_counter()
    subprocess.run([sys.executable, *arguments], stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - started


def main() -> None:
    taken: dict[str, list[float]] = {name: [] for name in COMMANDS}
    for _ in range(RUNS):
        for name, arguments in COMMANDS.items():
            taken[name].append(seconds(arguments))
    bare = statistics.median(taken["python -c pass"])
    for name, each in taken.items():
        median = statistics.median(each)
        print(f"{name:24} {median * 1e3:7.1f} ms   {median / bare:5.2f} times a bare interpreter")


if __name__ == "__main__":
    main()
