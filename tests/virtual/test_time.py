"""The bench in time: transients against closed forms, the quick simulation against the full one.

Closed forms: charging a capacitor at constant current takes C·V/I; discharging through a resistor falls as exp(-t/RC).
"""

from __future__ import annotations

import math
from typing import Any

import pytest

from wakeboard.instruments.virtual.bench import VirtualBench, prepare
from wakeboard.instruments.virtual.circuit import Circuit, Part, SolveError, Variant
from wakeboard.instruments.virtual.time.clock import VirtualClock
from wakeboard.instruments.virtual.time.instant import Instant
from wakeboard.instruments.virtual.time.stage import Stage

FARADS = 1000e-6
PARTS = (
    Part("C1", "capacitor", {"1": "VIN", "2": "GND"}, {"value": FARADS}),
    Part("R1", "resistor", {"1": "VIN", "2": "GND"}, {"value": 1000.0}, ratings={"power": 0.02}),
    Part("D1", "schottky", {"A": "VIN", "K": "OUT"}),
    Part("R2", "resistor", {"1": "OUT", "2": "GND"}, {"value": 10e3}),
)


@pytest.fixture(scope="module")
def charged() -> Any:
    return prepare(Circuit(PARTS), {"MAIN": "VIN"}, {"TP1": "VIN", "TP2": "OUT"})


def test_charging_at_the_current_limit_takes_cv_over_i(charged: Any) -> None:
    bench = VirtualBench(charged, psu="plain")
    supply = bench.instruments["supply"]
    supply.execute("VOLT 5;CURR 0.2;OUTP ON")
    expected = (FARADS + 22e-6) * 5.0 / 0.2  # the supply's own output capacitor charges as well
    bench.clock.sleep(0.5 * expected)
    assert bench.stage.volts("VIN") == pytest.approx(2.5, rel=0.08)  # the load takes up to 5 mA, the limit is ± 0.2 %
    assert supply.execute("STAT:QUES:INST:ISUM1:COND?") == "1"
    bench.clock.sleep(0.7 * expected)
    assert bench.stage.volts("VIN") == pytest.approx(5.0, rel=0.005)
    assert supply.execute("STAT:QUES:INST:ISUM1:COND?") == "2"


def test_after_off_the_board_discharges_itself(charged: Any) -> None:
    """The supply does not sink: what is left is 1 kΩ, and 10 kΩ behind the diode."""
    bench = VirtualBench(charged, psu="plain")
    bench.instruments["supply"].execute("VOLT 5;CURR 1;OUTP ON")
    bench.clock.sleep(1.0)
    start = bench.stage.volts("VIN")
    bench.instruments["supply"].execute("OUTP OFF")
    bench.clock.sleep(1.0)
    fast = 1 / (1 / 1000 + 1 / 10e3)
    low, high = (start * math.exp(-1.0 / (ohms * FARADS)) for ohms in (fast, 1000.0))
    assert low * 0.98 < bench.stage.volts("VIN") < high * 1.02


def test_an_over_voltage_is_cut_within_milliseconds(charged: Any) -> None:
    bench = VirtualBench(charged, psu="plain")
    bench.instruments["supply"].execute("VOLT:PROT 3;PROT:STAT ON;:VOLT 5;CURR 0.2;OUTP ON")
    bench.clock.sleep(0.5)
    assert bench.outputs_on == []
    top = bench.stage.volts("VIN")
    assert top < 3.0
    tripped = VirtualBench(charged, psu="plain")
    tripped.instruments["supply"].execute("VOLT:PROT 3;PROT:STAT ON;:VOLT 5;CURR 0.2;OUTP ON")
    seen: list[float] = []
    tripped.clock.every(1e-3, lambda: seen.append(tripped.stage.volts("VIN")))
    tripped.clock.sleep(0.1)
    assert 2.9 < max(seen) < 3.2  # 0.2 A into 1 mF is 0.2 V a millisecond


def test_overstress_is_seen_through_the_heat_filter(charged: Any) -> None:
    """5 V on 1 kΩ is 25 mW on a part that may take 20 mW; a glance does not burn it, seconds do."""
    for transients in (True, False):
        bench = VirtualBench(charged, psu="plain", transients=transients)
        bench.instruments["supply"].execute("VOLT 5;CURR 1;OUTP ON")
        bench.clock.sleep(0.2)
        assert bench.overstress == []
        bench.clock.sleep(20.0)
        assert [(found.part, found.rating) for found in bench.overstress] == [("R1", "power")]


def test_the_quick_simulation_ends_where_the_full_one_does(charged: Any) -> None:
    readings = []
    for transients in (True, False):
        bench = VirtualBench(charged, psu="plain", transients=transients)
        bench.instruments["supply"].execute("VOLT 5;CURR 0.5;OUTP ON")
        bench.instruments["scanner"].execute("ROUT:CLOS (@102)")
        bench.clock.sleep(30.0)
        readings.append(float(bench.instruments["meter"].execute("MEAS:VOLT:DC? 10") or 0))
    assert readings[0] == pytest.approx(readings[1], abs=2e-4)


def test_units_differ_and_repeat(charged: Any) -> None:
    parts = [Part("R1", "resistor", {"1": "VIN", "2": "GND"}, {"value": 100.0}, tolerance={"value": 0.05})]
    prepared = prepare(Circuit(parts), {"MAIN": "VIN"}, {"TP1": "VIN"})

    def amps(unit: str) -> float:
        bench = VirtualBench(prepared, unit=unit, psu="plain", transients=False)
        bench.instruments["supply"].execute("VOLT 5;CURR 0.5;OUTP ON")
        bench.clock.sleep(0.1)
        return bench.psus[0].supply.outputs[0].true_amps()

    assert amps("A1") == amps("A1") != amps("A2")
    assert amps("A2") == pytest.approx(0.05, rel=0.06)


def test_a_circuit_without_an_answer_is_told(charged: Any) -> None:
    simulation = Instant(charged.model, Variant(values={"R2.value": float("nan")}))
    with pytest.raises(SolveError, match="no operating point"):
        simulation.volts("OUT")


class Still:
    """A circuit that never moves, and counts how often it is told to advance."""

    settled = True

    def __init__(self) -> None:
        self.advanced = 0

    def change(self, values: Any = None, moves: Any = None) -> None: ...

    def advance(self, seconds: float) -> None:
        self.advanced += 1

    def volts(self, net: str) -> float:
        return 0.0

    def current(self, part: str, pin: str) -> float:
        return 0.0


def test_a_circuit_at_rest_costs_nothing() -> None:
    still = Still()
    stage = Stage(still)
    stage.change({})
    stage.advance(1.0)
    before = still.advanced
    for _ in range(1000):
        stage.advance(1.0)
    assert still.advanced == before
    assert stage.now == 1001.0


def test_events_run_in_order_and_none_inside_another() -> None:
    stage = Stage(Still())
    clock = VirtualClock(stage)
    seen: list[tuple[str, float]] = []

    def first() -> None:
        clock.sleep(0.5)  # would pass the second, if events ran inside events
        seen.append(("first", stage.now))

    stage.at(1.0, first)
    stage.at(1.2, lambda: seen.append(("second", stage.now)))
    cancelled = stage.at(1.3, lambda: seen.append(("never", 0.0)))
    cancelled.cancel()
    clock.sleep(2.0)
    assert seen == [("first", 1.5), ("second", 1.5)]
    assert clock.now() == 2.0


def test_a_call_that_waits_holds_up_nothing_of_the_bench() -> None:
    """A guard's poll lets time pass while the supply answers: a boot or a trip that falls due then is not late, and no
    other poll runs inside it."""
    stage = Stage(Still())
    clock = VirtualClock(stage)
    seen: list[tuple[str, float]] = []

    def poll() -> None:
        clock.sleep(0.5)
        seen.append(("poll", stage.now))

    stage.call(1.0, poll)
    stage.call(1.1, poll)
    stage.at(1.2, lambda: seen.append(("trip", stage.now)))
    clock.sleep(3.0)
    assert seen == [("trip", 1.2), ("poll", 1.5), ("poll", 2.0)]


def test_an_output_rises_evenly_and_the_circuit_follows(charged: Any) -> None:
    """500 V/s into 10 kΩ: a straight line, then its corner; switched off half-way it stays where it was."""
    parts = [Part("R1", "resistor", {"1": "VIN", "2": "GND"}, {"value": 10e3})]
    bench = VirtualBench(prepare(Circuit(parts), {"MAIN": "VIN"}, {}), psu="plain")
    supply = bench.psus[0]
    supply.execute("VOLT 5;CURR 1;OUTP ON")
    for at in (0.002, 0.004, 0.006, 0.008, 0.012):
        bench.clock.sleep(at - bench.stage.now)
        assert bench.stage.volts("VIN") == pytest.approx(min(5.0, 500 * at), rel=0.01)
    supply.execute("VOLT 9")
    bench.clock.sleep(0.004)
    supply.execute("VOLT 6")
    bench.clock.sleep(0.1)
    assert bench.stage.volts("VIN") == pytest.approx(6.0, rel=0.01)
