"""A rehearsal of the step "start-up": the transient of each fault, and capacitors that no meter at rest sees.

Figures of an RC are the handbook's: RC·ln 9 (2.197 RC) from 10 % to 90 %.
"""

from __future__ import annotations

import math
import shutil
from pathlib import Path

import pytest

from wakeboard.harness.describe.load import load_sequence
from wakeboard.harness.rehearse.rehearsal import rehearse
from wakeboard.harness.rehearse.trial import Shared, run_trial
from wakeboard.instruments.ports import Shot, View
from wakeboard.instruments.virtual.bench import VirtualBench, prepare
from wakeboard.instruments.virtual.circuit import Circuit, Part, parse_fault
from wakeboard.instruments.virtual.circuit.bench.parts import supply_name
from wakeboard.instruments.virtual.direct.scope import DirectScope

SKEP = Path(__file__).parents[2] / "sequences" / "demo" / "skep"
STEPS = """
title = "Start-up"
board = "board.toml"

[[step]]
do = "{kind}"
supply = "USB"
limit = "120 mA"
why = "the test is of what it sees"
{more}
"""
SEEN = ['do = "rails"', 'do = "line"\nof = ["MCU_RST"]\nstate = "boot"', 'do = "power off"\nsupply = "USB"']
WATCHED = 'of = ["USB", "V33", "MCU_RST"]\norder = ["V33", "MCU_RST"]\nwithin = { MCU_RST = "2.3 ms .. 4 ms" }'


def test_the_rise_of_an_rc_is_the_handbooks() -> None:
    parts = [
        Part("R1", "resistor", {"1": "VUSB", "2": "OUT"}, {"value": 10e3}),
        Part("C1", "capacitor", {"1": "OUT", "2": "GND"}, {"value": 10e-6}),
    ]
    bench = VirtualBench(prepare(Circuit(parts), {"USB": "VUSB"}, {}), transients=False, drawn=False)
    scope, supply = DirectScope(bench.simulation, [supply_name("USB")]), supply_name("USB")  # type: ignore[arg-type]
    scope.prepare([View("VUSB", 0, 6.0), View("OUT", 0, 6.0)], Shot(0.05, 0.9, "VUSB", 2.5))
    scope.arm()
    assert not scope.done()
    bench.simulation.change({f"{supply}.on": True, f"{supply}.volts": 5.0, f"{supply}.limit": 0.1})
    assert scope.done()
    rise = scope.read("OUT").rise()
    assert rise.value == pytest.approx(math.log(9) * 0.1, abs=2 * rise.u)


def test_a_capacitor_that_no_meter_at_rest_sees_is_caught(tmp_path: Path) -> None:
    shutil.copy(SKEP / "board.toml", tmp_path / "board.toml")
    rest = "".join(f"\n[[step]]\n{each}\n" for each in SEEN)
    faults = [parse_fault("C10:value=10u"), parse_fault("C10:missing")]
    caught = {}
    for kind, more in (("power on", rest), ("start-up", WATCHED + rest)):
        (tmp_path / "steps.toml").write_text(STEPS.format(kind=kind, more=more), encoding="utf-8")
        sequence = load_sequence(tmp_path / "steps.toml")
        shared = Shared(sequence.board, [[each] for each in faults])
        good = run_trial(sequence, [], shared)
        assert good.outcome == "pass", good.error
        caught[kind] = [run_trial(sequence, [each], shared).caught_at(good) for each in faults]
    assert caught == {"power on": [None, None], "start-up": [1, 1]}


def test_faults_that_only_time_tells_apart_are_each_run(tmp_path: Path) -> None:
    """At rest a missing capacitor and one of another value are one and the same; one of the two is late."""
    shutil.copy(SKEP / "board.toml", tmp_path / "board.toml")
    (tmp_path / "steps.toml").write_text(STEPS.format(kind="start-up", more=WATCHED), encoding="utf-8")
    faults = [[parse_fault(text)] for text in ("C6:missing", "C10:value=1u", "C11:missing")]
    found = rehearse(load_sequence(tmp_path / "steps.toml"), faults, workers=1)
    assert [each.fault for each in found.caught] == ["C10:value=1u"]
    assert found.equivalent == ["C6:missing", "C11:missing"]
