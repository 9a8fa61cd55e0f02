"""Fail at the first, second, third, … system call on the store, until a run completes without a failure.

    python tests/benchmarks/store_faults.py [--every 3] [--folder DIR]

The method of SQLite's own tests, done with strace on the store's files: the worker is killed at the N-th write or
sync; a write or sync fails once with EIO or ENOSPC; it fails from then on. After each, everything acknowledged is
there, whole and once, and the file passes its integrity check. A kill keeps the system's cache, so this is no test of
lost power.
"""

# ruff: noqa: E402  the checkout is put on the path first, so that the script runs without an installation

from __future__ import annotations

import argparse
import importlib.util
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from types import ModuleType

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from wakeboard.results.store.store import Store

STEPS = 6
CALLS = {
    "write": "pwrite64,write",
    "sync": "fsync,fdatasync",
    "resize": "ftruncate,truncate",
    "remove": "unlink,unlinkat",
}
FAULTS = [
    ("kill", "write", "signal=KILL", ""),
    ("kill", "sync", "signal=KILL", ""),
    ("kill", "remove", "signal=KILL", ""),
    ("once", "write", "error=EIO", ""),
    ("once", "write", "error=ENOSPC", ""),
    ("once", "sync", "error=EIO", ""),
    ("lasting", "write", "error=EIO", "+"),
    ("lasting", "write", "error=ENOSPC", "+"),
    ("lasting", "sync", "error=EIO", "+"),
]


def worker_module() -> ModuleType:
    spec = importlib.util.spec_from_file_location("store_worker", ROOT / "tests" / "results" / "store_worker.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def run(worker: ModuleType, path: Path, calls: str, fault: str, when: str) -> tuple[str, str]:
    log = path.with_name(path.name + "-wal")
    words = ["strace", "-f", "-o", str(path.with_suffix(".log")), "-P", str(path), "-P", str(log)]
    words += ["-e", f"trace={calls}", "-e", f"inject={calls}:{fault}:when={when}"]
    done = subprocess.run(
        [*words, sys.executable, str(worker.WORKER), str(path), str(STEPS)], capture_output=True, text=True, check=False
    )
    return done.stdout, path.with_suffix(".log").read_text(errors="replace")


def sweep(worker: ModuleType, folder: Path, kind: str, calls: str, fault: str, more: str, every: int) -> None:
    """N = 1, 1 + every, … until the N-th call no longer happens."""
    tried = refused = settled = 0
    number = 1
    while True:
        path = folder / f"{kind}-{calls}-{number}{os.urandom(2).hex()}.db"
        Store.open(path).close()
        said, log = run(worker, path, CALLS[calls], fault, f"{number}{more}")
        if "INJECTED" not in log and "killed by SIGKILL" not in log:
            break
        worker.check(path, said)
        tried += 1
        refused += "failed" in said or "end" not in said
        settled += "end" in said.split()
        number += every
    print(
        f"{kind:8} {calls:7} {fault:14} {tried:4} places: {settled} settled, {refused} refused or killed, nothing lost"
    )


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--every", type=int, default=3)
    parser.add_argument("--folder", type=Path)
    given = parser.parse_args()
    worker = worker_module()
    with tempfile.TemporaryDirectory(dir=given.folder) as folder:
        for kind, calls, fault, more in FAULTS:
            sweep(worker, Path(folder), kind, calls, fault, more, given.every if calls == "write" else 1)


if __name__ == "__main__":
    main()
