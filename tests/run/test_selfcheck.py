"""A failing bench is never reported as a failing board."""

from __future__ import annotations

import datetime
from types import SimpleNamespace
from typing import Any

import pytest

from wakeboard.harness.describe.bench import Bench
from wakeboard.harness.describe.load import load_board, load_sequence
from wakeboard.harness.run.bench.calibration import CalibrationDue, check_calibration
from wakeboard.harness.run.bench.opening import open_virtual
from wakeboard.harness.run.fitness.selfcheck import (
    check_instruments,
    check_supply_against_meter,
)
from wakeboard.harness.run.runner import Runner
from wakeboard.harness.run.session import exit_code, run_start
from wakeboard.instruments.errors import BenchError, LinkRefused
from wakeboard.instruments.virtual.bench import VirtualBench


def described(virtual: VirtualBench, **instrument: Any) -> Bench:
    description = virtual.bench_description(console="virtual")
    description["instruments"]["meter"].update(instrument)
    return Bench.model_validate(description)


@pytest.fixture
def bench(toy: Any) -> Any:
    with open_virtual(load_board(toy.board), unit="T-1") as opened:
        yield opened


def test_every_instrument_is_told_with_its_identity(toy: Any, bench: Any) -> None:
    from wakeboard.harness.run.bench.opening import open_driver

    manager = bench.virtual.visa()

    def opener(instrument: Any) -> Any:
        if instrument.name == "meter":
            raise LinkRefused("nobody answers", instrument="meter", address=instrument.address)
        return open_driver(instrument, manager=manager, clock=bench.clock)

    checked = {each.name: each for each in check_instruments(described(bench.virtual), open_driver=opener)}
    assert checked["supply"].ok
    assert "E36312A" in checked["supply"].identity
    assert any("outputs off" in text for text in checked["supply"].says)
    assert not checked["meter"].ok
    assert "nobody answers" in checked["meter"].as_json()["says"]
    assert checked["scanner"].ok


def test_what_the_meter_tells_of_itself_is_shown(toy: Any) -> None:
    from wakeboard.harness.run.bench.opening import open_driver

    with open_virtual(load_board(toy.board), unit="T-1", mistakes=("meter:60 Hz",)) as bench:
        manager = bench.virtual.visa()
        checked = {
            each.name: each
            for each in check_instruments(
                described(bench.virtual),
                open_driver=lambda each: open_driver(each, manager=manager, clock=bench.clock),
            )
        }
    told = checked["meter"].as_json()["says"]
    assert "front terminals" in told
    assert "integrates over 60 Hz mains, and the bench file says 50 Hz" in told
    assert "calibrated on +2026,+3,+14" in told
    assert "may carry 300 V" in checked["scanner"].as_json()["says"]


def test_a_calibration_that_is_over(bench: Any) -> None:
    meter = described(bench.virtual, due=datetime.date(2026, 1, 31)).instruments["meter"]
    check_calibration(meter, datetime.date(2026, 1, 31))
    with pytest.raises(CalibrationDue, match="2026-01-31"):
        check_calibration(meter, datetime.date(2026, 2, 1))


def test_a_meter_that_reads_something_with_every_relay_open(toy: Any, bench: Any) -> None:
    sequence = load_sequence(toy.sequence)
    measure = bench.meter.measure
    bench.meter.measure = lambda *a, **k: SimpleNamespace(
        **{**{n: getattr(measure(*a, **k), n) for n in ("unit", "u", "range", "overload", "time")}, "value": 1.5}
    )
    result = Runner(sequence, bench, run_start(sequence, bench, "T-1")).run()
    assert isinstance(result.error, BenchError)
    assert "every relay open" in str(result.error)
    assert result.record.steps == ()
    assert (result.outcome, exit_code(result)) == ("error", 3)


def test_routes_that_are_mixed_up_are_an_error_of_the_bench(toy: Any, bench: Any) -> None:
    """The meter sees another net than the bench file says: supply and meter disagree, and no rail is judged."""
    sequence = load_sequence(toy.sequence)
    routes = bench.probing.routes
    routes["VUSB"], routes["VAUX"] = routes["VAUX"], routes["VUSB"]
    result = Runner(sequence, bench, run_start(sequence, bench, "T-1")).run()
    assert isinstance(result.error, BenchError)
    assert "the net of AUX, not on VUSB" in str(result.error)
    assert result.outcome == "error"
    assert bench.virtual.outputs_on == []


def test_supply_and_meter_agree_within_what_leads_drop() -> None:
    bench = SimpleNamespace(meter_name="meter")
    check_supply_against_meter(bench, "USB", 5.0, 4.75)
    with pytest.raises(BenchError, match=r"4\.500 V"):
        check_supply_against_meter(bench, "USB", 5.0, 4.5)
    with pytest.raises(BenchError, match="reversed leads"):
        check_supply_against_meter(bench, "USB", 5.0, -5.0)


def test_a_meter_overload_is_an_error_with_the_outputs_off(toy: Any, bench: Any) -> None:
    sequence = load_sequence(toy.sequence)
    measure, count = bench.meter.measure, [0]

    def overloads(quantity: str, *rest: Any) -> Any:
        count[0] += quantity == "dc volts"
        seen = measure(quantity, *rest)
        if count[0] <= 12 or quantity != "dc volts":
            return seen
        return SimpleNamespace(value=float("inf"), unit="V", u=float("inf"), range=10.0, overload=True, time=0.0)

    bench.meter.measure = overloads
    result = Runner(sequence, bench, run_start(sequence, bench, "T-1")).run()
    assert "overload" in str(result.error)
    assert exit_code(result) == 3
    assert bench.virtual.outputs_on == []
