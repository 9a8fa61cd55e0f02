"""`python -m tests.campaign`: run the campaign and print its table. Exit code 1 where anything was found."""

from __future__ import annotations

import argparse
import json
import os
import queue
import random
import signal
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path

from tests.campaign import faults, table
from tests.campaign.faults import Scale, Try
from tests.campaign.lane import Lane
from tests.campaign.table import Row

FAMILIES = ("seams", "kills", "network", "power", "disk")


def plan(measured: Scale, families: Sequence[str], full: bool, seed: int, store_bytes: int, each: int = 1) -> list[Try]:
    """The tries, in order; the same for the same seed and scale. each: how many of each seam, where not full."""
    rng = random.Random(seed)
    tries: list[Try] = []
    if "kills" in families:
        tries += faults.kills(measured, 200 if full else 10, rng)
    if "network" in families:
        tries += faults.network(measured, 10 if full else 1, rng)
    if "power" in families:
        tries += faults.power(20 if full else 1, rng)
    if "disk" in families:
        tries += faults.disk(60 if full else 3, rng, store_bytes)
        tries += faults.harmed(40 if full else 2, rng)
    if "seams" in families:
        tries += faults.seams(measured, full, rng, each)
    return tries


def part(tries: Sequence[Try], share: float, least: int, seed: int) -> list[Try]:
    """So much of the tries, drawn by the seed, of each row at least so many."""
    rng = random.Random(seed)
    chosen: list[Try] = []
    for row in dict.fromkeys(each.row for each in tries):
        mine = [each for each in tries if each.row == row]
        chosen += rng.sample(mine, min(len(mine), max(least, round(share * len(mine)))))
    rng.shuffle(chosen)
    return chosen


def work(tries: Sequence[Try], lanes: int, folder: Path) -> list[Row]:
    """Every try on one of the lanes; the rows in the order of the plan. Ctrl-C ends it with what was tried so far."""
    rows = {each.row: Row(each.row) for each in tries}
    waiting: queue.SimpleQueue[Try] = queue.SimpleQueue()
    for each in tries:
        waiting.put(each)
    lock = threading.Lock()
    done = [0]
    ended = threading.Event()

    def lane_work(number: int) -> None:
        lane = Lane(folder / f"lane{number}")
        try:
            while not ended.is_set():
                try:
                    tried = waiting.get_nowait()
                except queue.Empty:
                    return
                started = time.monotonic()
                verdict = tried.run(lane)
                with lock:
                    row = rows[tried.row]
                    before = len(row.findings)
                    row.add(tried, verdict)
                    done[0] += 1
                    _tell(done[0], len(tries), tried, time.monotonic() - started, row.findings[before:])
        finally:
            lane.close()

    threads = [threading.Thread(target=lane_work, args=(number,)) for number in range(lanes)]
    for thread in threads:
        thread.start()
    try:
        for thread in threads:
            thread.join()
    except KeyboardInterrupt:
        ended.set()
        for thread in threads:
            thread.join()
    return [row for row in rows.values() if row.tries]


def _tell(done: int, total: int, tried: Try, seconds: float, findings: Sequence[str]) -> None:
    print(f"{done:5}/{total} {seconds:5.1f} s  {tried.what}", file=sys.stderr, flush=True)
    for each in findings:
        print(f"      FOUND {each}", file=sys.stderr, flush=True)


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.campaign", description=__doc__)
    parser.add_argument("--sample", action="store_true", help="a sample, as in the test suite")
    parser.add_argument("--each", type=int, default=1, help="with --sample: how many N of each failing operation")
    parser.add_argument("--share", type=float, default=1.0, help="of the tries, three of each fault at least")
    parser.add_argument("--only", action="append", choices=[*FAMILIES, "fuzz"], help="one family; may be repeated")
    parser.add_argument("--bounds", action="store_true", help="measure the guard's bounds instead")
    parser.add_argument("--polls", action="store_true", help="measure only how fast the guard polls")
    parser.add_argument("--lanes", type=int, default=2, help="runs at a time")
    parser.add_argument("--count", type=int, default=100, help="with --bounds: runs for each figure")
    parser.add_argument("--seed", type=int, default=6)
    parser.add_argument("--folder", type=Path, help="where the runs leave their files; default: a temporary folder")
    parser.add_argument("--json", type=Path, help="write the rows there, too")
    parser.add_argument("--merge", type=Path, nargs="+", help="print the table of rows that were written in pieces")
    chosen = parser.parse_args()
    if chosen.merge:
        rows = [Row(**each) for path in chosen.merge for each in json.loads(path.read_text())]
        print("\n".join(table.lines(table.merged(rows))))
        return 0 if all(row.good for row in rows) else 1
    if chosen.bounds:
        from tests.campaign.bounds import main as bounds

        return bounds(chosen.count, chosen.seed)
    if chosen.polls:
        from tests.campaign.bounds import polls

        return polls()
    for number in (signal.SIGINT, signal.SIGTERM):  # it may be in the background of a shell: what was tried is printed
        signal.signal(number, signal.default_int_handler)
    families = chosen.only or [*FAMILIES, "fuzz"]
    folder = chosen.folder or Path(tempfile.mkdtemp(prefix="campaign-"))
    folder.mkdir(parents=True, exist_ok=True)
    good = True
    started = time.time()
    if set(families) & set(FAMILIES):
        os.environ["WAKEBOARD_LOCKS"] = str(folder / "locks")
        with Lane(folder / "scale") as lane:
            measured = faults.scale(lane)
            size = (folder / "scale" / "template.db").stat().st_size
        tries = plan(measured, families, not chosen.sample, chosen.seed, size, chosen.each)
        if chosen.share < 1.0:
            tries = part(tries, chosen.share, 3, chosen.seed)
        rows = work(tries, chosen.lanes, folder)
        print("\n".join(table.lines(rows)))
        missing = len(tries) - sum(row.tries for row in rows)
        if missing:
            print(f"\nNOT WHOLE: {missing} of {len(tries)} tries were not made.")
            good = False
        print(f"\n{(time.time() - started) / 60:.0f} minutes, {chosen.lanes} lanes, seed {chosen.seed}, "
              f"load {os.getloadavg()[0]:.1f} of {os.cpu_count()} cores")  # fmt: skip
        for row in rows:
            for each in row.findings:
                print(f"\nFOUND in {row.fault}: {each}")
        if chosen.json:
            chosen.json.write_text(json.dumps([vars(row) for row in rows], indent=1))
        good = good and all(row.good for row in rows)
    if "fuzz" in families:
        from tests.campaign.fuzz import main as fuzz

        good = fuzz(20_000 if chosen.sample else 1_000_000, chosen.seed) and good
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
