"""How the time of an explanation grows with the board: Skep once, twice and four times on one board.

    python tests/benchmarks/explain_growth.py [--table FILE]

The copies hang on one VSYS and one ground; all else is each copy's own. Readings: every point's volts and ohms both
ways round, every line under 10 kΩ, the supply's current, at 5 V on USB; predicted by the circuit with one fault
planted, parts drawn, a meter's noise added. Each explanation begins with nothing solved, as the command does.
"""

from __future__ import annotations

import argparse
import itertools
import re
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from explain_trials import SKEP, put, table

from wakeboard.harness.describe.board.board import Board
from wakeboard.harness.describe.board.circuit import board_circuit
from wakeboard.harness.describe.load import board_of
from wakeboard.harness.describe.state import BenchState
from wakeboard.harness.describe.toml.document import read_text
from wakeboard.harness.explain.evidence.observe import CURRENT, OHMS, REVERSED, VOLTS, Observation
from wakeboard.harness.explain.evidence.predict import Predictor
from wakeboard.harness.explain.explaining import explain_case
from wakeboard.harness.explain.unit.cases import BoardModel, Case
from wakeboard.instruments.virtual.circuit import parse_fault
from wakeboard.instruments.virtual.circuit.bench.change import Change
from wakeboard.results.records import Reading, RunRecord, RunStart, Step

COPIES = (1, 2, 4)
FAULTS = ("U5{}.NRST:pull_up=13k", "R14{}:missing", "U2{}:variant=2.8 V")
SHARED = ("GND", "VSYS")
ON = "USB=5V@500mA"


def grown(copies: int) -> Board:
    """Skep, and further Skeps on its VSYS."""
    text = (SKEP.parent / "board.toml").read_text(encoding="utf-8")
    drawn = board_of(read_text(text, "Skep"))
    assert drawn is not None
    own = set(board_circuit(drawn).nets) - set(SHARED)
    marks = ("# --- control lines", "[points]", "[parts]", "[parts.U1]", "[links.")
    places = [text.index(mark) for mark in marks]
    lines, points, parts, tables = (text[a:b] for a, b in itertools.pairwise(places))
    out = [text[: places[0]]]
    for body in (lines, points, parts, tables):
        out += [body, *(renamed(body, f"_{copy}", own) for copy in range(2, copies + 1))]
    document = read_text("\n".join(out), f"Skep {copies} times")
    board = board_of(document)
    if board is None or document.problems:
        raise ValueError("; ".join(str(problem) for problem in document.problems))
    return board


def renamed(text: str, suffix: str, own: set[str]) -> str:
    """A copy's text: its parts, points, lines and nets under names of their own."""
    tables = text.startswith("[parts.")
    text = re.sub(r"(?m)^(needs = .*|\[points\]|\[parts\])$", "", text)
    if tables:
        text = re.sub(r"(?m)^\[parts\.(\w+?)(\.io)?\]", rf"[parts.\1{suffix}\2]", text)
    else:
        text = re.sub(r"(?m)^([A-Z]\w*) = \{", rf"\1{suffix} = {{", text)
    text = text.replace('levels = "i2c"', 'levels = "lvcmos-3v3"')  # those would need a rail of their own
    text = re.sub(r"(?m)^\[lines\.(\w+)\]", rf"[lines.\1{suffix}]", text)
    text = re.sub(r'"([A-Z]+\d+)\.(\w+)"', rf'"\1{suffix}.\2"', text)
    return re.sub(r'"([^"\n]+)"', lambda found: f'"{found[1]}{suffix}"' if found[1] in own else found[0], text)


@dataclass(frozen=True)
class Measured:
    copies: int
    parts: int
    nets: int
    suspects: int
    readings: int
    solved: int
    seconds: float
    wall: float
    first: bool


def wanted(board: Board, nets: list[str]) -> Iterator[Observation]:
    def one(of: str, quantity: str, state: str, turned: bool = False) -> Observation:
        reading = Reading(of, REVERSED if turned else quantity, None, "V", state=state, range=10e3)
        return Observation(
            of, quantity, BenchState.parse(state), 0.0, 1.0, 0, reading, turned=turned, top=10e6, test_amps=1e-4,
            open_volts=13.0, shunt=10e3,
        )  # fmt: skip

    for net in nets:
        yield one(net, OHMS, "off")
        yield one(net, OHMS, "off", turned=True)
        yield one(net, VOLTS, f"{ON}; load=10MΩ")
    for line in board.lines.values():
        yield one(line.net, VOLTS, f"{ON}; load=9.99001kΩ")
    yield one("USB", CURRENT, ON)


def run_of(board: Board, model: BoardModel, fault: str, seed: int) -> RunRecord:
    """A run whose readings the faulty board gives."""
    nets = list(dict.fromkeys(point.net for point in board.points.values()))
    asked = list(wanted(board, nets))
    seen = Predictor(model.circuit, model.supplies, asked, stand=model.stand).predict(
        [Change((parse_fault(fault),), seed=seed)], exact=True
    )[0]
    rng = np.random.default_rng(seed)
    steps = []
    for k, (o, y) in enumerate(zip(asked, seen.tolist(), strict=True), start=1):
        if o.quantity == OHMS:
            value, unit, u = o.ohms_of(y), "Ω", max(0.002 * o.ohms_of(y), 0.5)
            value *= 1 + 1e-3 * rng.normal()
        else:
            unit, u = ("V", 2e-4) if o.quantity == VOLTS else ("A", 3e-4)
            value = y + u * rng.normal()
        over = o.quantity == OHMS and not np.isfinite(value)
        reading = Reading(
            o.of, o.reading.quantity, None if over else value, unit, u=None if over else u, state=o.state.key,
            range=10e3 if o.quantity == OHMS else None, says="above 5 MΩ" if over else "", outcome="pass",
        )  # fmt: skip
        detail = {"shunt_ohms": 10e3, "test_amps": 1e-4, "open_volts": 13.0} if o.quantity == OHMS else {}
        steps.append(Step(k, o.of, "volts", "pass", float(k), k + 0.5, (reading,), detail=detail))
    start = RunStart("G", board.name, board.revision, board.text, "growth", "", virtual=True)
    return RunRecord("0" * 32, start, 0.0, steps=tuple(steps), outcome="fail")


def measure(copies: int, fault: str) -> Measured:
    board = grown(copies)
    planted = fault.format("" if copies == 1 else f"_{copies}")
    run = run_of(board, BoardModel.of(board), planted, 7)
    began, wall = time.process_time(), time.perf_counter()
    model = BoardModel.of(board)
    case = Case(run, model)
    found = explain_case(case, pairs=False, ask_next=False)
    spent, lasted = time.process_time() - began, time.perf_counter() - wall
    named = [found.groups[0].name, *(text for text, _ in found.groups[0].same)]
    first = any(name.partition("=")[0] == planted.partition("=")[0] for name in named)
    return Measured(
        copies, len(model.circuit.parts), len(model.circuit.nets), len(model.suspects), len(case.observations),
        model.stand.solved, spent, lasted, first,
    )  # fmt: skip


def section(done: list[Measured]) -> str:
    rows = []
    for copies in dict.fromkeys(m.copies for m in done):
        each = [m for m in done if m.copies == copies]
        one = each[0]
        rows.append([
            one.parts, one.nets, one.suspects, one.readings, round(np.mean([m.solved for m in each])),
            f"{np.mean([m.seconds for m in each]):.2f}", f"{np.mean([m.wall for m in each]):.2f}",
            f"{sum(m.first for m in each)} of {len(each)}",
        ])  # fmt: skip
    return (
        "Made by `python tests/benchmarks/explain_growth.py`: Skep once, twice and four times on one VSYS, three\n"
        "faults each, single faults, nothing solved beforehand; imports left out.\n\n"
        + table(
            ["parts", "nets", "suspects", "readings", "operating points", "processor s", "wall s", "true group first"],
            rows,
        )
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--table", type=Path)
    options = parser.parse_args()
    measure(1, FAULTS[0])  # what is compiled or imported at first use is not counted
    done = []
    for copies in COPIES:
        for fault in FAULTS:
            m = measure(copies, fault)
            print(m, flush=True)
            done.append(m)
    text = section(done)
    print(text)
    if options.table:
        put(options.table, "Growth with the board", text)
