"""A start-up's times held against the circuit: `limits_from = "circuit"`.

An RC behind an even rise of T s is the textbook's: after T, V(t) = V·(1 - τ/T·(exp(T/τ) - 1)·exp(-t/τ)).
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from wakeboard.harness.describe.load import load_board, load_sequence
from wakeboard.harness.describe.problems import FileProblems
from wakeboard.harness.describe.state import BenchState
from wakeboard.harness.run.arrivals import FLOOR_S, FLOOR_SHARE, LINE_SHARE, Arrivals
from wakeboard.harness.run.bench.opening import open_virtual
from wakeboard.harness.run.runner import Runner
from wakeboard.instruments.virtual.circuit.bench.rising import Level, straight
from wakeboard.instruments.waveform import Waveform
from wakeboard.results.records import RunStart

TAU, R_SHARE, C_SHARE = 10e3 * 10e-6, 0.05, 0.10
BOARD = """
[board]
name = "Lag"
revision = "A"
ground = "GND"

[supplies.USB]
net = "VUSB"
volts = "5 V"
range = "4.4 .. 5.5 V"

[rails.OUT]
net = "OUT"
from = "USB"
volts = "5 V ± 5 %"

[points.TP1]
net = "OUT"

[parts.R1]
kind = "resistor"
value = "10k ± 5 %"
pins = { 1 = "VUSB", 2 = "OUT" }

[parts.C1]
kind = "capacitor"
value = "10 µF ± 10 %"
pins = { 1 = "OUT", 2 = "GND" }
"""
STEPS = """
title = "Start-up"
board = "board.toml"

[[step]]
do = "start-up"
supply = "USB"
limit = "120 mA"
inrush = "200 ms"
why = "the test is of what it sees"
of = "OUT"
span = "600 ms"
limits_from = "circuit"
"""


@pytest.fixture
def lag(tmp_path: Path) -> Path:
    (tmp_path / "board.toml").write_text(BOARD, encoding="utf-8")
    (tmp_path / "steps.toml").write_text(STEPS, encoding="utf-8")
    return tmp_path


def half(tau: float, rise: float) -> float:
    """s from the middle of an even rise to half of its end behind an RC."""
    return tau * math.log(2 * tau / rise * (math.exp(rise / tau) - 1)) - rise / 2


def even(rise: float, span: float = 0.6) -> Waveform:
    """What a good oscilloscope shows of the supply's own net: 0 to 5 V, triggered half-way."""
    times = np.linspace(-0.1, span, 14001)
    volts = np.clip((times + rise / 2) / rise, 0.0, 1.0) * 5.0
    return Waveform("VUSB", -0.1, times[1] - times[0], volts, 0.001)


@pytest.mark.parametrize("rise", [1e-3, 10e-3, 60e-3])
def test_the_limits_of_an_rc_are_the_textbooks(lag: Path, rise: float) -> None:
    found = (
        Arrivals(load_board(lag / "board.toml"))
        .due(BenchState(), "USB", 5.0, even(rise), {"OUT": Level(2.5, share=0.5)})
        .of("OUT")
    )
    assert found is not None
    drawn = half(TAU, rise)
    apart = half(TAU * (1 + R_SHARE), rise) + half(TAU * (1 + C_SHARE), rise) - 2 * drawn
    room = apart + FLOOR_S + FLOOR_SHARE * drawn + LINE_SHARE * rise
    assert found.low is not None
    assert found.high is not None
    assert (found.low + found.high) / 2 == pytest.approx(drawn, rel=0.01)
    assert 0.94 * room <= (found.high - found.low) / 2 <= 1.25 * room  # of the even rise next in length
    assert found.origin == "circuit"


def test_a_net_that_need_not_come_up_has_no_limits(lag: Path) -> None:
    arrivals = Arrivals(load_board(lag / "board.toml"))
    assert arrivals.due(BenchState(), "USB", 5.0, even(1e-3), {"OUT": Level(5.2)}).of("OUT") is None
    held_down = replace(even(1e-3), volts=even(1e-3).volts * 0.6)
    assert arrivals.due(BenchState(), "USB", 5.0, held_down, {"OUT": Level(2.5)}).of("OUT") is None


def test_the_gain_of_the_oscilloscope_plays_no_part(lag: Path) -> None:
    arrivals = Arrivals(load_board(lag / "board.toml"))
    true, off = (
        arrivals.due(BenchState(), "USB", 5.0, replace(even(10e-3), volts=even(10e-3).volts * gain),
                     {"OUT": Level(2.5, share=0.5)}).of("OUT")
        for gain in (1.0, 1.03)
    )  # fmt: skip
    assert off is not None
    assert true is not None
    assert off.low == pytest.approx(true.low, rel=0.005)


def test_what_moves_both_plays_no_part_in_the_time_between(lag: Path) -> None:
    """One net at two levels: half after a fifth is τ·ln(0.8/0.5), off by 15 % of that in the worst case, and each by
    itself by 15 % of some ln."""
    two = BOARD + '[parts.R2]\nkind = "resistor"\nvalue = "1 Ω"\npins = { 1 = "OUT", 2 = "PAST" }\n'
    (lag / "board.toml").write_text(two, encoding="utf-8")
    levels = {"OUT": Level(1.0), "PAST": Level(2.5)}
    due = Arrivals(load_board(lag / "board.toml")).due(BenchState(), "USB", 5.0, even(1e-3), levels)
    gap, alone = due.between("OUT", "PAST"), due.of("PAST")
    assert gap is not None
    assert alone is not None
    drawn = TAU * math.log(0.8 / 0.5)
    assert (gap.low + gap.high) / 2 == pytest.approx(drawn, rel=0.01)
    assert (gap.high - gap.low) / 2 == pytest.approx(0.15 * drawn + FLOOR_S + FLOOR_SHARE * drawn, rel=0.06)
    assert gap.high - gap.low < 0.75 * (alone.high - alone.low)
    assert due.between("OUT", "NOWHERE") is None
    back = due.between("PAST", "OUT")
    assert back is not None
    assert back.low == 0.0


def test_straight_lines_leave_a_wave_by_no_more_than_they_may() -> None:
    times = np.linspace(0.0, 1.0, 2001)
    for volts in (5 * (1 - np.exp(-times / 0.1)), np.sin(40 * times), np.round(times * 7) / 7):
        lines = straight(times, volts, 0.05)
        at, on = zip(*lines, strict=True)
        assert np.abs(np.interp(times, at, on) - volts).max() <= 0.05 + 1e-12
        assert len(lines) < 100


def ran(lag: Path, *plants: str, slew: float = 500.0, sees: dict[int, str] | None = None) -> Any:
    sequence = load_sequence(lag / "steps.toml")
    board = sequence.board
    start = RunStart("L-1", board.name, board.revision, board.text, "t", "t", virtual=True)
    sees = {1: "VUSB", 2: "OUT"} if sees is None else sees
    with open_virtual(board, unit="L-1", plants=plants, scope="dsox3034a", sees=sees) as bench:
        for output in bench.virtual.instruments["supply"].supply.outputs:
            output.rating = replace(output.rating, slew=slew)
        return Runner(sequence, bench, start).run()


def time_of(result: Any, of: str = "OUT") -> Any:
    return next(r for s in result.record.steps for r in s.readings if (r.of, r.quantity) == (of, "start-up time"))


@pytest.mark.parametrize("slew", [500.0, 60.0])
def test_a_good_unit_passes_behind_a_quick_supply_and_a_slow_one(lag: Path, slew: float) -> None:
    """Its times differ by more than the limits are wide: they are those behind this supply."""
    result = ran(lag, slew=slew)
    assert result.record.outcome == "pass", [each.says for each in result.record.steps]
    assert time_of(result).limits_from == "circuit"


@pytest.mark.parametrize("value", ["22u", "4.7u"])
def test_another_capacitor_fails(lag: Path, value: str) -> None:
    result = ran(lag, f"C1:value={value}")
    assert time_of(result).outcome == "fail"
    assert result.record.outputs_off


def test_what_the_step_says_goes_first(lag: Path) -> None:
    text = STEPS.replace("limits_from", 'within = { OUT = "1 ms .. 2 ms" }\nlimits_from')
    (lag / "steps.toml").write_text(text, encoding="utf-8")
    assert (time_of(ran(lag)).limits_from, time_of(ran(lag)).outcome) == ("step", "fail")


def test_without_a_look_at_the_supplys_own_net_nothing_is_held_against_the_circuit(lag: Path) -> None:
    result = ran(lag, sees={2: "OUT"})
    assert time_of(result).limits_from == ""
    assert any("no channel sees VUSB" in step.says for step in result.record.steps)


@pytest.mark.parametrize(
    ("was", "written", "says"),
    [
        ('of = "OUT"', 'of = "USB"', "the net of the supply itself"),
        ('of = "OUT"', 'of = "VUSB"', "the net of the supply itself"),
        ('of = "OUT"', 'of = "every line"', '"every rail"'),
        ('limits_from = "circuit"', 'limits_from = "board"', "limits_from"),
    ],
)
def test_where_it_makes_no_sense_it_is_refused(lag: Path, was: str, written: str, says: str) -> None:
    (lag / "steps.toml").write_text(STEPS.replace(was, written), encoding="utf-8")
    with pytest.raises(FileProblems, match=says):
        load_sequence(lag / "steps.toml")


def test_a_board_without_parts_has_no_circuit(lag: Path) -> None:
    (lag / "board.toml").write_text(BOARD.partition("[parts.R1]")[0], encoding="utf-8")
    with pytest.raises(FileProblems, match=r"without \[parts\]"):
        load_sequence(lag / "steps.toml")


def test_every_rail_is_those_that_should_come_up(lag: Path) -> None:
    (lag / "steps.toml").write_text(STEPS.replace('of = "OUT"', 'of = "every rail"'), encoding="utf-8")
    assert time_of(ran(lag)).outcome == "pass"
