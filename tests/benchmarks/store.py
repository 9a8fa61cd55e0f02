"""The store as it grows: 10^4, 10^5 and 10^6 readings, side by side in one run.

    python tests/benchmarks/store.py [--most 1000000] [--postgres URL] [--folder DIR] [--kills 200]

Ten steps a run, ten readings a step, 50 units of one board; each step with a power trace of 40 samples and 20 lines of
traffic. Per size one row: what a step's commit takes, beside a plain write + sync of as many bytes to a file in the
same folder (taken in turn, so that both meet the same disk and the same load); what a new process takes to show the
latest run, to compare the board and to report on it (start of Python included); bytes a reading. Times are wall clock,
commits as medians, new processes as the best of three, because other work on the computer only adds; the processor time
of the same process stands behind each, and is what a busy computer leaves as it is.

With --postgres: a push of the largest store, its readings per second, beside a COPY of the same readings without any
keys; then a push that is killed ten times at random moments, and the comparison row for row.
With --kills N: a worker killed N times at random moments; what it was told is committed must be there, whole and once.
"""

# ruff: noqa: E402  the checkout is put on the path first, so that the script runs without an installation

from __future__ import annotations

import argparse
import importlib.util
import os
import random
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from types import ModuleType

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from wakeboard.results.records import InstrumentUsed, Reading, RunStart, Step, SupplyTrace, Trace
from wakeboard.results.store.store import Store

STEPS, READINGS, UNITS = 10, 10, 50


def start(number: int) -> RunStart:
    return RunStart(
        unit=f"{number % UNITS + 1:03d}",
        board_name="Skep",
        revision="A",
        board_text="[board]\nname = 'Skep'\n" * 50,
        sequence_title="Bring-up",
        sequence_text="title = 'Bring-up'\n" * 50,
        operator="bench",
        instruments=[
            InstrumentUsed("supply", "psu", "Maker", "P1", "S1"),
            InstrumentUsed("meter", "dmm", "M", "D1", "S2"),
        ],
        virtual=True,
    )


def steps(rng: random.Random) -> list[Step]:
    return [step(number, rng) for number in range(1, STEPS + 1)]


def step(number: int, rng: random.Random) -> Step:
    readings = [
        Reading(
            of=f"NET{number}_{place}",
            quantity="dc volts",
            value=rng.gauss(3.3, 0.01),
            unit="V",
            u=rng.uniform(1e-4, 2e-4),
            low=3.2,
            high=3.4,
            state="USB=5V@120mA",
            instrument="meter",
            range=10.0,
            time=number + place / 10,
            limits_from="circuit",
        )
        for place in range(READINGS)
    ]
    count = 40
    samples = SupplyTrace(
        times=[number + i * 0.02 for i in range(count)],
        volts=[rng.gauss(5.0, 1e-3) for _ in range(count)],
        amps=[rng.gauss(0.03, 1e-4) for _ in range(count)],
        limit=[0.12] * count,
        mode=["cv"] * count,
    )
    traffic = [(number + i * 0.02, "meter", "><"[i % 2], f"{rng.gauss(3.3, 0.01):+.8E}") for i in range(2 * READINGS)]
    return Step(
        number,
        f"step {number}",
        "rails",
        "pass",
        number,
        number + 1,
        readings,
        trace=Trace({"USB": samples}),
        traffic=traffic,
    )


def fill(store: Store, readings: int, rng: random.Random) -> None:
    """Grows a store to that many readings; many runs share a transaction, only to be quick."""
    have = len(store.runs()) * STEPS * READINGS
    number = have // (STEPS * READINGS)
    while have < readings:
        with store.database.writing():
            for _ in range(100):
                run = store.begin_run(start(number))
                for one in steps(rng):
                    store.commit_step(run, one)
                store.end_run(run, "pass", True, 12.0)
                number += 1
                have += STEPS * READINGS
                if have >= readings:
                    break


# -- one size


def measure(path: Path, readings: int, rng: random.Random) -> str:
    commit, cpu, plain = commits(path, rng)
    html = str(path.with_suffix(".html"))
    columns = [
        f"{readings:8}",
        f"{path.stat().st_size / readings:6.0f}",
        f"{1e3 * commit:7.2f} ({1e3 * cpu:.2f} cpu)",
        f"{1e3 * plain:6.2f}",
        f"{commit / plain:5.1f}",
        best([sys.executable, "-c", SHOW, str(path)]),
        best([sys.executable, "-c", FRAME, str(path)]),
        best([sys.executable, "-m", "wakeboard", "compare", "Skep", "--json", "--db", str(path)]),
        best([sys.executable, "-m", "wakeboard", "report", "--board", "Skep", "-o", html, "--db", str(path)]),
    ]
    return "   ".join(columns)


HEAD = "readings   B each   commit ms          plain ms   ratio   latest s   frame s   compare s   report s"
SHOW = (
    "import sys,json; from wakeboard.results.store.store import Store; "
    "print(json.dumps(Store.open(sys.argv[1]).run().as_json()))"
)
FRAME = (
    "import sys; from wakeboard import results; names = ['unit', 'of', 'quantity', 'state', 'value', 'outcome']; "
    "print(len(results.frame(sys.argv[1], board='Skep', columns=names)))"
)


def commits(path: Path, rng: random.Random, count: int = 200) -> tuple[float, float, float]:
    """Medians: seconds of a step's commit, its processor time, and a plain synced write of as many bytes, in turn."""
    scratch = path.with_suffix(".plain")
    wall, cpu, plain = [], [], []
    with Store.open(path) as store, scratch.open("wb", buffering=0) as file:
        for place in range(count // STEPS):
            run = store.begin_run(start(place))
            for one in steps(rng):
                began, used = time.perf_counter(), time.process_time()
                store.commit_step(run, one)
                wall.append(time.perf_counter() - began)
                cpu.append(time.process_time() - used)
                began = time.perf_counter()
                file.write(rng.randbytes(220 * READINGS))
                os.fdatasync(file.fileno())
                plain.append(time.perf_counter() - began)
            store.end_run(run, "pass")
    scratch.unlink()
    return statistics.median(wall), statistics.median(cpu), statistics.median(plain)


def best(words: list[str], times: int = 3) -> str:
    """Best wall-clock seconds of a new process, and its processor time; "-" where it fails (no such command)."""
    found = [timed(words) for _ in range(times)]
    if None in found:
        return "       -"
    wall, cpu = min(pair for pair in found if pair is not None)
    return f"{wall:.2f} ({cpu:.2f})"


def timed(words: list[str]) -> tuple[float, float] | None:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    began = time.perf_counter()
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False)
    wall = time.perf_counter() - began
    now = resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode not in (0, 1):
        print(f"  {' '.join(words[1:4])}: {done.stderr.strip().splitlines()[-1:]}", file=sys.stderr)
        return None
    return wall, now.ru_utime + now.ru_stime - used.ru_utime - used.ru_stime


# -- push


class Server:
    """A schema of its own on a PostgreSQL server, gone afterwards."""

    def __init__(self, base: str) -> None:
        self.base = base
        self.schema = f"bench_{os.getpid()}"

    def __enter__(self) -> str:
        self.run(f"DROP SCHEMA IF EXISTS {self.schema} CASCADE")
        self.run(f"CREATE SCHEMA {self.schema}")
        return f"{self.base}{'&' if '?' in self.base else '?'}options=-csearch_path%3D{self.schema}"

    def __exit__(self, *_error: object) -> None:
        self.run(f"DROP SCHEMA {self.schema} CASCADE")

    def run(self, statement: str) -> None:
        import psycopg

        with psycopg.connect(self.base, autocommit=True) as connection:
            connection.execute(statement)


def bare_copy(path: Path, url: str) -> float:
    """Readings per second of a COPY of the same numbers into a table without keys: what the server can at most."""
    import sqlite3

    import psycopg

    began = time.perf_counter()
    source = sqlite3.connect(path)
    count = 0
    with psycopg.connect(url) as target, target.cursor() as cursor:
        cursor.execute(
            "CREATE TABLE bare (a bigint, b bigint, c bigint, d bigint, e float8, f float8, g text, h float8)"
        )
        with cursor.copy("COPY bare FROM STDIN") as copy:
            for row in source.execute(
                "SELECT step_id, position, measurand_id, terms_id, value, u, outcome, time FROM reading"
            ):
                copy.write_row(row)
                count += 1
        cursor.execute("DROP TABLE bare")
    source.close()
    return count / (time.perf_counter() - began)


def pushes(path: Path, base: str, rng: random.Random) -> None:
    from wakeboard.results.push.proof import differences
    from wakeboard.results.push.push import push

    with Server(base) as url, Store.open(path) as store:
        pushed = push(store, url)
        bare = bare_copy(path, url)
        print(
            f"push: {pushed.readings} readings in {pushed.seconds:.1f} s, {pushed.readings_per_s:,.0f} /s "
            f"(bare COPY {bare:,.0f} /s)"
        )
        again = push(store, url)
        print(f"push again: {again.runs} runs, {again.readings} readings in {again.seconds:.1f} s")
    with Server(base) as url, Store.open(path) as store:
        for number in range(1, 11):
            interrupted(path, url, rng, pushed.seconds / 10)
            tick(number)
        push(store, url)
        with Store.open(url) as server:
            found = differences(store, server)
        print("killed ten times, then finished: " + ("equal row for row" if not found else f"DIFFERS: {found}"))


def tick(number: int) -> None:
    if sys.stdout.isatty():
        print(f"  killed {number} times", end="\r", flush=True)


def interrupted(path: Path, url: str, rng: random.Random, longest: float) -> None:
    """A push that is killed at a random moment, connecting included."""
    script = (
        "import sys; from wakeboard.results.push.push import push; from wakeboard.results.store.store import Store; "
        "push(Store.open(sys.argv[1]), sys.argv[2])"
    )
    process = subprocess.Popen([sys.executable, "-c", script, str(path), url], cwd=ROOT)
    time.sleep(0.3 + rng.uniform(0.0, longest))
    process.kill()
    process.wait()


# -- kill -9


def worker_module() -> ModuleType:
    spec = importlib.util.spec_from_file_location("store_worker", ROOT / "tests" / "results" / "store_worker.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def kills(folder: Path, count: int, rng: random.Random) -> None:
    worker = worker_module()
    path = folder / "killed.db"
    acknowledged = 0
    for number in range(1, count + 1):
        process = subprocess.Popen(
            [sys.executable, str(worker.WORKER), str(path), "400"], stdout=subprocess.PIPE, text=True
        )
        assert process.stdout is not None
        heard = process.stdout.readline() if number % 4 else ""  # every fourth may die before its run begins
        time.sleep(rng.uniform(0.0, 0.3))
        process.kill()
        acknowledged += worker.check(path, heard + process.communicate()[0])
        tick(number)
    with Store.open(path) as store:
        marked = len(store.mark_abandoned())
    print(
        f"killed {count} times: {acknowledged} acknowledged steps all there, none twice; {marked} runs marked abandoned"
    )


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--most", type=int, default=1_000_000)
    parser.add_argument("--postgres", default=os.environ.get("WAKEBOARD_TEST_POSTGRES"))
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--kills", type=int, default=0)
    given = parser.parse_args()
    rng = random.Random(1)
    with tempfile.TemporaryDirectory(dir=given.folder) as folder:
        path = Path(folder) / "wakeboard.db"
        size = 10_000
        print(HEAD)
        while size <= given.most:
            with Store.open(path) as store:
                fill(store, size, rng)
            print(measure(path, size, rng), flush=True)
            size *= 10
        if given.postgres:
            pushes(path, given.postgres, rng)
        if given.kills:
            kills(Path(folder), given.kills, rng)


if __name__ == "__main__":
    main()
