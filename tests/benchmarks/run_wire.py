"""How long a run takes over the wire, beside a plain PyVISA script that takes the same readings.

    python tests/benchmarks/run_wire.py [board folder]

Both talk to the same virtual bench (`wakeboard virtual --settled`) one after the other, several times in turn, and what
is compared is the ratio of their wall-clock times. The plain script is what one writes first: a scanner channel closed,
a pause for the relay, MEASure? with the meter's own settings (10 power line cycles, automatic range), a write and then
a query to the supply. A second plain script sets the meter to the run's own integration time, so that the share of the
meter's waiting can be told from the rest. The run does more than both: it proves outputs off, reads settings back,
waits for discharge, guards the supply. Prints ratios; asserts nothing.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
ROUNDS = 3
RELAY_PAUSE = 0.05  # s, what a script waits after closing a relay
SUPPLY_PAUSE = 0.5  # s, and after switching an output
FUNCTIONS = {"dc volts": "VOLT:DC", "ac volts": "VOLT:AC", "ohms": "RES", "ohms reversed": "RES", "frequency": "FREQ"}


@contextlib.contextmanager
def served(folder: Path) -> Iterator[dict[str, Any]]:
    import tomllib

    bench = folder / "wire-bench.toml"
    process = subprocess.Popen(
        [sys.executable, "-m", "wakeboard", "virtual", "board.toml", "--unit", "BENCHMARK", "--settled",
         "--bench-file", bench.name],
        cwd=folder, env={**os.environ, "PYTHONPATH": str(ROOT)}, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        while not bench.exists():
            time.sleep(0.05)
        yield tomllib.loads(bench.read_text(encoding="utf-8"))
    finally:
        process.kill()
        process.wait()


def run(folder: Path, sequence: str) -> tuple[float, dict[str, Any]]:
    """Seconds from the first step's start to the last one's end, by the run's own clock, and its document."""
    done = subprocess.run(
        [sys.executable, "-m", "wakeboard", "run", sequence, "--unit", "BENCHMARK", "--bench", "wire-bench.toml",
         "--energise", "--json"],
        cwd=folder, env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, check=False,
        stdin=subprocess.DEVNULL,
    )  # fmt: skip
    document = json.loads(done.stdout)
    if document["outcome"] == "error":
        raise SystemExit(document["says"])
    return document["steps"][-1]["ended"] - document["steps"][0]["started"], document


def plain(bench: dict[str, Any], document: dict[str, Any], board: Any, nplc: float | None) -> float:
    """The same readings in the same order, by a plain script. nplc: None leaves the meter as it is."""
    import pyvisa

    manager = pyvisa.ResourceManager("@py")
    link = {}
    for name, entry in bench["instruments"].items():
        link[name] = manager.open_resource(entry["address"], read_termination="\n", write_termination="\n")
        link[name].timeout = 10_000
    routes: dict[str, int] = {}
    for point, channel in bench["probing"]["routes"].items():
        routes.setdefault(board.net_of(point), channel)
    channels = {supply: channel for channel, supply in bench["instruments"]["supply"]["feeds"].items()}
    began = time.perf_counter()
    for step in document["steps"]:
        _supply(link["supply"], channels, step)
        for reading in step["readings"]:
            if reading["quantity"] in FUNCTIONS and reading["of"] in routes:
                _read(link, bench, routes[reading["of"]], reading, nplc)
            elif reading["quantity"] == "current":
                channel = channels[reading["of"]]
                link["supply"].query(f"MEAS:VOLT? (@{channel})")
                link["supply"].query(f"MEAS:CURR? (@{channel})")
    seconds = time.perf_counter() - began
    for channel in channels.values():
        link["supply"].write(f"OUTP OFF,(@{channel})")
        link["supply"].query(f"OUTP? (@{channel})")
    for session in link.values():
        session.close()
    manager.close()
    return seconds


def _supply(supply: Any, channels: dict[str, str], step: dict[str, Any]) -> None:
    if step["kind"] == "power on":
        channel = channels[step["name"].split(": ")[1]]
        supply.write(f"VOLT {step['detail']['volts']},(@{channel})")
        supply.write(f"CURR {step['detail']['limit']},(@{channel})")
        supply.query(f"VOLT? (@{channel})")
        supply.write(f"OUTP ON,(@{channel})")
        time.sleep(SUPPLY_PAUSE)
    elif step["kind"] == "power off":
        channel = channels[step["name"].split(": ")[1]]
        supply.write(f"OUTP OFF,(@{channel})")
        supply.query(f"OUTP? (@{channel})")
        time.sleep(SUPPLY_PAUSE)


def _read(
    link: dict[str, Any], bench: dict[str, Any], channel: int, reading: dict[str, Any], nplc: float | None
) -> None:
    scanner, meter = link["scanner"], link["meter"]
    scanner.write(f"ROUT:CLOS (@{channel})")
    if reading["quantity"] == "ohms reversed":
        scanner.write(f"ROUT:CLOS (@{bench['probing']['reverse']})")
    time.sleep(RELAY_PAUSE)
    function = FUNCTIONS[reading["quantity"]]
    if nplc is None or function in ("VOLT:AC", "FREQ"):
        meter.query(f"MEAS:{function}?")
    else:
        meter.write(f"CONF:{function} {reading['range'] or 10}")
        meter.write(f"{function}:NPLC {nplc:g}")
        meter.query("READ?")
    if reading["quantity"] == "ohms reversed":
        scanner.write(f"ROUT:OPEN (@{bench['probing']['reverse']})")
    scanner.write(f"ROUT:OPEN (@{channel})")


def main() -> None:
    source = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "sequences/demo/skep"
    sequence = sys.argv[2] if len(sys.argv) > 2 else "first-power-on.toml"
    sys.path.insert(0, str(ROOT))
    from wakeboard.harness.describe.load import load_board

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "board"
        shutil.copytree(source, folder)
        board = load_board(folder / "board.toml")
        times: dict[str, list[float]] = {"run": [], "plain script": [], "plain script, same integration": []}
        with served(folder) as bench:
            for _ in range(ROUNDS):
                seconds, document = run(folder, sequence)
                times["run"].append(seconds)
                times["plain script"].append(plain(bench, document, board, None))
                times["plain script, same integration"].append(plain(bench, document, board, 1.0))
        readings = sum(len(step["readings"]) for step in document["steps"])
    print(f"{document['sequence']}: {len(document['steps'])} steps, {readings} readings, {ROUNDS} rounds, in turn")
    for what, each in times.items():
        ratios = [a / b for a, b in zip(times["run"], each, strict=True)]
        print(f"  {what:32} {statistics.median(each):6.2f} s   run/this {statistics.median(ratios):.2f}")


if __name__ == "__main__":
    main()
