"""What a rehearsal costs: faults, parts, memory; and whether it is the same as one run at a time.

    python tests/benchmarks/rehearse.py                 Skep's first power-on, all faults, CPU seconds and memory
    python tests/benchmarks/rehearse.py --bring-up      the same of its whole bring-up
    python tests/benchmarks/rehearse.py --growth        CPU seconds by faults and by parts (30, 60, 120, 240)
    python tests/benchmarks/rehearse.py --boards 1,2,4  CPU seconds a fault on boards of Skep so many times
    python tests/benchmarks/rehearse.py --same 40       random faults of Skep: rehearsed against `run --plant`

CPU seconds are of this process and its workers, so that other programs on the machine count for little.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import random
import resource
import sys
import tempfile
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))
SKEP = ROOT / "sequences" / "demo" / "skep" / "first-power-on.toml"
PARTS = (30, 60, 120, 240)
FAULTS = (32, 64, 128)

HEAD = """
[board]
name = "Ladder"
revision = "A"
[supplies.USB]
net = "VUSB"
volts = "5 V"
range = "4.40 .. 5.25 V"
budget = "500 mA"
[rails.V33]
net = "+3V3"
from = "USB"
volts = "3.3 V ± 3 %"
[points]
TP1 = { net = "VUSB", place = "left edge, first pad" }
TP2 = { net = "+3V3", place = "left edge, second pad" }
[parts]
C1 = { kind = "capacitor", value = "10 µF", pins = ["VUSB", "GND"] }
C2 = { kind = "capacitor", value = "10 µF", pins = ["+3V3", "GND"] }
U2 = { kind = "ldo", volts = "3.3 V ± 2 %", dropout = "200 mV", limit = "600 mA", lockout = "2.2 V", quiescent = "60 µA", enable_above = "1.0 V", enable_pull = "none", pins = { IN = "VUSB", OUT = "+3V3", EN = "VUSB", GND = "GND" }, max = { voltage = "7 V", current = "500 mA" } }
"""  # noqa: E501
CELL = """
RA{n} = {{ kind = "resistor", value = "10k", tolerance = "1 %", pins = ["+3V3", "N{n}"] }}
RB{n} = {{ kind = "resistor", value = "22k", tolerance = "1 %", pins = ["N{n}", "GND"] }}
D{n} = {{ kind = "diode", pins = {{ A = "N{n}", K = "+3V3" }} }}
"""
STEPS = """
title = "First power-on"
board = "board.toml"
[[step]]
do = "resistance"
of = "every supply"
[[step]]
do = "power on"
supply = "USB"
limit = "300 mA"
ramp = "0.5 V every 20 ms"
[[step]]
do = "rails"
[[step]]
do = "power off"
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--growth", action="store_true")
    parser.add_argument("--bring-up", action="store_true")
    parser.add_argument("--boards", metavar="N,N")
    parser.add_argument("--same", type=int, metavar="N")
    parser.add_argument("--seed", type=int, default=7)
    chosen = parser.parse_args()
    if chosen.same:
        same(chosen.same, chosen.seed)
    elif chosen.growth:
        growth()
    elif chosen.boards:
        for copies in chosen.boards.split(","):
            boards(int(copies))
    else:
        whole(SKEP.with_name("bring-up.toml") if chosen.bring_up else SKEP)


def whole(file: Path) -> None:
    """All faults of a sequence of Skep with two workers: CPU seconds, seconds, memory."""
    from wakeboard.harness.describe.load import load_sequence
    from wakeboard.harness.rehearse.rehearsal import rehearse

    before, begun = cpu(), time.perf_counter()
    memory = Memory()
    result = rehearse(load_sequence(file), workers=2, progress=memory.look)
    spent, passed = cpu() - before, time.perf_counter() - begun
    print(
        f"{result.faults} faults: {spent:.1f} s of CPU ({1000 * spent / result.faults:.0f} ms a fault), {passed:.1f} s"
    )
    print(
        f"{len(result.caught)} caught, {len(result.escaped)} escaped, {len(result.equivalent)} equivalent, "
        f"{len(result.burned)} burned, {len(result.broken)} not solved"
    )
    print(memory.says())


class Memory:
    """The largest sum of memory of this process and its workers, looked at whenever some trials are done (Linux)."""

    def __init__(self) -> None:
        self.resident = self.shared_once = 0.0

    def look(self, *_progress: int) -> None:
        seen = [_memory(pid) for pid in (os.getpid(), *(each.pid for each in multiprocessing.active_children()))]
        self.resident = max(self.resident, sum(resident for resident, _ in seen))
        self.shared_once = max(self.shared_once, sum(share for _, share in seen))

    def says(self) -> str:
        if not self.resident:
            return "memory: not measured on this system"
        return (
            f"memory: resident sets of parent and workers {self.resident:.0f} MiB in sum at most, "
            f"{self.shared_once:.0f} MiB with pages that they share counted once"
        )


def _memory(pid: int | None) -> tuple[float, float]:
    """(resident, proportional) set of a process in MiB; zeros for one that has just ended."""
    try:
        lines = Path(f"/proc/{pid}/smaps_rollup").read_text(encoding="ascii").splitlines()
    except OSError:
        return 0.0, 0.0
    sizes = {line.split(":")[0]: float(line.split()[1]) / 1024 for line in lines if line.endswith("kB")}
    return sizes.get("Rss", 0.0), sizes.get("Pss", 0.0)


def cpu() -> float:
    """CPU seconds of this process and of its ended children."""
    return sum(
        used.ru_utime + used.ru_stime
        for used in (resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN))
    )


def growth() -> None:
    """CPU seconds by faults on one board, and a fault by parts."""
    from wakeboard.harness.describe.load import load_sequence
    from wakeboard.harness.rehearse.reach import fault_library
    from wakeboard.harness.rehearse.trial import Shared, run_trial

    def seconds(parts: int, count: int) -> float:
        with tempfile.TemporaryDirectory() as folder:
            cells = "".join(CELL.format(n=n) for n in range((parts - 3) // 3))
            Path(folder, "board.toml").write_text(HEAD + cells, encoding="utf-8")
            file = Path(folder, "sequence.toml")
            file.write_text(STEPS, encoding="utf-8")
            sequence = load_sequence(file)
        shared, library = Shared(sequence.board), fault_library(sequence.board)
        faults = random.Random(1).choices(library, k=count)
        run_trial(sequence, [], shared)
        begun = time.process_time()
        for fault in faults:
            assert not run_trial(sequence, [fault], shared).error
        return time.process_time() - begun

    print("faults (60 parts):", ", ".join(f"{count}: {seconds(60, count):.2f} s" for count in FAULTS))
    print("parts (64 faults):", ", ".join(f"{parts}: {seconds(parts, 64):.2f} s" for parts in PARTS))


POWERED = """
title = "First power-on"
board = "board.toml"
[[step]]
do = "resistance"
of = "every supply"
[[step]]
do = "resistance"
of = "every point"
on_fail = "go on"
[[step]]
do = "power on"
supply = "USB"
limit = "1 A"
ramp = "0.5 V every 20 ms"
on_fail = "go on"
[[step]]
do = "rails"
[[step]]
do = "volts"
of = "every line"
on_fail = "go on"
[[step]]
do = "power off"
"""


def boards(copies: int, count: int = 24) -> None:
    """A fault's CPU seconds on Skep so many times on one board: several rails and chips; every point and line read."""
    from explain_growth import grown

    from wakeboard.harness.describe.board.circuit import board_circuit
    from wakeboard.harness.describe.load import sequence_of_texts
    from wakeboard.harness.rehearse.reach import fault_library
    from wakeboard.harness.rehearse.trial import Shared, fault_free, run_trial

    board = grown(copies)
    sequence = sequence_of_texts(POWERED, board.text, "growth.toml")
    picked = random.Random(1).sample(fault_library(sequence.board), count)
    begun = time.process_time()
    shared = Shared(sequence.board, [[fault] for fault in picked])
    good = fault_free(sequence, shared).trial
    ready = time.process_time() - begun
    begun = time.process_time()
    trials = [run_trial(sequence, [fault], shared) for fault in picked]
    spent = time.process_time() - begun
    circuit, most = board_circuit(sequence.board), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{len(circuit.parts)} parts, {len(circuit.nets)} nets, {len(good.readings)} readings: "
        f"{1000 * spent / count:.0f} ms of CPU a fault, {ready:.1f} s before, {most:.0f} MiB; "
        f"{sum(bool(each.error) for each in trials)} not solved, the drawn board {good.outcome}",
        flush=True,
    )


def same(count: int, seed: int) -> None:
    """Random faults of Skep: outcomes of every step, rehearsed and run with transients through command languages."""
    from wakeboard.harness.describe.load import load_sequence
    from wakeboard.harness.rehearse.reach import fault_library
    from wakeboard.harness.rehearse.trial import UNIT, Shared, run_trial
    from wakeboard.harness.run.bench.virtual import prepare_board
    from wakeboard.harness.run.session import take_unit

    sequence = load_sequence(SKEP)
    shared, prepared = Shared(sequence.board), prepare_board(sequence.board)
    picked = random.Random(seed).sample(fault_library(sequence.board), count)
    differ = 0
    for fault in picked:
        trial = run_trial(sequence, [fault], shared)
        run = take_unit(sequence, unit=UNIT, plants=[str(fault)], prepared=prepared, predictor=shared.predictor)
        alone = {step.number: step.outcome for step in run.record.steps}
        if alone != dict(trial.steps):
            differ += 1
            print(f"differs: {fault}: alone {alone}, rehearsed {dict(trial.steps)}", flush=True)
    print(f"{count - differ} of {count} faults give the same outcome in every step")
    sys.exit(1 if differ else 0)


if __name__ == "__main__":
    main()
