"""The solver against ngspice, circuit by circuit: a thousand random ones, and every part kind.

    python tests/benchmarks/differential.py [--circuits 1000] [--each 20] [--seed 1] [--only KIND:SEED]
    python tests/benchmarks/differential.py --keep FILE --minutes 5     in pieces: goes on where the last one stopped

- Random circuits: three to fourteen nets, one to four ideal sources (on ground, or on one another), resistors of six
  decades, diodes, LEDs, zeners, transistors of both kinds, current sources, capacitors; one net in ten hangs on a
  junction alone.
- Every part kind that a board may have: each with random values and its pins behind random resistors to random feeds.

Each is solved from rest, written by `write_netlist`, and handed to ngspice, first without `.nodeset`, so
that ngspice searches for itself. Where the two differ ngspice is asked once more from the solver's answer: what it then
confirms is another point of a circuit that has several. An error is |ours - ngspice's| / (1e-6 of ngspice's + 1 µV) in
the worst net: 1 is what the suite allows. Printed: a table a kind, and the worst circuits, which `--only` prints.
What ngspice finds no answer to is counted and left out. What is kept in a file holds for the solver as it was: begin
another one after a change.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[1] / "circuit")]

from ngspice_run import operating_point, version  # noqa: E402

from wakeboard.instruments.virtual.circuit import Circuit, CircuitError, Part, Variant  # noqa: E402
from wakeboard.instruments.virtual.circuit.parts import kinds  # noqa: E402
from wakeboard.instruments.virtual.circuit.spice.write import write_netlist  # noqa: E402

Draw = np.random.Generator
RELATIVE, VOLTS = 1e-6, 1e-6
PATIENCE = 1  # s: what has no answer by then is counted as unsolved by ngspice
UNSOLVED = "unsolved here"
NOT_OF_THEIR_OWN = ("connector", "unmodelled")  # kinds without an element


@dataclass(frozen=True)
class Outcome:
    """Of one circuit. error: the worst net's, None where nothing could be compared; what: told beside the error, or
    why there is none."""

    row: str
    name: str
    error: float | None
    what: str = ""


@dataclass
class Tally:
    """Of one row of the table: errors of the circuits compared, and what could not be."""

    errors: list[float] = field(default_factory=list)
    counts: Counter[str] = field(default_factory=Counter)
    worst: tuple[float, str] = (0.0, "")

    def add(self, outcome: Outcome) -> None:
        if outcome.what:
            self.counts[outcome.what] += 1
        if outcome.error is not None:
            self.errors.append(outcome.error)
            self.worst = max(self.worst, (outcome.error, outcome.name))
        elif outcome.what == UNSOLVED:
            self.worst = max(self.worst, (float("inf"), outcome.name))

    def row(self, name: str) -> str:
        errors = np.array(self.errors or [0.0])
        within = f"{int((errors <= 1).sum())}" if self.errors else "-"
        others = "; ".join(f"{count} {what}" for what, count in sorted(self.counts.items()))
        return f"| {name} | {len(self.errors)} | {within} | {np.median(errors):.2g} | {errors.max():.2g} | {others} |"


# --- circuits ---------------------------------------------------------------------------------------------------------
def _decades(draw: Draw, low: float, high: float) -> float:
    return float(np.exp(draw.uniform(np.log(low), np.log(high))))


JUNCTIONS = ("diode", "schottky", "led", "zener", "bjt")


class Joined:
    """Nets that junctions join, one after the other."""

    def __init__(self) -> None:
        self.groups: list[set[str]] = []

    def with_(self, nets: Iterable[str]) -> set[str]:
        met = set(nets)
        return met.union(*(group for group in self.groups if group & met))

    def join(self, nets: Iterable[str]) -> None:
        whole = self.with_(nets)
        self.groups = [group for group in self.groups if not group & whole] + [whole]


def random_circuit(draw: Draw) -> list[Part]:
    """Parts of a random circuit in which every net has a way to ground, if only through junctions.

    Nothing but junctions never lies between two nets of ideal sources: 14 V across a diode of 1 µΩ are 14 MA, and what
    they drive through a transistor is the difference of two currents of 20 MA, which a double knows to 40 nA: nothing
    about a board. (Circuits 40 and 63 of seed 1 were such, drawn before this.)"""
    nets = ["GND", *(f"N{k}" for k in range(int(draw.integers(3, 15))))]
    parts: list[Part] = []
    fed = ["GND"]
    joined = Joined()

    def add(kind: str, pins: dict[str, str], **values: object) -> None:
        forced = kind in JUNCTIONS and sum(net in fed for net in joined.with_(pins.values())) > 1
        if len(set(pins.values())) < len(pins) or forced:
            return
        if kind in JUNCTIONS:
            joined.join(pins.values())
        parts.append(Part(f"X{len(parts)}", kind, pins, values))  # type: ignore[arg-type]

    for net in nets[1 : 1 + int(draw.integers(1, 5))]:
        add("v_source", {"P": net, "N": str(draw.choice(fed))}, volts=float(draw.uniform(-6, 12)))
        fed.append(net)
    reached = list(fed)
    for net in nets[len(fed) :]:  # a tree, so that nothing is left in the air
        to = str(draw.choice(reached))
        if draw.random() < 0.1:
            add("diode", {"A": to, "K": net} if draw.random() < 0.5 else {"A": net, "K": to})
        else:
            add("resistor", {"1": net, "2": to}, value=_decades(draw, 1, 1e6))
        reached.append(net)
    for _ in range(int(draw.integers(2, 2 * len(nets)))):
        a, b, c = (str(each) for each in draw.choice(nets, 3, replace=False))
        match str(draw.choice(["resistor"] * 4 + ["diode", "schottky", "led", "zener", "mosfet", "bjt", "i", "c"])):
            case "resistor":
                add("resistor", {"1": a, "2": b}, value=_decades(draw, 1, 1e6))
            case "zener":
                add("zener", {"A": a, "K": b}, volts=float(draw.uniform(2.4, 9)))
            case "mosfet":
                channel = str(draw.choice(["n", "p"]))
                add("mosfet", {"D": a, "G": b, "S": c}, channel=channel, threshold=float(draw.uniform(0.6, 2)),
                    beta=_decades(draw, 1e-4, 1))  # fmt: skip
            case "bjt":
                add("bjt", {"C": a, "B": b, "E": c}, type=str(draw.choice(["npn", "pnp"])),
                    gain=float(draw.uniform(20, 400)))  # fmt: skip
            case "i":
                add("i_source", {"P": a, "N": b}, amps=float(draw.uniform(-1e-3, 1e-3)))
            case "c":
                add("capacitor", {"1": a, "2": b}, value=1e-6)
            case kind:
                add(kind, {"A": a, "K": b})
    return parts


_VALUES = {
    "resistor": lambda d: {"value": _decades(d, 1, 1e6)},
    "capacitor": lambda d: {"value": 1e-6, "leak_ohms": _decades(d, 1e4, 1e8)},
    "inductor": lambda d: {"value": 1e-5, "ohms": _decades(d, 0.01, 10)},
    "zener": lambda d: {"volts": float(d.uniform(2.4, 9))},
    "load": lambda d: {"ohms": _decades(d, 100, 1e5), "amps": float(d.uniform(0, 5e-3)), "watts": 2e-3},
    "supervisor": lambda d: {"threshold": float(d.uniform(1.5, 4.5)), "push_pull": bool(d.random() < 0.5)},
    "switch": lambda d: {"on": bool(d.random() < 0.5)},
    "ldo": lambda d: {"volts": float(d.uniform(1.2, 3.3))},
    "buck": lambda d: {"volts": float(d.uniform(1.2, 3.3))},
    "boost": lambda d: {"volts": float(d.uniform(5, 9))},
    "adjustable_ldo": lambda d: {"reference": float(d.uniform(0.6, 1.25))},
    "adjustable_buck": lambda d: {"reference": float(d.uniform(0.6, 1.25))},
    "adjustable_boost": lambda d: {"reference": float(d.uniform(0.6, 1.25))},
    "crystal": lambda d: {"value": 32768.0},
    "motor": lambda d: {"volts": float(d.uniform(3, 6)), "amps": float(d.uniform(0.02, 0.2)), "ohms": 2.0},
    "v_source": lambda d: {"volts": float(d.uniform(-5, 9)), "ohms": float(d.choice([0.0, 10.0]))},
    "i_source": lambda d: {"amps": float(d.uniform(-1e-3, 1e-3))},
    "mosfet": lambda d: {"channel": str(d.choice(["n", "p"])), "threshold": float(d.uniform(0.6, 2))},
    "bjt": lambda d: {"type": str(d.choice(["npn", "pnp"])), "gain": float(d.uniform(20, 400))},
    "battery": lambda d: {"volts": float(d.uniform(3, 4.2))},
    "fuse": lambda d: {"ohms": _decades(d, 0.01, 1)},
}  # fmt: skip


def around(kind: str, draw: Draw) -> list[Part]:
    """One part of a kind, its pins behind resistors to feeds of 3.3 V, 5 V, 9 V and ground."""
    feeds = {"GND": 0.0, "F1": 3.3, "F2": 5.0, "F3": 9.0}
    parts = [Part(f"V{net}", "v_source", {"P": net, "N": "GND"}, {"volts": v}) for net, v in feeds.items() if v]
    values = _VALUES.get(kind, lambda d: {})(draw)
    names = kinds()[kind].pins
    if kind == "chip":
        names = ("VDD", "IO1", "IO2", "GND")
        drives = [str(draw.choice(["high", "low", "hiz"])) for _ in range(2)]
        entry = {"type": "io", "rail": "VDD", "ohms": 40.0, "clamp": True}
        io = {pin: {**entry, "drive": drive} for pin, drive in zip(("IO1", "IO2"), drives, strict=True)}
        values = {"supply": {"VDD": {"draws": 5e-3, "above": 1.5}}, "io": io}
    pins = {pin: "GND" if pin == "GND" else f"P{k}" for k, pin in enumerate(names)}
    parts.append(Part("X", kind, pins, values))  # type: ignore[arg-type]
    for net in dict.fromkeys(pins.values()):
        if net != "GND":
            ohms = float(draw.choice([1.0, 10.0, 100.0, 1e3, 1e5]))
            parts.append(Part(f"R{net}", "resistor", {"1": net, "2": str(draw.choice(list(feeds)))}, {"value": ohms}))
            parts.append(Part(f"S{net}", "resistor", {"1": net, "2": "GND"}, {"value": _decades(draw, 1e3, 1e6)}))
    return parts


# --- comparing --------------------------------------------------------------------------------------------------------
def _asked(text: str, nets: Iterable[str], started: bool) -> dict[str, float] | None:
    """ngspice's answer, by a process of its own: some searches never end, and only a process can be ended."""
    lines = [line for line in text.splitlines() if started or not line.lower().startswith(".nodeset")]
    with tempfile.TemporaryDirectory() as folder:
        try:
            return operating_point("\n".join(lines), nets, Path(folder), seconds=PATIENCE)
        except (RuntimeError, KeyError, subprocess.TimeoutExpired):
            return None


def _error(ours: dict[str, float], theirs: dict[str, float]) -> float:
    return max(abs(ours[net] - v) / (RELATIVE * abs(v) + VOLTS) for net, v in theirs.items())


def compare(row: str, name: str, parts: list[Part]) -> Outcome:
    """One circuit by both."""
    try:
        circuit = Circuit(parts)
        points = circuit.compile().solve([Variant()])
    except CircuitError:
        return Outcome(row, name, None, "refused")
    if points.status[0] != "ok":
        return Outcome(row, name, None, UNSOLVED)
    ours = {net: float(points.net(net)[0]) for net in circuit.nets if net != "GND"}
    text = write_netlist(circuit, Variant(), name)
    theirs = _asked(text, ours, started=False)
    error = _error(ours, theirs) if theirs is not None else float("inf")
    if error <= 1:
        return Outcome(row, name, error)
    again = _asked(text, ours, started=True)
    if again is None and theirs is None:
        return Outcome(row, name, None, "unsolved by ngspice")
    if again is not None and (theirs is None or _error(ours, again) < error):
        return Outcome(row, name, _error(ours, again), "found by ngspice from our answer only")
    return Outcome(row, name, error)


def cases(circuits: int, each: int, seed: int) -> Iterator[tuple[str, str, list[Part]]]:
    """(row, name, parts)."""
    for k in range(circuits):
        yield "random circuits", f"random:{seed + k}", random_circuit(np.random.default_rng(seed + k))
    for kind, what in kinds().items():
        if not what.bench and kind not in NOT_OF_THEIR_OWN:
            for k in range(each):
                yield f"`{kind}`", f"{kind}:{seed + k}", around(kind, np.random.default_rng([seed + k, len(kind)]))


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--circuits", type=int, default=1000)
    options.add_argument("--each", type=int, default=20)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--only", help="print one circuit's netlist, as KIND:SEED")
    options.add_argument(
        "--keep", type=Path, metavar="FILE", help="a line a circuit: go on where the last piece stopped"
    )
    options.add_argument("--minutes", type=float, default=1e6, help="begin nothing new after so many")
    given = options.parse_args()
    if given.only:
        kind, _, number = given.only.partition(":")
        draw = np.random.default_rng(int(number) if kind == "random" else [int(number), len(kind)])
        parts = random_circuit(draw) if kind == "random" else around(kind, draw)
        print(write_netlist(Circuit(parts), Variant(), given.only))
        return 0
    kept = [Outcome(**json.loads(line)) for line in _lines(given.keep)]
    known = {outcome.name for outcome in kept}
    wanted = list(cases(given.circuits, given.each, given.seed))
    ends = time.monotonic() + 60 * given.minutes
    for row, name, parts in wanted:
        if time.monotonic() > ends:
            break
        if name not in known:
            kept.append(compare(row, name, parts))
            if given.keep:
                with given.keep.open("a", encoding="utf-8") as stream:
                    stream.write(json.dumps(asdict(kept[-1])) + "\n")
    show([row for row, _, _ in wanted], kept, given.seed)
    if len(kept) < len(wanted):
        print(f"\nNOT WHOLE: {len(wanted) - len(kept)} of {len(wanted)} were not tried.")
    return 0


def _lines(path: Path | None) -> list[str]:
    return path.read_text(encoding="utf-8").splitlines() if path is not None and path.exists() else []


def show(order: Iterable[str], outcomes: Iterable[Outcome], seed: int) -> None:
    """The table, in the order of the rows, and the worst circuits."""
    rows: dict[str, Tally] = defaultdict(Tally)
    for outcome in outcomes:
        rows[outcome.row].add(outcome)
    print(f"{version()}, seed {seed}; errors in units of 1e-6 relative + 1 µV\n")
    print("| circuits | compared | within 1 | median | worst | besides |\n| --- | ---: | ---: | ---: | ---: | --- |")
    for row in dict.fromkeys(order):
        print(rows[row].row(row))
    over = sorted((tally.worst for tally in rows.values() if tally.worst[0] > 1), reverse=True)
    for error, name in over:
        print(f"worst: {name} {error:.3g}")


if __name__ == "__main__":
    raise SystemExit(main())
