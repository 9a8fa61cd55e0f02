"""A small board, and runs of it made by solving its circuit with faults planted, parts drawn and noise added."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest

from wakeboard.harness.describe.board.board import Board
from wakeboard.harness.describe.load import board_of
from wakeboard.harness.describe.state import BenchState
from wakeboard.harness.describe.toml.document import read_text
from wakeboard.harness.explain.evidence.observe import CURRENT, OHMS, VOLTS, Observation
from wakeboard.harness.explain.evidence.predict import Change, Predictor
from wakeboard.harness.explain.unit.cases import BoardModel, Case
from wakeboard.instruments.virtual.circuit import parse_fault
from wakeboard.results.records import Reading, RunRecord, RunStart, Step

BOARD = """
[board]
name = "Wren"
revision = "A"
adjacent = [["+3V3", "GND"], ["RST", "IRQ"]]

[supplies.USB]
net = "VUSB"
volts = "5 V"
range = "4.40 .. 5.25 V"
budget = "500 mA"

[rails.V33]
net = "+3V3"
from = "USB"
volts = "3.3 V ± 3 %"

[lines.RST]
net = "RST"
levels = "lvcmos-3v3"
driven_by = "U1.GPIO1"
when = { boot = "low", released = "high" }

[lines.CS]
net = "CS"
levels = "lvcmos-3v3"
driven_by = "U1.GPIO2"
when = { boot = "high" }

[lines.IRQ]
net = "IRQ"
levels = "lvcmos-3v3"
when = { boot = "low" }

[points]
TP1 = { net = "+3V3" }
TP2 = { net = "RST" }
TP3 = { net = "CS" }
TP4 = { net = "IRQ" }
TP5 = { net = "VIN" }

[parts]
D1 = { kind = "schottky", drop = "0.40 V", at = "1 A", pins = { A = "VUSB", K = "VIN" } }
C1 = { kind = "capacitor", value = "1 µF", tolerance = "20 %", pins = ["VIN", "GND"] }
C2 = { kind = "capacitor", value = "4.7 µF", tolerance = "20 %", pins = ["+3V3", "GND"] }
R1 = { kind = "resistor", value = "47k", tolerance = "1 %", pins = ["RST", "GND"] }
R2 = { kind = "resistor", value = "10k", tolerance = "1 %", pins = ["+3V3", "CS"] }
R3 = { kind = "resistor", value = "100k", tolerance = "1 %", pins = ["IRQ", "GND"] }

[parts.U2]
kind = "ldo"
volts = "3.3 V ± 2 %"
dropout = "200 mV"
limit = "600 mA"
lockout = "2.2 V"
quiescent = "60 µA"
enable_above = "1.0 V"
enable_pull = "none"
variants = ["2.8 V"]
pins = { IN = "VIN", OUT = "+3V3", EN = "VIN", GND = "GND" }

[parts.U1]
kind = "chip"
pins = { VDD = "+3V3", GND = "GND", GPIO1 = "RST", GPIO2 = "CS", GPIO3 = "IRQ" }
supply = { VDD = { draws = "8 mA ± 25 %", above = "1.8 V" } }

[parts.U1.io]
GPIO1 = { type = "io", ohms = "40 Ω", max = "12 mA", pulls = "none" }
GPIO2 = { type = "io", ohms = "40 Ω", max = "12 mA", pulls = "none" }
GPIO3 = { type = "io", ohms = "40 Ω", max = "12 mA", pulls = "none" }

[parts.U3]
kind = "chip"
pins = { VDD = "+3V3", GND = "GND", NRST = "RST", CS = "CS" }
supply = { VDD = { draws = "1 mA ± 25 %", above = "1.8 V" } }

[parts.U3.io]
NRST = { type = "input" }
CS = { type = "input", pulls = "none" }
"""

ON = "USB=5V@120mA"
WANTED = [
    ("VUSB", "ohms", "off"), ("+3V3", "ohms", "off"), ("USB", "current", ON), ("VIN", "dc volts", f"{ON}; load=10MΩ"),
    ("+3V3", "dc volts", f"{ON}; load=10MΩ"), ("RST", "dc volts", f"{ON}; load=10MΩ"),
    ("CS", "dc volts", f"{ON}; load=10MΩ"), ("IRQ", "dc volts", f"{ON}; load=10MΩ"),
    ("RST", "dc volts", f"{ON}; load=9.99001kΩ"),
    ("RST", "dc volts", f"{ON}; U1.GPIO1=high; load=10MΩ"),
    ("IRQ", "dc volts", f"{ON}; U1.GPIO1=high; load=10MΩ"),
    ("CS", "dc volts", f"{ON}; U1.GPIO2=low; load=10MΩ"),
]  # fmt: skip
LIMITS = {"RST": (None, 0.8), "CS": (2.0, None), "IRQ": (None, 0.8), "+3V3": (3.2, 3.4)}
KINDS = {"ohms": "resistance", "current": "power on", "dc volts": "line"}


def parse_board(text: str) -> Board:
    document = read_text(text, "board.toml")
    board = board_of(document)
    assert board is not None
    assert not document.problems, document.problems
    return board


@pytest.fixture(scope="session")
def wren() -> BoardModel:
    return BoardModel.of(parse_board(BOARD))


RunMaker = Callable[..., RunRecord]


@pytest.fixture(scope="session")
def make_run(wren: BoardModel) -> RunMaker:
    """make_run(["R2:missing"], unit="W1", seed=3) -> a run whose readings the faulty board gives."""
    blank = [_blank(of, quantity, state) for of, quantity, state in WANTED]
    lifted = [parse_fault(s.text) for s in wren.suspects if s.category == "lifted"]
    bench = Predictor(wren.circuit, wren.supplies, blank, None, lifted)

    def make(
        faults: Sequence[str] = (), unit: str = "W1", seed: int = 3, edit: Callable[[list[Reading]], None] | None = None
    ) -> RunRecord:
        rng = np.random.default_rng(seed)
        change = Change(tuple(parse_fault(f) for f in faults), seed=seed)
        seen = bench.predict([change], exact=True)[0]
        readings = [_reading(o, float(y), rng) for o, y in zip(blank, seen, strict=True)]
        if edit is not None:
            edit(readings)
        steps = tuple(
            Step(k, r.of, KINDS[r.quantity], r.outcome, float(k), k + 0.5, (r,))
            for k, r in enumerate(readings, start=1)
        )
        start = RunStart(unit, "Wren", "A", BOARD, "test", "", virtual=True)
        return RunRecord(
            f"{seed:02x}{abs(hash(unit)) % 16:x}" + "0" * 29, start, float(seed), steps=steps, outcome="fail"
        )

    return make


def _blank(of: str, quantity: str, state: str) -> Observation:
    reading = Reading(of, quantity, None, "V", state=state, range=10e3 if quantity == "ohms" else None)
    return Observation(
        of, quantity, BenchState.parse(state), 0.0, 1.0, 0, reading, top=12e3, test_amps=1e-4, open_volts=9.0
    )


def _reading(o: Observation, y: float, rng: np.random.Generator) -> Reading:
    if o.quantity == OHMS:
        value: float | None = 10**y * (1 + 1e-3 * rng.normal()) if 10**y < 0.999 * o.top else None
        return Reading(o.of, OHMS, value, "Ω", u=1.0, state=o.state.key, range=10e3, instrument="meter")
    u = 1e-4 if o.quantity == VOLTS else 3e-4
    value = y + u * float(rng.normal())
    low, high = LIMITS.get(o.of, (None, None)) if o.quantity == VOLTS and not o.state.pins else (None, None)
    bad = (low is not None and value < low) or (high is not None and value > high)
    return Reading(
        o.of, o.quantity, value, "V" if o.quantity != CURRENT else "A", u, low, high, "fail" if bad else "pass",
        o.state.key, "meter",
    )  # fmt: skip


@pytest.fixture
def case(wren: BoardModel, make_run: RunMaker) -> Callable[..., Case]:
    def make(*faults: str, **options: object) -> Case:
        return Case(make_run(list(faults), **options), wren)

    return make


@pytest.fixture
def board_text() -> str:
    return BOARD


@pytest.fixture
def board_file(tmp_path: Path) -> Path:
    path = tmp_path / "board.toml"
    path.write_text(BOARD, encoding="utf-8")
    return path
