"""Every dialect that a virtual instrument speaks passes the conformance suite; what is broken fails it.

The virtual instruments are written from the makers' guides, not from the dialect files: an error in one shows here.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import pytest
import pyvisa

from wakeboard.instruments.conformance.suite import check_dmm, check_psu, check_scanner
from wakeboard.instruments.dialect import load_psu
from wakeboard.instruments.scpi.opening import open_instrument
from wakeboard.instruments.scpi.psu import Psu
from wakeboard.instruments.virtual.bench import VirtualBench, prepare
from wakeboard.instruments.virtual.circuit import Circuit, Part
from wakeboard.instruments.virtual.faces import DMM_FACES, PSU_FACES, SCANNER_FACES
from wakeboard.instruments.virtual.wire.server import running

NAMED = {"korad": "korad-ka3000"}  # no terminator: must be named before anything can be asked


@pytest.fixture(scope="module")
def prepared():
    """47 Ω on the supply, a divider for the meter."""
    parts = [
        Part("R1", "resistor", {"1": "VUSB", "2": "GND"}, {"value": 47.0}),
        Part("R2", "resistor", {"1": "VUSB", "2": "MID"}, {"value": 1000.0}),
        Part("R3", "resistor", {"1": "MID", "2": "GND"}, {"value": 1000.0}),
    ]
    return prepare(Circuit(parts), {"USB": "VUSB"}, {"TP1": "VUSB", "TP2": "MID"})


def opened(prepared, kind, face, **options):
    bench = VirtualBench(prepared, **{kind: face})
    place = next(each for each in bench.placed if each.kind == kind)
    manager = pyvisa.ResourceManager(bench.visa())
    options.setdefault("dialect", NAMED.get(face))
    return open_instrument(kind, place.address, name=place.name, resource_manager=manager, clock=bench.clock, **options)


def failed(checks):
    return [f"{each.name}: {each.says}" for each in checks if not each.ok]


@pytest.mark.parametrize("face", PSU_FACES)
def test_supplies(prepared, face):
    checks = check_psu(opened(prepared, "psu", face), "1", load=47.0)
    assert failed(checks) == []
    names = [each.name for each in checks]
    assert {"set and read back", "regulation mode", "current limit", "off at the end"} <= set(names)


@pytest.mark.parametrize("face", DMM_FACES)
def test_meters(prepared, face):
    checks = check_dmm(opened(prepared, "dmm", face), without=())
    assert failed(checks) == []
    assert "overload" in [each.name for each in checks]


@pytest.mark.parametrize("face", SCANNER_FACES)
def test_scanners(prepared, face):
    assert failed(check_scanner(opened(prepared, "scanner", face), ["101", "102"])) == []


QUICK = [
    face for face in PSU_FACES if face not in ("spd3303x", "owon", "gpd3303s", "korad")
]  # makers' gaps take seconds


@pytest.mark.parametrize("face", QUICK)
def test_supplies_over_a_real_socket(prepared, face):
    bench = VirtualBench(prepared, psu=face)
    with running(bench) as addresses:
        psu = open_instrument("psu", addresses.instruments["supply"], name="supply")
        assert failed(check_psu(psu, "1", load=47.0)) == []
        psu.close()


def test_a_meter_over_a_real_socket(prepared):
    """A sample: all ranges, in real time; all meters by `python -m tests.benchmarks.conformance_wire`."""
    bench = VirtualBench(prepared, dmm="dmm6500")
    with running(bench) as addresses:
        meter = open_instrument("dmm", addresses.instruments["meter"], name="meter")
        slow = ("ac volts", "frequency", "diode volts", "ohms 4w", "current")
        assert failed(check_dmm(meter, without=slow, longest=1.0)) == []
        meter.close()


@pytest.mark.parametrize("face", SCANNER_FACES)
def test_scanners_over_a_real_socket(prepared, face):
    bench = VirtualBench(prepared, scanner=face)
    with running(bench) as addresses:
        scanner = open_instrument("scanner", addresses.instruments["scanner"], name="scanner")
        assert failed(check_scanner(scanner, ["101", "102"])) == []
        scanner.end()


def test_a_reversed_status_map_is_found(prepared):
    """The Keithley 2230 map (CV in bit 0) on a supply with CC in bit 0, taken for verified."""
    as_it_is = opened(prepared, "psu", "e3632a")
    dialect = as_it_is.dialect
    flags = {"cv": "ques.0", "cc": "ques.1"}
    psu = Psu(as_it_is.link, dialect.model_copy(update={"status": dialect.status.model_copy(update={"flags": flags})}))
    names = [each.name for each in check_psu(psu, "1", load=47.0) if not each.ok]
    assert "regulation mode" in names


def test_a_wrong_command_is_found(prepared):
    as_it_is = opened(prepared, "psu", "plain")
    dialect = as_it_is.dialect
    say = dialect.say.model_copy(update={"volts": ("VOLTS {volts:.3f}",)})
    psu = Psu(as_it_is.link, dialect.model_copy(update={"say": say}))
    checks = check_psu(psu, "1")
    assert any("-113" in each for each in failed(checks))
    assert checks[-1].name == "off at the end"
    assert checks[-1].ok


def test_a_dialect_of_another_maker_fails_and_leaves_the_output_off(prepared):
    psu = opened(prepared, "psu", "e36312a", dialect="rigol-dp800")
    psu.link.timeout = 0.5
    assert failed(check_psu(psu, "1"))
    assert psu.dialect is load_psu("rigol-dp800")
