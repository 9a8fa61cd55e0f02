"""The fault dictionary of Skep: our batch against ngspice, side by side in one run.

    OPENBLAS_NUM_THREADS=1 python tests/benchmarks/dictionary.py [--rounds 5] [--sample 96] [--processes 12]

Every single fault of the library in every state, solved from the fault-free point of the state:
- ours: the whole dictionary, compiling the circuit and planning included, in each round anew, on all cores (the solver
  itself is compiled once a machine, before);
- ngspice in this process (its shared library): a seeded sample of the same variants, two ways. "sourced": the netlist
  of each is handed over and `op` run. "altered": the state's netlist stays loaded, a resistor of 1e18 Ω lying ready for
  every bridge and pull of the sample; a fault that is a change of resistances is made with `alter`, undone after; what
  is none is sourced. Either way the fault-free point stands as `.nodeset`. Writing the netlists and reading the answers
  is not counted;
- ngspice as a process a variant: a smaller sample.
ngspice's times are scaled from the sample to the dictionary. Printed are medians over the rounds of times and of
ratios, in wall time and in processor time (the machine may be shared), for a typical variant as well (the sample's
median), and the worst disagreement over the sample. Variants for which ngspice finds no answer (Newton, gmin and source
stepping failed) are said and left out, times and all.
"""

from __future__ import annotations

import argparse
import gc
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "circuit")]

import numpy as np  # noqa: E402
from ngspice_run import version  # noqa: E402
from ngspice_shared import Shared  # noqa: E402

from wakeboard.harness.describe.board.circuit import board_circuit  # noqa: E402
from wakeboard.harness.describe.load import load_board  # noqa: E402
from wakeboard.instruments.virtual.circuit import Circuit, Fault, Points, Variant  # noqa: E402
from wakeboard.instruments.virtual.circuit.bench import parts as bench_parts  # noqa: E402
from wakeboard.instruments.virtual.circuit.faults.library import library  # noqa: E402
from wakeboard.instruments.virtual.circuit.spice.write import node_names, write_variant  # noqa: E402

Values = Mapping[str, float | str | bool]
USB: Values = {"bench_USB.on": True, "bench_USB.limit": 0.5}
CELL: Values = {"bench_CELL.on": True, "bench_CELL.limit": 0.5}
PANEL: Values = {"bench_PANEL.on": True, "bench_PANEL.limit": 0.3}
STATES: tuple[Values, ...] = (
    USB,
    {**USB, "bench_USB.volts": 4.4},
    {**USB, "bench_USB.limit": 0.005},
    {**USB, "U1.GPIO12.drive": "high"},
    {**USB, "U1.GPIO13.drive": "high"},
    {**USB, "U1.GPIO13.drive": "high", "U1.GPIO7.drive": "high"},
    {**USB, **CELL, "U1.GPIO10.drive": "high"},
    CELL,
    {**CELL, "U1.GPIO12.drive": "high", "U1.GPIO13.drive": "high"},
    PANEL,
    {**PANEL, **CELL},
    {**USB, "U1.GPIO4.drive": "low", "U1.GPIO2.drive": "high"},
)
ABSENT = 1e18  # Ω, of a resistor that lies ready


@dataclass
class Spice:
    """A variant as netlists: whole, and as changes of the state's loaded one (None where it is no such change)."""

    state: int
    fault: Fault
    lines: list[str]
    changes: dict[str, tuple[float, float]] | None
    solved: bool = True


@dataclass
class Times:
    """Seconds of each round."""

    wall: list[float] = field(default_factory=list)
    processor: list[float] = field(default_factory=list)

    def take(self, work: Callable[[], object], children: bool = False) -> object:
        wall, processor = time.perf_counter(), _processor(children)
        answer = work()
        self.wall.append(time.perf_counter() - wall)
        self.processor.append(_processor(children) - processor)
        return answer


def _processor(children: bool) -> float:
    if not children:
        return time.process_time()
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


# --- ours -------------------------------------------------------------------------------------------------------------
def skep() -> tuple[Circuit, list[Fault]]:
    board = load_board(ROOT / "sequences" / "demo" / "skep" / "board.toml")
    feeds = [bench_parts.supply(n, s.net, board.ground, volts=s.volts.nominal) for n, s in board.supplies.items()]
    circuit = board_circuit(board).plus(*feeds)
    return circuit, library(circuit, board.adjacent, [line.net for line in board.lines.values()])


def dictionary(circuit: Circuit, faults: Sequence[Fault]) -> Points:
    """Every fault in every state, by state, in one batch; each begins at its state's fault-free point."""
    model = circuit.compile()
    variants = [Variant((fault,), state) for state in STATES for fault in faults]
    model.lift(variants)
    free = model.solve([Variant(values=state) for state in STATES]).require()
    start = Points.gathered([(free, state) for state in range(len(STATES)) for _ in faults])
    return model.solve(variants, start=start)


# --- ngspice's netlists -----------------------------------------------------------------------------------------------
def netlists(
    circuit: Circuit, faults: Sequence[Fault], sample: Sequence[tuple[int, int]]
) -> tuple[list[list[str]], list[Spice]]:
    """The loaded netlist of each state, and the sampled variants."""
    model = circuit.compile()
    starts = []
    for state in STATES:
        point = model.solve([Variant(values=state)]).require()
        starts.append({net: float(point.net(net)[0]) for net in circuit.nets})

    def text(state: int, *fault: Fault) -> list[str]:
        whole = write_variant(model, Variant(tuple(fault), STATES[state]), volts=starts[state])
        return [line for line in whole.splitlines() if line != ".op"]

    ready = _ready(text, [faults[index] for _, index in sample])
    bases = [text(state) for state in range(len(STATES))]
    found = []
    for state, index in sample:
        lines = text(state, faults[index])
        found.append(Spice(state, faults[index], lines, _changes(bases[state], lines, ready)))
    resistors = [f"{name} {a} {b} {ABSENT:g}" for (a, b), name in ready.items()]
    return [[*base[:-1], *resistors, ".end"] for base in bases], found


def _ready(text: Callable[..., list[str]], faults: Sequence[Fault]) -> dict[tuple[str, str], str]:
    """A resistor for every pair of nodes that some of the faults joins."""
    pairs: dict[tuple[str, str], str] = {}
    for fault in faults:
        for line in text(0, fault):
            if line.startswith("Rfault"):
                _, a, b, _ = line.split()
                pairs.setdefault((a, b), f"Rready_{len(pairs)}")
    return pairs


def _elements(lines: Sequence[str]) -> dict[str, list[str]]:
    """Elements of the top level; sub-circuits and models by their text."""
    found: dict[str, list[str]] = {}
    inside = False
    for line in lines:
        inside = (inside or line.startswith(".subckt")) and not line.startswith(".ends")
        words = line.split()
        if words and not line.startswith(("*", ".nodeset")):
            found[line if inside or line.startswith(".") else words[0]] = words
    return found


def _changes(
    base: Sequence[str], lines: Sequence[str], ready: Mapping[tuple[str, str], str]
) -> dict[str, tuple[float, float]] | None:
    """name -> (value under the fault, value before), if the fault is nothing but changes of values."""
    before, after = _elements(base), _elements(lines)
    changes: dict[str, tuple[float, float]] = {}
    for name in before.keys() | after.keys():
        old, new = before.get(name), after.get(name)
        if old == new:
            continue
        if old is None and new is not None and name.startswith("Rfault"):
            changes[ready[new[1], new[2]]] = (float(new[3]), ABSENT)
        elif new is None and old is not None and name[0] in "RC":
            changes[name] = (ABSENT if name[0] == "R" else 1e-18, float(old[3]))
        elif old is not None and new is not None and name[0] in "RCL" and old[:3] == new[:3]:
            changes[name] = (float(new[3]), float(old[3]))
        else:
            return None
    return changes


# --- ngspice's runs ---------------------------------------------------------------------------------------------------
def sourced(shared: Shared, variants: Sequence[Spice], look: Callable[[Spice], None] | None = None) -> list[float]:
    """Processor seconds of each."""
    found = []
    for each in variants:
        begun = time.process_time()
        shared.said.clear()
        shared.load(each.lines)
        shared.command("op")
        found.append(time.process_time() - begun)
        each.solved = not any("aborted" in said or "source stepping failed" in said for said in shared.said)
        if look:
            look(each)
        shared.drop()
    return found


def altered(shared: Shared, bases: Sequence[list[str]], variants: Sequence[Spice]) -> None:
    """By state; variants that are no change of values are sourced."""
    for state in sorted({each.state for each in variants}):
        loaded = [each for each in variants if each.state == state and each.changes is not None]
        if loaded:
            shared.load(bases[state])
        for each in loaded:
            assert each.changes is not None
            for name, (value, _) in each.changes.items():
                shared.command(f"alter {name} = {value:.17g}")
            shared.command("op")
            for name, (_, value) in each.changes.items():
                shared.command(f"alter {name} = {value:.17g}")
            shared.command("destroy all")
        if loaded:
            shared.drop()
    sourced(shared, [each for each in variants if each.changes is None])


def processes(folder: Path, variants: Sequence[Spice]) -> None:
    for number in range(len(variants)):
        file = folder / f"{number}.cir"
        subprocess.run(["ngspice", "-b", str(file)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False)


def _files(folder: Path, variants: Sequence[Spice], node: str) -> None:
    for number, each in enumerate(variants):
        control = [".control", "op", f"print v({node.lower()})", "quit", ".endc", ".end"]
        (folder / f"{number}.cir").write_text("\n".join([*each.lines[:-1], *control]) + "\n", encoding="utf-8")


class Agreement:
    """The worst disagreement, in units of 1e-6 relative + 1 µV."""

    def __init__(self, shared: Shared, circuit: Circuit, faults: Sequence[Fault], points: Points) -> None:
        self.shared, self.points, self.faults = shared, points, len(faults)
        self.nodes = {net: node for net, node in node_names(circuit).items() if node != "0"}
        self.index = {fault: k for k, fault in enumerate(faults)}
        self.worst, self.where, self.nets, self.beyond = 0.0, "", 0, 0

    def look(self, each: Spice) -> None:
        if not each.solved:
            return
        points, member = self.points, each.state * self.faults + self.index[each.fault]
        for net, node in self.nodes.items():
            want = self.shared.value(f"V({node.lower()})")
            off = abs(float(points.net(net)[member]) - want) / (1e-6 + 1e-6 * abs(want))
            self.nets += 1
            self.beyond += not off < 1
            if not off <= self.worst:
                self.worst, self.where = off, f"{net} in state {each.state} with {each.fault}, {want:.9g} V"


# --- the comparison ---------------------------------------------------------------------------------------------------
def _sample(count: int, faults: int) -> list[tuple[int, int]]:
    rng = np.random.default_rng(1)
    chosen = rng.choice(len(STATES) * faults, count, replace=False)
    return sorted((int(k) // faults, int(k) % faults) for k in chosen)


def _report(name: str, times: Times, scale: float, ours: Times) -> Iterator[str]:
    for kind, mine, theirs in (
        ("wall", ours.wall, times.wall),
        ("processor", ours.processor, times.processor),
    ):
        ratio = statistics.median([b * scale / a for a, b in zip(mine, theirs, strict=True)])
        whole = statistics.median(theirs) * scale
        yield f"{name:<23} {kind:<9} {whole:9.3f} s   {ratio:7.1f} times ours"


def _lines(circuit: Circuit, faults: int, run: _Run) -> Iterator[str]:
    total = faults * len(STATES)
    values = sum(each.changes is not None for each in run.sample)
    size = f"{len(circuit.parts)} parts, {len(circuit.nets)} nets"
    yield f"Skep: {size}; {faults} faults x {len(STATES)} states = {total}"
    rounds, lost = len(run.ours.wall), run.asked - len(run.sample)
    yield f"{version()}; {rounds} rounds; sample {run.asked}, {lost} without an answer from ngspice and not counted"
    yield f"of the rest {values} by alter; by process {run.few}"
    for kind, each in (("wall", run.ours.wall), ("processor", run.ours.processor)):
        seconds = statistics.median(each)
        yield f"{'ours':<23} {kind:<9} {seconds:9.3f} s   {seconds / total * 1e6:.0f} µs each, {run.failed} unsolved"
    count = len(run.sample)
    for label, times, part in (
        ("sourced", run.source, count),
        ("altered", run.alter, count),
        ("by process", run.process, run.few),
    ):
        yield from _report(f"ngspice, {label}", times, total / part, run.ours)
    typical = statistics.median(run.each)
    ratio = typical * total / statistics.median(run.ours.processor)
    yield f"{'ngspice, sourced':<23} typical   {typical * 1e6:.0f} µs a variant   {ratio:7.1f} times ours (processor)"
    a = run.agreement
    yield f"agreement: {a.beyond} of {a.nets} voltages beyond 1e-6 relative + 1 µV; worst {a.worst:.3f} of that,"
    yield f"  {a.where}"


@dataclass
class _Run:
    """What was measured."""

    asked: int
    failed: int
    agreement: Agreement
    sample: list[Spice] = field(default_factory=list)
    few: int = 0
    ours: Times = field(default_factory=Times)
    source: Times = field(default_factory=Times)
    alter: Times = field(default_factory=Times)
    process: Times = field(default_factory=Times)
    each: list[float] = field(default_factory=list)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--sample", type=int, default=96)
    parser.add_argument("--processes", type=int, default=12)
    options = parser.parse_args()
    circuit, faults = skep()
    bases, sample = netlists(circuit, faults, _sample(options.sample, len(faults)))
    shared = Shared()
    points = dictionary(circuit, faults)
    failed = int((~points.ok).sum())
    run = _Run(len(sample), failed, Agreement(shared, circuit, faults, points))
    run.each = sourced(shared, sample, run.agreement.look)
    # ngspice searches longest where it finds nothing: not counted
    run.sample = sample = [each for each in sample if each.solved]
    few = sample[:: max(1, len(sample) // options.processes)][: options.processes]
    run.few = len(few)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        _files(folder, few, "VSYS")
        gc.collect()
        gc.freeze()  # the netlists that only the benchmark holds are not gone through again and again
        for _ in range(options.rounds):
            run.ours.take(lambda: dictionary(circuit, faults))
            run.source.take(lambda: sourced(shared, sample))
            run.alter.take(lambda: altered(shared, bases, sample))
            run.process.take(lambda: processes(folder, few), children=True)
    for line in _lines(circuit, len(faults), run):
        print(line)


if __name__ == "__main__":
    main()
