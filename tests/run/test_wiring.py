"""A bench that is wired wrongly ends a run as an error that names the mistake, whatever the board is like.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

from typing import Any

import pytest

from wakeboard.harness.describe.load import load_sequence
from wakeboard.harness.run.bench.opening import open_virtual
from wakeboard.harness.run.fitness.wiring import ROOM, Seen, WrongWiring, diagnose, elsewhere
from wakeboard.harness.run.runner import Result, Runner
from wakeboard.harness.run.session import exit_code, run_start
from wakeboard.instruments.virtual.mistakes import METER, parse_mistakes


def run(toy: Any, *mistakes: str, plants: tuple[str, ...] = ()) -> Result:
    """Without the bench's resistor in the short check, and without the relay that connects the meter's leads: either
    would tell a lead that is off by itself (test_atrest.py)."""
    text = toy.sequence.read_text().replace('expect = "> 1 kΩ"', 'expect = "> 1 kΩ"\nshunt = false', 1)
    sequence = load_sequence(toy.write("unshunted.toml", text))
    with open_virtual(sequence.board, unit="T-1", plants=plants, mistakes=mistakes) as bench:
        bench.probing._short_channel = None
        result = Runner(sequence, bench, run_start(sequence, bench, "T-1")).run()
        assert bench.virtual.outputs_on == []
        assert bench.virtual.overstress == []
    return result


@pytest.mark.parametrize(
    ("mistake", "told"),
    [
        ("meter:reversed", "reversed"),
        ("meter:lead off", "the meter sees nothing"),
        ("meter:current jack", "current jack"),
        ("USB+AUX:exchanged", "the net of AUX, not on VUSB"),
        ("meter:stuck", "the meter"),
    ],
)
def test_a_mistake_of_the_bench_is_an_error_and_is_named(toy: Any, mistake: str, told: str) -> None:
    result = run(toy, mistake, plants=("U1.GPIO1:pull_up=30k",))
    assert result.outcome == "error"
    assert exit_code(result) == 3
    assert isinstance(result.error, WrongWiring), result.error
    assert told in str(result.error)
    assert result.off.confirmed
    assert not [reading for _, reading in result.record.readings() if reading.outcome == "fail"]
    most = max(max(track.volts) for step in result.record.steps if step.trace for track in step.trace.supplies.values())
    assert most < 1.0, "the full voltage was never given"


def test_a_good_bench_is_compared_at_two_voltages_and_the_ramp_goes_on_from_there(toy: Any) -> None:
    result = run(toy)
    assert result.outcome == "pass"
    power = next(step for step in result.record.steps if step.kind == "power on")
    check = power.detail["bench_check"]
    assert check["net"] == "VUSB"
    for supply, meter, wanted in zip(check["supply_volts"], check["meter_volts"], (0.4, 0.8), strict=True):
        assert supply == pytest.approx(wanted, abs=0.02)
        assert meter == pytest.approx(wanted, abs=0.02)


def test_a_shorted_board_is_still_the_boards_fault(toy: Any) -> None:
    """A short behind the regulator does not conduct at 0.8 V; one on the supply's net is found before power."""
    assert run(toy, plants=("+3V3+GND:bridge=5",)).outcome == "tripped"
    assert run(toy, plants=("VUSB+GND:bridge=2",)).outcome == "fail"


def test_without_transients_nothing_is_compared(toy: Any) -> None:
    """Rehearsals make hundreds of runs of a bench that is known to be right."""
    sequence = load_sequence(toy.sequence)
    with open_virtual(sequence.board, unit="T-1", transients=False) as bench:
        result = Runner(sequence, bench, run_start(sequence, bench, "T-1")).run()
    assert all("bench_check" not in step.detail for step in result.record.steps)


# --- the pure function -----------------------------------------------------------------------------------------------
def test_agreement_within_the_room_is_no_diagnosis() -> None:
    assert diagnose(Seen(0.4, 0.4 + 0.9 * ROOM), Seen(0.8, 0.8 - 0.9 * ROOM)) == ""
    assert diagnose(Seen(0.4, 0.4 + 1.1 * ROOM), Seen(0.8, 0.8)) != ""


@pytest.mark.parametrize(
    ("low", "high", "word"),
    [
        (0.0, 0.0, "sees nothing"),
        (-0.4, -0.8, "reversed"),
        (3.1, 3.1, "the same at both"),
        (0.4, 0.4, "the same at both"),
        (0.2, 0.4, "bad contact"),
    ],
)
def test_each_pattern_has_its_words(low: float, high: float, word: str) -> None:
    assert word in diagnose(Seen(0.4, low), Seen(0.8, high))


def test_the_missing_voltage_is_where_it_comes_nearest() -> None:
    assert elsewhere(0.4, {"VAUX": 0.399, "VIN": 0.35, "+3V3": 0.0}) == "VAUX"
    assert elsewhere(0.4, {"VAUX": 0.0, "+3V3": 0.01}) is None


@pytest.mark.parametrize("text", ["meter:reversd", "USB+CELL:exchanged", "nonsense", "meter:", ""])
def test_an_unknown_mistake_is_told_with_what_there_is(text: str) -> None:
    with pytest.raises(ValueError, match="no mistake of a bench") as told:
        parse_mistakes([text], ["AUX", "USB"])
    assert all(f"meter:{each}" in str(told.value) for each in METER)
    assert "AUX+USB:exchanged" in str(told.value)
