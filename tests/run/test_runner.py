"""Runs in process on the virtual bench: outcomes, limits and their origin, and everything off at every end.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import os
import signal
import time
from typing import Any

import pytest

from wakeboard.harness.describe.load import load_sequence
from wakeboard.harness.describe.sequence.steps import step_kinds
from wakeboard.harness.run.bench.opening import open_virtual
from wakeboard.harness.run.errors import OperatorStop, Refused
from wakeboard.harness.run.guard.core import RULES
from wakeboard.harness.run.live import PlainObserver
from wakeboard.harness.run.record import NullRecorder
from wakeboard.harness.run.runner import Result, Runner
from wakeboard.harness.run.session import exit_code, run_start, take_unit
from wakeboard.instruments.errors import LinkTimeout
from wakeboard.results.records import RunStart, Step
from wakeboard.results.store import write as store_write
from wakeboard.results.store.store import Store


def run(path: Any, plants: tuple[str, ...] = (), **options: Any) -> Result:
    return take_unit(load_sequence(path), unit="T-1", plants=plants, **options)


def step(result: Result, name: str) -> Step:
    return next(each for each in result.record.steps if each.name.startswith(name))


def test_a_good_unit_passes_every_step(toy: Any) -> None:
    result = run(toy.sequence)
    told = [(each.name, each.outcome, each.says) for each in result.record.steps]
    assert all(outcome == "pass" for _, outcome, _ in told), told
    assert [each.number for each in result.record.steps] == list(range(1, len(told) + 1))
    assert result.outcome == "pass"
    assert result.off.confirmed
    assert exit_code(result) == 0
    on, off = step(result, "power on"), step(result, "power off")
    assert off.started - on.ended < (result.record.energised_s or 0) < off.ended - on.started


def test_a_step_works_in_the_folder_of_its_sequences_file(toy: Any) -> None:
    """Programs are run there, and files are looked for there, wherever the person stands."""
    sequence = load_sequence(toy.sequence)
    with open_virtual(sequence.board, unit="T-1") as bench:
        assert Runner(sequence, bench, run_start(sequence, bench, "T-1")).context.folder == str(toy.folder)


def test_limits_come_from_step_board_and_circuit(toy: Any) -> None:
    readings = {reading.of: reading for reading in step(run(toy.sequence), "rails").readings}
    assert (readings["+3V3"].limits_from, readings["+3V3"].low) == ("board", pytest.approx(3.201))
    assert readings["VIN"].limits_from == "circuit"
    assert readings["VIN"].low < readings["VIN"].value < readings["VIN"].high
    stepped = toy.steps(
        '[[step]]\ndo = "resistance"\n[[step]]\ndo = "power on"\nsupply = "USB"\nlimit = "100 mA"\n'
        '[[step]]\ndo = "rails"\nof = "V33"\nexpect = "3.0 .. 3.1 V"\n'
    )
    result = run(stepped)
    reading = step(result, "rails").readings[0]
    assert (reading.limits_from, reading.outcome) == ("step", "fail")
    assert result.outcome == "fail"
    assert exit_code(result) == 1


def test_a_step_that_no_point_lets_measure_is_skipped_and_says_so(toy: Any) -> None:
    text = toy.board.read_text(encoding="utf-8")
    toy.board.write_text(text.replace('TP4 = { net = "EN", place = "bottom edge, first pad" }\n', ""), encoding="utf-8")
    told: list[str] = []
    stepped = toy.steps(
        '[[step]]\ndo = "resistance"\n[[step]]\ndo = "power on"\nsupply = "USB"\nlimit = "100 mA"\n'
        '[[step]]\ndo = "line"\n'
    )
    result = run(stepped, observer=PlainObserver(told.append))
    line = step(result, "line")
    assert (line.outcome, line.says) == ("skipped", "no point reaches EN")
    assert any("no point reaches EN" in each for each in told)
    assert result.outcome == "pass"


def test_readings_carry_state_uncertainty_and_instrument(toy: Any) -> None:
    result = run(toy.sequence)
    driven = [reading for reading in step(result, "drive").readings if "high" in reading.state]
    assert driven[0].state == "USB=5V@120mA; U1.GPIO1=high; load=10MΩ"
    assert driven[0].instrument == "meter"
    assert driven[0].u is not None
    assert driven[0].u > 0
    power = step(result, "power on")
    assert power.trace is not None
    assert max(power.trace.supplies["USB"].volts) == pytest.approx(5.0, abs=0.05)
    assert any("VOLT" in text for _, _, way, text in power.traffic if way == ">")


def test_a_short_is_found_before_power(toy: Any) -> None:
    result = run(toy.sequence, ("VUSB+GND:bridge=2",))
    assert [(each.kind, each.outcome) for each in result.record.steps] == [("resistance", "fail")]
    assert result.record.energised_s == 0
    low = [reading for reading in result.record.steps[0].readings if reading.outcome == "fail"]
    assert low[0].value == pytest.approx(2, abs=2)


def test_a_short_behind_the_regulator_trips_and_discharges(toy: Any) -> None:
    result = run(toy.sequence, ("+3V3+GND:bridge=5",))
    assert result.outcome == "tripped"
    assert result.record.trip is not None
    assert result.record.trip.rule in RULES
    assert (result.record.trip.supply, result.record.trip.step) == ("USB", 2)
    assert result.record.steps[-1].name == "discharge"
    assert result.off.confirmed
    assert exit_code(result) == 1


def test_a_fed_supply_stops_the_run_and_a_risen_rail_does_not(toy: Any) -> None:
    fed = run(toy.sequence, ("D2:short",))
    fed_step = step(fed, "back-feed")
    assert fed_step.outcome == "fail"
    assert fed_step.detail["fed_supplies"] == ["AUX"]
    assert not any(each.kind == "rails" for each in fed.record.steps)
    assert fed.record.steps[-1].name == "discharge"


def test_a_hidden_pull_fails_its_line_and_is_read_under_a_second_load(toy: Any) -> None:
    result = run(toy.sequence, ("U1.GPIO1:pull_up=30k",))
    readings = [reading for reading in step(result, "line").readings if reading.quantity == "dc volts"]
    assert readings[0].outcome == "fail"
    assert len(readings) == 2
    assert readings[1].value is not None
    assert readings[0].value is not None
    assert readings[1].value < readings[0].value / 2
    assert "load=10MΩ" in readings[0].state
    assert "load=9.99001kΩ" in readings[1].state


def test_an_odd_line_is_read_once_it_has_arrived(toy: Any) -> None:
    """100 kΩ up, 100 kΩ down and 10 µF: a time constant of 0.5 s at rest, 83 ms under 10 kΩ. Read at once it is far
    away. By hand, with the meter's 10 MΩ: 3.3 V · 99.0 k/(99.0 k + 100 k), and 3.3 V · 9.08 k/(9.08 k + 100 k)."""
    board = toy.folder / "board.toml"
    slow = 'C3 = { kind = "capacitor", value = "10 µF", pins = ["EN", "GND"] }\n'
    board.write_text(board.read_text("utf-8").replace("\n[parts.U2]", f"{slow}\n[parts.U2]"), "utf-8")
    readings = step(run(toy.sequence, ("U1.GPIO1:pull_up=100k",)), "line").readings
    volts = [reading.value for reading in readings if reading.quantity == "dc volts"]
    assert volts == pytest.approx(
        [1.642, 0.2747], rel=0.04
    )  # the regulator's 2 %, the resistors' 1 %, what still creeps


def test_no_part_is_overstressed_with_a_short_planted(toy: Any) -> None:
    sequence = load_sequence(toy.sequence)
    for plant in ("+3V3+GND:bridge=2", "VUSB+GND:bridge=1", "VIN+GND:bridge=3"):
        with open_virtual(sequence.board, unit="T-1", plants=[plant]) as bench:
            Runner(sequence, bench, run_start(sequence, bench, "T-1")).run()
            assert bench.virtual.overstress == [], plant
            assert bench.virtual.outputs_on == []


# --- refusals --------------------------------------------------------------------------------------------------------
def test_energising_is_refused_before_the_short_check_passed(toy: Any) -> None:
    text = '[[step]]\ndo = "power on"\nsupply = "USB"\nlimit = "100 mA"\nwhy = "checked by hand"\n'
    said = run(toy.steps(text))
    assert said.outcome == "pass"
    assert "checked by hand" in said.record.steps[0].says
    failed_check = (
        '[[step]]\ndo = "resistance"\nof = "USB"\nexpect = "> 10 MΩ"\non_fail = "go on"\n'
        '[[step]]\ndo = "power on"\nsupply = "USB"\nlimit = "100 mA"\n'
    )
    result = run(toy.steps(failed_check, "failed.toml"))
    assert isinstance(result.error, Refused)
    assert result.record.energised_s == 0
    assert exit_code(result) == 2


# --- every end leaves the outputs off --------------------------------------------------------------------------------
class Broken:
    """Makes the n-th reading of the meter raise, counted from the start or from power-on."""

    def __init__(self, bench: Any, error: BaseException, at: int, powered: bool = False) -> None:
        self.left = at
        measure = bench.meter.measure

        def failing(*args: Any, **named: Any) -> Any:
            self.left -= bool(bench.virtual.outputs_on) if powered else 1
            if self.left == 0:
                raise error
            return measure(*args, **named)

        bench.meter.measure = failing


@pytest.mark.parametrize(
    ("error", "code", "outcome"),
    [
        (RuntimeError("a mistake in a step"), 5, "error"),
        (LinkTimeout("no reply", instrument="meter"), 3, "error"),
        (KeyboardInterrupt(), 4, "error"),
        (OperatorStop("enough"), 4, "error"),
        (MemoryError(), 5, "error"),
        (SystemExit(1), 5, "error"),
    ],
)
def test_whatever_is_raised_the_outputs_go_off(toy: Any, error: BaseException, code: int, outcome: str) -> None:
    sequence = load_sequence(toy.sequence)
    with open_virtual(sequence.board, unit="T-1") as bench:
        Broken(bench, error, at=3, powered=True)
        result = Runner(sequence, bench, run_start(sequence, bench, "T-1")).run()
        assert bench.virtual.outputs_on == []
    assert result.error is error
    assert result.outcome == outcome
    assert result.off.confirmed
    assert exit_code(result) == code
    assert any(each.kind == "power on" for each in result.record.steps)


def test_every_reading_may_fail_and_nothing_stays_on(toy: Any) -> None:
    """Fail at the N-th reading, for every N until a run completes without a failure."""
    sequence = load_sequence(toy.sequence)
    number = 0
    while True:
        number += 1
        with open_virtual(sequence.board, unit="T-1", transients=False) as bench:
            broken = Broken(bench, LinkTimeout("no reply", instrument="meter"), number)
            result = Runner(sequence, bench, run_start(sequence, bench, "T-1")).run()
            assert bench.virtual.outputs_on == []
            assert result.off.confirmed
        if broken.left > 0:
            break
        assert result.outcome == "error", number
    assert result.outcome == "pass"
    assert number > 20


class Recorder(NullRecorder):
    """Keeps what was committed, and may fail at a step."""

    def __init__(self, fails_at: int = 0) -> None:
        self.steps: list[Step] = []
        self.ends: list[str] = []
        self.fails_at = fails_at

    def begin(self, start: RunStart) -> str:
        return "run"

    def commit(self, step: Step) -> None:
        if step.number == self.fails_at:
            raise OSError("disk full")
        self.steps.append(step)

    def end(self, outcome: str, **what: Any) -> None:
        self.ends.append(outcome)


def test_a_store_that_fails_while_the_board_is_powered(toy: Any) -> None:
    sequence = load_sequence(toy.sequence)
    with open_virtual(sequence.board, unit="T-1") as bench:
        recorder = Recorder(fails_at=3)
        result = Runner(sequence, bench, run_start(sequence, bench, "T-1"), recorder=recorder).run()
        assert bench.virtual.outputs_on == []
    assert isinstance(result.error, OSError)
    assert [each.number for each in recorder.steps][:2] == [1, 2]
    assert exit_code(result) == 5


def test_each_step_is_in_the_store_as_it_ended(toy: Any) -> None:
    with Store.open(toy.folder / "runs.db") as store:
        result = run(toy.sequence, store=store)
        kept = store.run(result.record.id)
    assert kept.outcome == "pass"
    assert kept.outputs_off is True
    assert [each.name for each in kept.steps] == [each.name for each in result.record.steps]
    assert kept.as_json()["steps"][3]["readings"][0]["of"] in ("VIN", "+3V3")
    assert {each.kind for each in kept.start.instruments} == {"psu", "dmm", "scanner"}


def test_a_press_while_a_step_is_committed_loses_no_step(toy: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """A signal between the step's row and its readings: rolled back, the outputs off, and the same step once more."""
    put, pressed = store_write.put_step, []

    def press(connection: Any, run_id: int, packed: Any, known: Any) -> None:
        if packed.step.kind == "rails" and not pressed:
            pressed.append(packed.step)
            put(connection, run_id, packed, known)
            os.kill(os.getpid(), signal.SIGINT)
            time.sleep(1.0)  # here it is taken in
        put(connection, run_id, packed, known)

    monkeypatch.setattr(store_write, "put_step", press)
    with Store.open(toy.folder / "runs.db") as store:
        result = run(toy.sequence, store=store)
    with Store.open(toy.folder / "runs.db", read_only=True) as store:
        kept = store.run(result.record.id)
    assert len(pressed) == 1
    assert [each.name for each in kept.steps] == [each.name for each in result.record.steps]
    assert (kept.steps[-2].kind, kept.steps[-2].outcome) == ("rails", "pass")
    assert tuple(kept.steps[-2].readings) == tuple(pressed[0].readings)
    assert (kept.steps[-1].kind, kept.outcome, kept.outputs_off) == ("discharge", "error", True)
    assert result.record.says == "stopped by the operator"
    assert exit_code(result) == 4


def test_the_same_unit_reads_the_same_tomorrow(toy: Any) -> None:
    first, second = run(toy.sequence), run(toy.sequence)
    values = [
        [reading.value for each in result.record.steps for reading in each.readings] for result in (first, second)
    ]
    assert values[0] == values[1]


def test_every_kind_has_a_model_a_summary_and_a_word(toy: Any) -> None:
    assert set(step_kinds()) >= {
        "resistance", "power on", "power off", "back-feed", "rails", "line", "drive", "talk", "transfer", "ask", "wait",
        "current",
    }  # fmt: skip
    assert all(kind.summary for kind in step_kinds().values())


def test_a_question_without_anybody_to_answer_is_skipped(toy: Any) -> None:
    text = '[[step]]\ndo = "ask"\nquestion = "Any smoke?"\nexpect = "no"\n'
    assert run(toy.steps(text)).outcome == "skipped"

    class Answers:
        beat: Any = None

        @staticmethod
        def ask(question: str, text: bool) -> str:
            return "yes"

        @staticmethod
        def tell(title: str, detail: str) -> None:
            raise AssertionError("nothing to probe")

    result = run(toy.steps(text), operator=Answers())
    assert result.outcome == "fail"


def test_an_answer_that_does_not_fit_fails_without_waiting(toy: Any) -> None:
    text = (
        '[[step]]\ndo = "resistance"\n[[step]]\ndo = "power on"\nsupply = "USB"\nlimit = "100 mA"\n'
        '[[step]]\nname = "who"\ndo = "talk"\nsend = "nonsense"\nexpect = "toy (?P<v>[0-9.]+)"\ntimeout = "20 s"\n'
    )
    who = step(run(toy.steps(text)), "who")
    assert who.outcome == "fail"
    assert who.ended - who.started < 2


def test_a_pattern_that_would_not_end_is_no_verdict_on_the_board(toy: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """An error, told at once, with the power off. That the time is bounded: tests/instruments/test_patterns.py."""
    from wakeboard.instruments import patterns

    monkeypatch.setattr(patterns, "LIMIT", 1e-9)
    text = (
        '[[step]]\ndo = "resistance"\n[[step]]\ndo = "power on"\nsupply = "USB"\nlimit = "100 mA"\n'
        """[[step]]\nname = "dump"\ndo = "talk"\nsend = "dump"\nexpect = '(?s)(.|..)+\\Zx'\ntimeout = "20 s"\n"""
    )
    result = run(toy.steps(text))
    assert result.outcome == "error"
    assert "repeats within repeats" in result.record.says
    assert result.off.confirmed
