"""Predicted readings of faulty boards against ngspice, given a netlist written by hand, and against closed forms."""

import math
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from wakeboard.harness.describe.state import BenchState
from wakeboard.harness.explain.evidence.observe import Observation
from wakeboard.harness.explain.evidence.predict import Change, Predictor
from wakeboard.instruments.virtual.circuit import Circuit, Part, parse_fault
from wakeboard.instruments.virtual.circuit.bench.unknowns import bounded
from wakeboard.instruments.virtual.circuit.solver.devices import THERMAL_VOLTS
from wakeboard.results.records import Reading

ON = "USB=5V@200mA"


def board() -> Circuit:
    def resistor(name: str, ohms: float, a: str, b: str) -> Part:
        return Part(name, "resistor", {"1": a, "2": b}, {"value": ohms}, {"value": 0.01})

    chip = Part(
        "U1", "chip", {"VDD": "VIN", "GND": "GND", "P": "LINE"},
        {"io": {"P": {"type": "input", "clamp": False}}, "supply": {"VDD": {"draws": 0.0, "above": 1.0}}},
    )  # fmt: skip
    return Circuit(
        [
            Part("D1", "schottky", {"A": "VUSB", "K": "VIN"}, {"drop": 0.40, "at": 1.0}),
            resistor("R1", 100.0, "VIN", "GND"),
            resistor("R31", 47e3, "LINE", "GND"),
            chip,
        ]
    )


def observed(of: str, quantity: str, state: str) -> Observation:
    reading = Reading(of, quantity, 0.0, "V", state=state)
    return Observation(
        of, quantity, BenchState.parse(state), 0.0, 1.0, 1, reading, top=12e3, test_amps=1e-4, open_volts=9.0
    )


WANTED = [
    observed("VIN", "dc volts", f"{ON}; load=10MΩ"),
    observed("LINE", "dc volts", f"{ON}; load=10MΩ"),
    observed("LINE", "dc volts", f"{ON}; load=9.99001kΩ"),
    observed("USB", "current", ON),
]


def ngspice(extra: str, folder: Path) -> dict[str, float]:
    """VIN, LINE under 10 MΩ and under 9.99 kΩ, and the supply's current, by a netlist of our own."""
    emission, series = 1.05, 0.05
    saturation = 1.0 / math.expm1((0.40 - series) / (emission * THERMAL_VOLTS))
    kelvin = THERMAL_VOLTS / 8.617333262e-5
    found = {}
    for key, load in (("10M", 10e6), ("9k99", 9990.01)):
        text = f"""hand-written
.options temp={kelvin - 273.15:.6f} tnom={kelvin - 273.15:.6f} reltol=1e-9 abstol=1e-15 vntol=1e-9 gmin=1e-15
V1 s 0 5
RS s vusb 0.02
D1 vusb vin dx
.model dx d(is={saturation:.12e} n={emission} rs={series})
R1 vin 0 100
R31 line 0 47k
RL line 0 1g
RM line 0 {load}
{extra}
.control
op
print v(vin) v(line) i(v1)
.endc
.end
"""
        file = folder / f"{key}.cir"
        file.write_text(text)
        out = subprocess.run(["ngspice", "-b", str(file)], capture_output=True, text=True, check=False).stdout
        for name, value in re.findall(r"^(v\(vin\)|v\(line\)|i\(v1\)) = (\S+)", out, re.MULTILINE):
            found[f"{name} {key}"] = float(value)
    return found


@pytest.mark.ngspice
@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")
@pytest.mark.parametrize(
    ("fault", "extra"),
    [
        ("U1.P:pull_up=13k", "RX vin line 13k"),
        ("VIN+GND:bridge=47", "RX vin 0 47"),
        ("VIN+LINE:bridge=330", "RX vin line 330"),
    ],
)
def test_predictions_agree_with_ngspice(fault: str, extra: str, tmp_path: Path) -> None:
    seen = Predictor(board(), {"USB": "VUSB"}, WANTED).predict([Change((parse_fault(fault),))], exact=True)[0]
    by = ngspice(extra, tmp_path)
    assert seen[0] == pytest.approx(by["v(vin) 10M"], abs=2e-5)
    assert seen[1] == pytest.approx(by["v(line) 10M"], abs=2e-5)
    assert seen[2] == pytest.approx(by["v(line) 9k99"], abs=2e-5)
    assert seen[3] == pytest.approx(-by["i(v1) 10M"], rel=1e-3)


def test_screening_scenes_agree_with_exact_ones() -> None:
    """All probes of a state at once move a stiff net by less than a screening decides on."""
    predictor = Predictor(board(), {"USB": "VUSB"}, WANTED)
    changes = [Change(), Change((parse_fault("U1.P:pull_up=13k"),)), Change((parse_fault("R1:missing"),))]
    assert predictor.predict(changes) == pytest.approx(predictor.predict(changes, exact=True), abs=5e-3)


def test_rework_comes_before_the_fault() -> None:
    fixed = Change((parse_fault("LINE+GND:bridge=1k"),))
    predictor = Predictor(board(), {"USB": "VUSB"}, WANTED, fixed)
    vin, line, _, _ = predictor.predict([Change((parse_fault("U1.P:pull_up=13k"),))], exact=True)[0]
    down = 1 / (1 / 1e3 + 1 / 47e3 + 1 / 10e6 + 1 / 1e9)
    assert line == pytest.approx(vin * down / (down + 13e3), rel=1e-4)


def test_a_floating_net_has_slack_and_a_stiff_one_has_not() -> None:
    predictor = Predictor(board(), {"USB": "VUSB"}, WANTED)
    slack = predictor.slack([Change(), Change((parse_fault("R31:missing"),))])
    assert slack[0, 0] < 1e-3
    assert slack[1, 1] > 10 * slack[0, 1]


def test_unpowered_ohms_are_read_through_the_bench_supply() -> None:
    """100 Ω from VIN to ground beside the diode: the ohmmeter sees the resistor alone, in decades."""
    predictor = Predictor(board(), {"USB": "VUSB"}, [observed("VIN", "ohms", "off")])
    assert predictor.predict([Change()])[0, 0] == pytest.approx(2.0, abs=2e-3)
    assert predictor.predict([Change((parse_fault("R1:missing"),))])[0, 0] == pytest.approx(math.log10(12e3))


def test_a_shunt_across_the_net_counts_in_parallel_and_is_taken_out_again() -> None:
    """With 10 kΩ across, a 47 kΩ net counts as 8.25 kΩ and is told as 47 kΩ; a short stays a short, an open an open."""
    from dataclasses import replace

    o = replace(observed("LINE", "ohms", "off"), shunt=10e3, top=10e6)
    predictor = Predictor(board(), {"USB": "VUSB"}, [o])
    drawn, short, gone = predictor.predict(
        [Change(), Change((parse_fault("LINE+GND:bridge=2"),)), Change((parse_fault("R31:missing"),))]
    )[:, 0]
    assert drawn == pytest.approx(math.log10(47e3 * 10e3 / 57e3), abs=1e-3)
    assert o.ohms_of(drawn) == pytest.approx(47e3, rel=5e-3)
    assert o.ohms_of(short) == pytest.approx(2, rel=1e-2)
    assert o.ohms_of(gone) == math.inf


def test_what_the_drawn_boards_unknowns_do_is_kept_for_one_list_of_them_and_nobody_changes_it() -> None:
    few = bounded(board().parts)
    predictor = Predictor(board(), {"USB": "VUSB"}, WANTED)
    first = predictor.shifts([Change()], few)
    want = first.copy()
    first[:] = 7.0
    assert predictor.shifts([Change()], few).tolist() == want.tolist()
    assert predictor.shifts([Change()], few[::-1]).tolist() == want[:, ::-1].tolist()
    other = predictor.shifts([Change((parse_fault("R1:value=50 Ω"),))], few)
    assert np.abs(other - want).max() > 1e-5
