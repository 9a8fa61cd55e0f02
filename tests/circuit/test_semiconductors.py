"""Diodes, zeners, transistors against closed forms and textbooks."""

from __future__ import annotations

import math

import pytest
from circuit_build import D, R, V, meter, solved
from scipy.special import lambertw

from wakeboard.instruments.virtual.circuit import Part
from wakeboard.instruments.virtual.circuit.compiled.elements import GMIN
from wakeboard.instruments.virtual.circuit.solver.devices import LEAST_OHMS, THERMAL_VOLTS


def lambert_current(volts: float, ohms: float, saturation: float, n_vt: float) -> float:
    """Banwell & Jayakumar 2000: an ideal diode behind a resistor, by Lambert's W."""
    argument = saturation * ohms / n_vt * math.exp((volts + saturation * ohms) / n_vt)
    return float(n_vt / ohms * lambertw(argument).real - saturation)


@pytest.mark.parametrize(
    ("volts", "ohms", "saturation"),
    [(5.0, 1e3, 1e-14), (3.3, 330.0, 1e-14), (0.6, 1e6, 1e-14), (-5.0, 1e3, 1e-14), (12.0, 47.0, 1e-9)],
)
def test_diode_and_resistor(volts: float, ohms: float, saturation: float) -> None:
    p = solved(V("B", "a", volts), R("R1", "a", "d", ohms), D("D1", "d", "GND", saturation=saturation))
    shunted = 1 + ohms * GMIN  # what a junction leaks here, as in SPICE, makes the source weaker
    want = lambert_current(volts / shunted, ohms / shunted, saturation, THERMAL_VOLTS)
    through = p.current("D1", "A")[0] - GMIN * p.net("d")[0]
    assert through == pytest.approx(want, rel=1e-6, abs=2e-14)


def test_diode_published_points() -> None:
    # reference values recomputed with mpmath and ngspice 39.3: Is 1e-14, 300.15 K
    p = solved(V("B", "a", 5.0), R("R1", "a", "d", 1e3), D("D1", "d", "GND", saturation=1e-14))
    assert p.net("d")[0] == pytest.approx(0.692887832382, abs=1e-6)
    assert p.current("D1", "A")[0] == pytest.approx(4.30711216762e-3, rel=1e-6)
    p = solved(V("B", "a", 3.3), R("R1", "a", "d", 330.0), D("D1", "d", "GND", saturation=1e-14))
    assert p.net("d")[0] == pytest.approx(0.708423889822, abs=1e-6)


def test_sedra_smith_diode() -> None:
    # Sedra/Smith, Microelectronic Circuits, 5 V, 1 kΩ, 0.7 V at 1 mA, 0.1 V per decade: 4.237291 mA, 0.762709 V.
    # A slope of 0.1 V per decade is n·Vt = 0.1/ln 10.
    emission = 0.1 / math.log(10) / THERMAL_VOLTS
    diode = D("D1", "d", "GND", drop=0.7, at=1e-3, emission=emission)
    p = solved(V("B", "a", 5.0), R("R1", "a", "d", 1e3), diode)
    assert p.net("d")[0] == pytest.approx(0.762709, abs=2e-6)
    assert p.current("D1", "A")[0] == pytest.approx(4.237291e-3, rel=2e-6)


def test_high_drive_does_not_overflow() -> None:
    # numerics: 1 kV over 0.1 Ω into a bare junction is where an unlimited Newton leaves the numbers
    p = solved(V("B", "a", 1e3), R("R1", "a", "d", 0.1), D("D1", "d", "GND", saturation=1e-14))
    amps = 1e4
    for _ in range(50):  # the same equations by a fixed point, which needs no exponential
        amps = (1e3 - THERMAL_VOLTS * math.log(amps / 1e-14)) / (0.1 + LEAST_OHMS)
    assert p.current("D1", "A")[0] == pytest.approx(amps, rel=1e-6)


def zener(load: float | None, volts: float = 10.0) -> tuple[float, float]:
    z = Part("Z", "zener", {"A": "GND", "K": "z"}, {"volts": 6.8, "at": 5e-3, "ohms": 20.0, "knee": 0.2e-3})
    parts = [V("B", "a", volts), R("R1", "a", "z", 500.0), z]
    p = solved(*parts, *([R("RL", "z", "GND", load)] if load else []))
    return float(p.net("z")[0]), float(p.current("Z", "K")[0])


def test_sedra_smith_zener_regulator() -> None:
    # Sedra/Smith example: 6.8 V at 5 mA, 20 Ω, 10 V ± 1 V, 500 Ω: 6.35 mA, 6.83 V; 38.5 mV/V; 2 kΩ load about 6.76 V;
    # 500 Ω load: the zener is off, 5 V. Theirs is piecewise linear; the knee here is exponential, hence the margins.
    volts, amps = zener(None)
    assert volts == pytest.approx(6.827, abs=0.02)
    assert amps == pytest.approx(6.35e-3, rel=0.02)
    assert (zener(None, 11.0)[0] - zener(None, 9.0)[0]) / 2 == pytest.approx(38.5e-3, rel=0.25)
    assert zener(2e3)[0] == pytest.approx(6.76, abs=0.03)
    assert zener(500.0)[0] == pytest.approx(5.0, abs=0.02)


def test_zener_passes_its_test_point() -> None:
    # a zener's voltage holds at its test current, as data sheets give it: common practice, no source
    z = Part("Z", "zener", {"A": "GND", "K": "z"}, {"volts": 9.1, "at": 5e-3})
    p = solved(Part("I", "i_source", {"P": "z", "N": "GND"}, {"amps": 5e-3}), z)
    assert p.net("z")[0] == pytest.approx(9.1, abs=1e-3)


def test_sedra_smith_mosfet_bias() -> None:
    # Sedra/Smith: 10 V, two 10 MΩ, RD = RS = 6 kΩ, Vt 1 V, k'W/L 1 mA/V²: 0.5 mA, VGS 2, VS 3, VD 7 V
    q = Part("Q", "mosfet", {"G": "g", "D": "d", "S": "s"}, {"threshold": 1.0, "beta": 1e-3, "gate_leak_ohms": 1e15})
    p = solved(
        V("B", "v", 10.0), R("RG1", "v", "g", 10e6), R("RG2", "g", "GND", 10e6), R("RD", "v", "d", 6e3),
        R("RS", "s", "GND", 6e3), q,
    )  # fmt: skip
    # GMIN and the body diode take some picoamperes: microvolts at 5 MΩ
    assert p.net("s")[0] == pytest.approx(3.0, abs=2e-5)
    assert p.net("d")[0] == pytest.approx(7.0, abs=2e-5)
    assert p.current("Q", "D")[0] == pytest.approx(0.5e-3, rel=1e-5)


def test_bjt_bias() -> None:
    # Sedra/Smith four-resistor bias with Is 1e-15, β 100: ngspice gives IC 1.27228 mA, VC 8.63861 V
    q = Part("Q", "bjt", {"B": "b", "C": "c", "E": "e"}, {"gain": 100.0, "saturation": 1e-15})
    p = solved(
        V("B", "v", 15.0), R("R1", "v", "b", 100e3), R("R2", "b", "GND", 50e3), R("RC", "v", "c", 5e3),
        R("RE", "e", "GND", 3e3), q,
    )  # fmt: skip
    assert p.current("Q", "C")[0] == pytest.approx(1.27228e-3, rel=1e-5)
    assert p.net("c")[0] == pytest.approx(8.63861, abs=1e-4)


def test_p_channel_and_pnp_are_mirror_images() -> None:
    # symmetry of the device equations: all signs turned
    n = Part("Q", "mosfet", {"G": "g", "D": "d", "S": "GND"}, {"beta": 0.1, "threshold": 1.0})
    p = Part("Q", "mosfet", {"G": "g", "D": "d", "S": "GND"}, {"beta": 0.1, "threshold": 1.0, "channel": "p"})
    up = solved(V("B", "v", 5.0), V("G", "g", 3.0), R("R", "v", "d", 10.0), n).net("d")[0]
    down = solved(V("B", "v", -5.0), V("G", "g", -3.0), R("R", "v", "d", 10.0), p).net("d")[0]
    assert up == pytest.approx(-down, rel=1e-9)
    npn = Part("Q", "bjt", {"B": "b", "C": "c", "E": "GND"}, {})
    pnp = Part("Q", "bjt", {"B": "b", "C": "c", "E": "GND"}, {"type": "pnp"})
    up = solved(V("B", "v", 5.0), R("RB", "v", "b", 1e5), R("R", "v", "c", 1e3), npn).net("c")[0]
    down = solved(V("B", "v", -5.0), R("RB", "v", "b", 1e5), R("R", "v", "c", 1e3), pnp).net("c")[0]
    assert up == pytest.approx(-down, rel=1e-9)


def test_mosfet_on_resistance_and_body_diode() -> None:
    # on-resistance at its gate voltage as data sheets give it; a body diode drops .5 to .8 V: common practice, no
    # source
    q = Part("Q", "mosfet", {"G": "g", "D": "d", "S": "GND"}, {"ohms": 0.06, "at": 4.5, "threshold": 1.0})
    on = solved(V("G", "g", 4.5), Part("I", "i_source", {"P": "d", "N": "GND"}, {"amps": 0.1}), q)
    assert on.net("d")[0] / 0.1 == pytest.approx(0.06, rel=0.01)
    off = solved(V("G", "g", 0.0), Part("I", "i_source", {"P": "d", "N": "GND"}, {"amps": -0.1}), q)
    assert -0.8 < off.net("d")[0] < -0.5


@pytest.mark.parametrize("kind", ["diode", "schottky", "led"])
def test_diodes_drop_what_their_data_say(kind: str) -> None:
    # a forward voltage holds at its test current, as data sheets give it: common practice, no source
    d = Part("D", kind, {"A": "a", "K": "GND"}, {"drop": 0.9, "at": 0.02})
    p = solved(Part("I", "i_source", {"P": "a", "N": "GND"}, {"amps": 0.02}), d)
    assert p.net("a")[0] == pytest.approx(0.9, abs=1e-6)


def test_meter_reads_a_diode_and_stops_at_its_compliance() -> None:
    # a meter's diode test is a current source with a compliance voltage: common practice, no source
    diode = D("D1", "a", "GND", drop=0.6, at=1e-3)
    assert solved(diode, meter("a", test_amps=1e-3)).net("a")[0] == pytest.approx(0.6, abs=1e-3)
    backwards = D("D1", "GND", "a", drop=0.6, at=1e-3)
    assert solved(backwards, meter("a", test_amps=1e-3, compliance_volts=4.0)).net("a")[0] > 3.9


def test_semiconductor_shows_in_a_resistance_reading() -> None:
    # a junction of 0.6 V at 1 mA across it bounds the reading at about 0.6 kΩ: common practice, no source
    # a 10 kΩ in parallel with a junction reads low with a test current that opens the junction
    both = [R("R", "a", "GND", 10e3), D("D1", "a", "GND", drop=0.6, at=1e-3)]
    strong = solved(*both, meter("a", test_amps=1e-3)).net("a")[0] / 1e-3
    weak = solved(*both, meter("a", test_amps=1e-6)).net("a")[0] / 1e-6
    assert strong < 700
    assert weak == pytest.approx(10e3, rel=2e-3)
