"""Oscilloscopes: four makers' languages on a real socket, waveforms with uncertainty, and replies that must not count.

Figures of an RC step are the handbook's: it reaches half after RC·ln 2 and takes RC·ln 9 (2.197 RC) from 10 % to 90 %.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import pyvisa

from wakeboard.instruments.conformance.suite import check_scope
from wakeboard.instruments.dialect import load_scope, read_text
from wakeboard.instruments.errors import BenchError, LinkGarbled, LinkTimeout, SettingError
from wakeboard.instruments.link.link import Link
from wakeboard.instruments.ports import Shot, View
from wakeboard.instruments.scpi.opening import open_instrument, open_psu
from wakeboard.instruments.scpi.scope import Scope
from wakeboard.instruments.scpi.unknown import beginning, introduce, look
from wakeboard.instruments.virtual.bench import VirtualBench, prepare
from wakeboard.instruments.virtual.circuit import Circuit, Part
from wakeboard.instruments.virtual.faces import SCOPE_FACES
from wakeboard.instruments.virtual.wire.server import running
from wakeboard.instruments.waveform import NoSuchEvent, Waveform

R, C = 1000.0, 10e-6
RC = R * C


@pytest.fixture(scope="module")
def prepared():
    """An RC behind the supply."""
    parts = [
        Part("R1", "resistor", {"1": "VUSB", "2": "OUT"}, {"value": R}),
        Part("C1", "capacitor", {"1": "OUT", "2": "GND"}, {"value": C}),
        Part("R2", "resistor", {"1": "VUSB", "2": "GND"}, {"value": 1000.0}),
    ]
    return prepare(Circuit(parts), {"USB": "VUSB"}, {"TP1": "VUSB", "TP2": "OUT"})


def virtual(prepared, face):
    return VirtualBench(prepared, scope=face, sees={1: "TP1", 2: "TP2"}, drawn=False)


def opened(prepared, face):
    """(scope, supply, clock) in process, on virtual time."""
    bench = virtual(prepared, face)
    manager, place = pyvisa.ResourceManager(bench.visa()), {each.kind: each.address for each in bench.placed}
    options = {"resource_manager": manager, "clock": bench.clock}
    scope = open_instrument("scope", place["scope"], name="scope", **options)
    return scope, open_psu(place["psu"], name="supply", **options), bench.clock


def shot(scope, psu, clock, span=0.1, channels="12"):
    scope.prepare([View(each, 0.0, 5.5) for each in channels], Shot(2e-3, span, "1", 2.5))
    scope.arm()
    psu.set("1", 5.0, 0.5)
    psu.on("1")
    while not scope.done():
        clock.sleep(0.02)
    return {each: scope.read(each) for each in channels}


@pytest.mark.parametrize("face", SCOPE_FACES)
def test_the_rise_of_an_rc_is_the_handbooks(prepared, face):
    waves = shot(*opened(prepared, face))
    source, out = waves["1"], waves["2"]
    assert abs(source.crossing(2.5).value) < 2 * source.crossing(2.5).u + 1e-4
    # the supply itself climbs 5 V in 10 ms by steps, half of it before its own middle: 1 V every 2 ms
    rise = out.rise()
    assert rise.value == pytest.approx(math.log(9) * RC, abs=2 * rise.u + 1e-3)
    half = out.crossing(2.5)
    assert half.value == pytest.approx(math.log(2) * RC, abs=2 * half.u + 1e-3)
    assert abs(out.settled.value - 5.0) < out.half_width(5.0)
    assert out.overshoot().value < 0.01
    with pytest.raises(NoSuchEvent, match="nobody can say when"):
        out.crossing(4.95)


@pytest.mark.parametrize("face", SCOPE_FACES)
def test_a_dialect_passes_its_conformance_suite_over_a_real_socket(prepared, face):
    with running(virtual(prepared, face)) as addresses:
        scope = open_instrument("scope", addresses.instruments["scope"], name="scope")
        psu = open_psu(addresses.instruments["supply"], name="supply")

        def step():
            psu.set("1", 5.0, 0.5)
            psu.on("1")

        checks = check_scope(scope, step=step)
        psu.off("1")
        assert [f"{each.name}: {each.says}" for each in checks if not each.ok] == []
        assert "a shot" in [each.name for each in checks]
        scope.close()
        psu.close()


@pytest.mark.parametrize("face", SCOPE_FACES)
def test_anothers_dialect_reads_nothing(prepared, face):
    """A wrong dialect is refused before it shows a wrong voltage."""
    scope, psu, clock = opened(prepared, face)
    other = "rigol-ds1000z" if face != "ds1054z" else "tektronix-tbs1000c"
    scope.link.timeout = 0.2
    wrong = Scope(scope.link, load_scope(other))
    with pytest.raises(BenchError):
        shot(wrong, psu, clock)


@pytest.fixture(autouse=True)
def _closed(monkeypatch):
    """Every link that a test opens is closed with it."""
    links, init = [], Link.__init__

    def opened_here(self, *args, **options):
        init(self, *args, **options)
        links.append(self)

    monkeypatch.setattr(Link, "__init__", opened_here)
    yield
    for link in links:
        link.close()


# --- replies that must not count --------------------------------------------------------------------------------------
def rigol(serve, blocks, preamble="0,0,4,1,1.0e-3,-1.0e-3,0,4.0e-2,0,127"):
    """A scripted oscilloscope. blocks: what it answers to DATA?, bytes."""
    state = {"armed": False, "asked": 0}

    def script(session, line):
        if line == "*IDN?":
            session.say("RIGOL TECHNOLOGIES,DS1054Z,X1,1\n")
        elif line == ":SYST:ERR?":
            session.say('0,"No error"\n')
        elif line == ":SING":
            state["armed"] = True
        elif line == ":TRIG:STAT?":
            state["asked"] += 1
            session.say("WAIT\n" if state["asked"] == 1 else "STOP\n")
        elif line == ":CHAN1:SCAL?":
            session.say("1.0e+0\n")
        elif line == ":TIM:MAIN:SCAL?":
            session.say("5.0e-4\n")
        elif line == ":WAV:PRE?":
            session.say(preamble + "\n")
        elif line == ":WAV:DATA?":
            for piece in blocks:
                session.pause(piece) if isinstance(piece, float) else session.connection.sendall(piece)

    peer = serve(script)
    scope = Scope(Link.open(peer.address, name="scope", timeout=1.0), load_scope("rigol-ds1000z"))
    scope.identify()
    scope.prepare([View("1", 0.0, 5.0)], Shot(1e-3, 2e-3, "1", 2.5))
    scope.arm()
    assert scope.done()
    return scope


def test_a_whole_block_is_read_even_where_it_holds_line_feeds(serve):
    scope = rigol(serve, [b"#9000000004", b"\x0a\x7f", b"\x0a\xa0\n"])
    wave = scope.read("1")
    assert wave.volts == pytest.approx([(10 - 127) * 0.04, 0.0, (10 - 127) * 0.04, (160 - 127) * 0.04])
    assert wave.start == -1e-3
    assert wave.dt == 1e-3


@pytest.mark.parametrize(
    ("blocks", "error", "says"),
    [
        ([b"#9000000004\x01\x02"], LinkTimeout, "2 bytes|no reply|incomplete|cut|part"),
        ([b"#9000000003\x01\x02\x03\n"], LinkGarbled, "3 samples"),
        ([b"#9000000004\x01\x02\x03\x04\n\x05\x06"], LinkGarbled, "more came back"),
        ([b"\xff\x81\x00\xc3\n"], LinkGarbled, "no block"),
        ([b"#0\x01\x02\n"], LinkGarbled, "no block"),
        ([b"#9zzzzzzzzz\x01\n"], LinkGarbled, "no block"),
        ([b"#9999999999\x01\n"], LinkGarbled, "no block"),
        ([b"\n"], LinkGarbled, "no block"),
        ([b"ERROR\n"], LinkGarbled, "no block"),
    ],
)
def test_a_block_that_is_cut_doubled_or_noise_is_told(serve, monkeypatch, blocks, error, says):
    monkeypatch.setattr("wakeboard.instruments.scpi.scope.READ_TIMEOUT", 0.3)
    scope = rigol(serve, blocks)
    with pytest.raises(error, match=says if error is LinkGarbled else None):
        scope.read("1")
    assert scope.link.dirty


def test_a_late_block_is_not_the_answer_to_the_next_question(serve, monkeypatch):
    monkeypatch.setattr("wakeboard.instruments.scpi.scope.READ_TIMEOUT", 0.2)
    scope = rigol(serve, [0.5, b"#9000000004\x01\x02\x03\x04\n"])
    with pytest.raises(LinkTimeout):
        scope.read("1")
    with pytest.raises(SettingError, match="no whole shot"):  # the link was opened afresh: the shot may be another's
        scope.read("1") if scope.link.query("*IDN?").startswith("RIGOL") else None


@pytest.mark.parametrize(
    "preamble",
    ["0,0,4,1,0,-1e-3,0,4e-2,0,127", "0,0,4,1,1e-3,-1e-3,0,-4e-2,0,127", "0,0,4", "\xff\x00,,", "0,0,4,1,a,b,c,d,e,f"],
)
def test_a_preamble_that_makes_no_sense_is_told(serve, preamble):
    scope = rigol(serve, [b"#9000000004\x01\x02\x03\x04\n"], preamble)
    with pytest.raises(LinkGarbled):
        scope.read("1")


def test_a_screen_that_does_not_show_what_is_needed_is_refused(serve):
    """As where the sign of the offset is another's, or that of the delay."""
    scope = rigol(serve, [b"#9000000004\x01\x02\x03\x04\n"], "0,0,4,1,1e-3,-1e-3,0,4e-2,100,127")
    with pytest.raises(SettingError, match="is needed"):
        scope.read("1")
    late = rigol(serve, [b"#9000000004\x01\x02\x03\x04\n"], "0,0,4,1,1e-3,5e-3,0,4e-2,0,127")
    with pytest.raises(SettingError, match="about its trigger"):
        late.read("1")


@pytest.mark.parametrize(
    "preamble",
    [
        "0,0,4,1,1e-3,-1e-3,0,9.9e37,0,127",  # SCPI-1999 (from memory): no number
        "0,0,4,1,1e-3,-1e-3,0,1e308,0,127",
        "0,0,4,1,1e-3,-1e-3,0,40,0,127",  # millivolts
        "0,0,4,1,9.9e37,-1e38,0,4e-2,0,127",
        "0,0,4,1,1,-1,0,4e-2,0,127",  # milliseconds
    ],
)
def test_figures_that_no_screen_has_are_refused_and_judge_no_unit(serve, preamble):
    scope = rigol(serve, [b"#9000000004\x01\x02\x03\x04\n"], preamble)
    with pytest.raises(SettingError, match=r"and its screen has 8 V and 0\.006 s"):
        scope.read("1")


def test_status_that_is_noise_is_no_whole_shot(serve):
    scope = rigol(serve, [])
    scope._whole, scope._begun = False, True
    scope.link.query = lambda line, *_args, **_more: "\xff\x03~~"
    with pytest.raises(LinkGarbled):
        scope.done()


# --- what is read off a wave ------------------------------------------------------------------------------------------
def wave(volts, dt=1e-5, lsb=1e-3, **more):
    return Waveform("1", -1e-3, dt, np.asarray(volts), lsb, **more)


def test_a_damped_step_overshoots_as_its_damping_says():
    """Second order, damping 0.4: overshoot exp(-πζ/√(1-ζ²)) = 25.4 % (any handbook of control)."""
    t = np.arange(0, 40e-3, 1e-5) - 1e-3
    zeta, omega = 0.4, 2 * math.pi * 400
    damped = omega * math.sqrt(1 - zeta**2)
    y = 1 - np.exp(-zeta * omega * t) * (np.cos(damped * t) + zeta / math.sqrt(1 - zeta**2) * np.sin(damped * t))
    found = wave(3.3 * np.where(t > 0, y, 0.0)).overshoot()
    assert found.value == pytest.approx(math.exp(-math.pi * zeta / math.sqrt(1 - zeta**2)), abs=0.003)


def test_a_level_that_noise_takes_back_is_crossed_once():
    t = np.arange(0, 40e-3, 1e-5) - 1e-3
    noise = np.random.default_rng(1).normal(0, 0.02, len(t))
    ramp = wave(np.clip(t / 10e-3, 0, 1) * 5 + noise, lsb=0.01, fixed=0.05)
    found = ramp.crossing(2.5)
    assert found.value == pytest.approx(5e-3, abs=2 * found.u)
    assert found.u == pytest.approx(0.055 * 10e-3 / 5 / math.sqrt(3), rel=0.3)
    assert ramp.crossings(2.5) == 1


def test_half_of_a_thousand_crossings_lie_within_their_uncertainty():
    """Coverage: the true time lies within 2u for an instrument whose volts are off by up to its half-width."""
    random, held = np.random.default_rng(2), 0
    t = np.arange(0, 20e-3, 2e-5) - 1e-3
    for _ in range(300):
        gain, offset = random.uniform(-0.03, 0.03), random.uniform(-0.05, 0.05)
        volts = (5 * (1 - np.exp(-np.clip(t, 0, None) / 3e-3))) * (1 + gain) + offset + random.normal(0, 0.01, len(t))
        seen = wave(np.round(volts / 0.02) * 0.02, dt=2e-5, lsb=0.02, share=0.03, fixed=0.05).crossing(2.5)
        held += abs(seen.value - 3e-3 * math.log(2)) <= 2 * seen.u
    assert held >= 285


def test_clipped_waves_have_no_overshoot():
    with pytest.raises(NoSuchEvent, match="beyond the screen"):
        wave([0.0] * 50 + [5.0] * 50, clipped=50).overshoot()


def test_a_flat_line_has_no_rise():
    with pytest.raises(NoSuchEvent, match="does not move"):
        wave([1.0] * 100).rise()
    with pytest.raises(NoSuchEvent, match="does not rise"):
        wave([1.0] * 100).crossing(2.0)


# --- the bench file, the probe ----------------------------------------------------------------------------------------
def test_a_probe_begins_a_dialect_of_an_unknown_oscilloscope(prepared, monkeypatch):
    monkeypatch.setattr("wakeboard.instruments.scpi.unknown.PATIENCE", 0.08)  # the virtual one answers within 2 ms
    with running(virtual(prepared, "ds1054z")) as addresses:
        with introduce(addresses.instruments["scope"]) as link:
            found = look(link)
        assert found.kind == "scope"
        assert found.nearest == "rigol-ds1000z"
        text = beginning(found)
        assert "based_on = 'rigol-ds1000z'" in text
        assert "'trigger'" in text.partition("unverified = ")[2].partition("]")[0]
        assert read_text(text, "begun").kind == "scope"
