"""How long comparison and board report take over 10^4, 10^5 and 10^6 readings: growth, side by side in one run.

    python tests/benchmarks/compare.py [units]

Stores of 100 readings a run are made in a temporary folder: 100, 1,000 and 10,000 runs, of as many units (or of the
number given). Prints processor seconds and wall-clock seconds, the median of three, each against reading the columns
alone.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from wakeboard.results.compare.compare import compare_store
from wakeboard.results.compare.table import table_of_store
from wakeboard.results.report import report_board
from wakeboard.results.store import schema as s
from wakeboard.results.store.store import Store

READINGS, STEPS = 100, 10


def fill(store: Store, runs: int, units: int) -> None:
    """Rows straight into the tables: the runner's commits are measured elsewhere."""
    random = np.random.default_rng(0)
    none = "0" * 64
    with store.database.writing() as c:
        c.execute(s.document.insert(), [{"sha256": none, "kind": "board", "text": ""}])
        c.execute(
            s.unit.insert(),
            [{"id": i + 1, "uuid": f"{i:032x}", "board": "B", "serial": f"U{i:05d}", "at": 0.0} for i in range(units)],
        )
        names = [{"id": i + 1, "digest": f"{i}", "of": f"N{i}", "quantity": "dc volts"} for i in range(READINGS)]
        c.execute(s.measurand.insert(), [n | {"unit": "V", "state": "USB=5V@120mA"} for n in names])
        terms = {"low": 3.2, "high": 3.4, "limits_from": "board", "instrument": "meter", "range": 10.0}
        c.execute(s.terms.insert(), [{"id": 1, "digest": "t", **terms}])
        text = dict.fromkeys(("operator", "software", "host", "process", "engine"), "")
        text |= dict.fromkeys(("board_sha256", "sequence_sha256", "bench_sha256"), none)
        text |= {"revision": "A", "sequence": "First", "plants": "[]", "rework": "[]"}
        ends = {"outcome": "pass", "outputs_off": 1, "energised_s": 1.0, "abandoned": 0, "says": ""}
        ids = range(runs)
        c.execute(
            s.run.insert(),
            [
                {"id": i + 1, "uuid": f"{i:032x}", "unit_id": i % units + 1, "virtual": 1, "started": float(i), **text}
                for i in ids
            ],
        )
        c.execute(s.run_end.insert(), [{"uuid": f"{i:032x}", "run_id": i + 1, "at": 0.0, **ends} for i in ids])
        step = {"name": "rails", "kind": "rails", "outcome": "pass", "started": 0.0, "ended": 1.0, "says": ""}
        step |= {"detail": "{}"}
        c.execute(
            s.step.insert(),
            [
                {"id": i + 1, "run_id": i // STEPS + 1, "number": i % STEPS + 1, "digest": f"{i}", **step}
                for i in range(runs * STEPS)
            ],
        )
        for run in ids:
            values = random.normal(3.3, 0.02, READINGS)
            c.execute(
                s.reading.insert(),
                [
                    {
                        "step_id": run * STEPS + i // (READINGS // STEPS) + 1,
                        "position": i % (READINGS // STEPS),
                        "measurand_id": i + 1,
                        "terms_id": 1,
                        "value": float(values[i]),
                        "u": 1e-4,
                        "outcome": "pass",
                        "time": 0.0,
                    }
                    for i in range(READINGS)
                ],
            )


def timed(act: Callable[[], Any]) -> tuple[float, float]:
    """(processor seconds, wall-clock seconds), the median of three."""
    found = []
    for _ in range(3):
        processor, wall = time.process_time(), time.perf_counter()
        act()
        found.append((time.process_time() - processor, time.perf_counter() - wall))
    return statistics.median(f[0] for f in found), statistics.median(f[1] for f in found)


def main() -> None:
    given = int(sys.argv[1]) if len(sys.argv) > 1 else 0
    heads = "   ".join(f"{name:>13}" for name in ("columns", "compare", "board report"))
    print(f"{'readings':>9} {'units':>6}   {heads}   (processor / wall, s)")
    with tempfile.TemporaryDirectory() as folder:
        for runs in (100, 1_000, 10_000):
            units = given or runs
            with Store.open(Path(folder) / f"{runs}.db") as store:
                fill(store, runs, units)
                times = [
                    timed(lambda store=store: table_of_store(store, "B", latest=True)),
                    timed(lambda store=store: compare_store(store, "B")),
                    timed(lambda store=store: report_board(store, "B")),
                ]
            shown = "   ".join(f"{p:5.2f} / {w:5.2f}" for p, w in times)
            print(f"{runs * READINGS:>9} {units:>6}   {shown}", flush=True)


if __name__ == "__main__":
    main()
