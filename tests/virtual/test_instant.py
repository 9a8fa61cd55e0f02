"""The settled simulation: what it solves and what it need not, and ratings that are worked out only when asked for.

Figures are those of invented circuits: Ohm's law, or the simulation against itself.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from typing import Any

import pytest

from wakeboard.instruments.virtual.bench import prepare
from wakeboard.instruments.virtual.circuit import Circuit, Overstress, Part, Variant, parse_fault
from wakeboard.instruments.virtual.circuit.solver.path import Path, Point
from wakeboard.instruments.virtual.circuit.solver.ratings import Watch
from wakeboard.instruments.virtual.time.instant import Instant

PARTS = (
    Part("R1", "resistor", {"1": "VIN", "2": "OUT"}, {"value": 100.0}, ratings={"power": 0.02, "current": 0.03}),
    Part("D1", "schottky", {"A": "OUT", "K": "GND"}, ratings={"voltage": 3.0}),
    Part("R2", "resistor", {"1": "OUT", "2": "GND"}, {"value": 1000.0}, ratings={"voltage": 2.0}),
)


class Counted(Path):
    """A path that keeps its points."""

    def __init__(self, model: Any) -> None:
        super().__init__(model)
        self.points: list[Point] = []

    def point(self, values: Mapping[str, Any], moves: Mapping[str, str], last: Point | None = None) -> Point:
        self.points.append(super().point(values, moves, last))
        return self.points[-1]


@pytest.fixture(scope="module")
def prepared() -> Any:
    return prepare(Circuit(PARTS), {"MAIN": "VIN", "SPARE": "OUT"}, {"TP1": "VIN", "TP2": "OUT"})


def _begun(prepared: Any) -> tuple[Instant, Counted]:
    simulation, path = Instant(prepared.model, Variant()), Counted(prepared.model)
    simulation._path = path
    return simulation, path


def _solved(simulation: Instant, path: Counted) -> Point:
    """The present state solved, without regard to what is known."""
    return Path.point(path, simulation._values, simulation._moves)


def test_a_state_at_which_nobody_looks_is_not_solved(prepared: Any) -> None:
    simulation, path = _begun(prepared)
    simulation.change({"bench_MAIN.on": True, "bench_MAIN.volts": 1.0})
    simulation.change({"bench_MAIN.volts": 2.0})
    assert simulation.volts("VIN") == pytest.approx(2.0, abs=0.01)
    simulation.change_gently({}, {"meter.HI": "OUT"})
    simulation.advance(1.0)
    assert len(path.points) == 1
    simulation.change({"bench_MAIN.volts": 3.0})
    simulation.advance(1.0)  # parts warm up in it: it is needed
    assert len(path.points) == 2


def test_an_output_that_is_off_is_the_same_whatever_it_is_set_to(prepared: Any) -> None:
    simulation, path = _begun(prepared)
    at_first = simulation.volts("VIN")
    simulation.change({"bench_MAIN.on": True, "bench_MAIN.volts": 5.0, "bench_MAIN.limit": 0.01})
    assert simulation.volts("VIN") != at_first
    simulation.change({"bench_MAIN.on": False})
    assert simulation.volts("VIN") == at_first
    assert len(path.points) == 2
    assert _solved(simulation, path).volts("VIN") == pytest.approx(at_first, abs=1e-12)  # really solved: the same
    simulation.change({"bench_MAIN.on": True})  # and what it was set to has not been forgotten
    assert simulation.current("bench_MAIN", "P") == pytest.approx(-0.01, rel=1e-3)


def test_a_meter_is_the_same_either_way_round_until_it_drives_a_current(prepared: Any) -> None:
    simulation, path = _begun(prepared)
    simulation.change({"bench_MAIN.on": True, "bench_MAIN.volts": 1.0}, {"meter.HI": "OUT", "meter.LO": "GND"})
    there = simulation.volts("OUT")
    simulation.change_gently({}, {"meter.HI": "GND", "meter.LO": "OUT"})
    assert simulation.volts("OUT") == there
    assert len(path.points) == 1
    assert _solved(simulation, path).volts("OUT") == pytest.approx(there, abs=1e-9)
    simulation.change_gently({"meter.test_amps": 1e-3}, {})
    turned = simulation.volts("OUT")
    simulation.change_gently({}, {"meter.HI": "OUT", "meter.LO": "GND"})
    assert simulation.volts("OUT") > turned
    assert len(path.points) == 3


def _like(prepared: Any, begins: Mapping[Any, Point], ohms: float) -> tuple[Instant, list[Point | None]]:
    """A board with another R1, told of the states of the drawn one, and where its solutions begin."""
    simulation = Instant(prepared.model, Variant(values={"R1.value": ohms}), begins)
    path, begun = Path(prepared.model), list[Point | None]()
    point = path.point

    def told(values: Mapping[str, Any], moves: Mapping[str, str], last: Point | None = None) -> Point:
        begun.append(last)
        return point(values, moves, last)

    path.point = told  # type: ignore[method-assign]
    simulation._path = path
    return simulation, begun


def _states(simulation: Instant) -> list[float]:
    """Volts at OUT without power, under the meter's current, then at 1 V and 2 V."""
    seen, on = [], {"meter.test_amps": 0.0, "bench_MAIN.on": True, "bench_MAIN.volts": 1.0}
    for values in ({}, {"meter.test_amps": 1e-4}, on, {"bench_MAIN.volts": 2.0}):
        simulation.change(values, {"meter.HI": "OUT"})
        seen.append(simulation.volts("OUT"))
    return seen


def test_a_board_much_like_another_is_looked_for_where_that_one_is(prepared: Any) -> None:
    drawn = Instant(prepared.model, Variant())
    _states(drawn)
    known = {id(point) for point in drawn.known.values()}
    expected = _states(_like(prepared, {}, 105.0)[0])
    simulation, begun = _like(prepared, _keyed(drawn, 105.0), 105.0)
    assert _states(simulation) == pytest.approx(expected, abs=1e-9)
    assert [id(each) in known for each in begun] == [True] * 4


def test_with_power_on_a_board_that_stood_elsewhere_goes_on_from_where_it_was(prepared: Any) -> None:
    drawn = Instant(prepared.model, Variant())
    _states(drawn)
    known = {id(point) for point in drawn.known.values()}
    simulation, begun = _like(prepared, _keyed(drawn, 5000.0), 5000.0)
    _states(simulation)
    assert [id(each) in known for each in begun] == [True, True, True, False]  # at 1 V by 0.8 V from the other


def _keyed(drawn: Instant, ohms: float) -> dict[Any, Point]:
    """Its states, as a board finds them whose own value stands among the settings."""
    return {(heard | {("R1.value", ohms)}, reached): point for (heard, reached), point in drawn.known.items()}


@pytest.mark.parametrize("seed", range(12))
def test_ratings_are_those_of_a_watch_that_looked_all_the_time(prepared: Any, seed: int) -> None:
    """The watch of the simulation with transients, told of each state as it comes."""
    drawn = random.Random(seed)
    simulation, _ = _begun(prepared)
    watch, last = Watch(prepared.model), 0.0
    for _ in range(12):
        volts = drawn.choice([0.5, 1.0, 2.0, 3.0, 4.0, 6.0])
        simulation.change({"bench_MAIN.on": True, "bench_MAIN.volts": volts, "bench_MAIN.limit": 0.1})
        simulation.volts("OUT")
        state = simulation._look()
        if simulation.time > last:
            watch.rest(last, simulation.time - last)
            last = simulation.time
        watch.place_at(state.at)
        watch.step(simulation.time, 0.0, state.unknowns, state.currents)
        _same(simulation.overstress, watch.found)
        simulation.advance(drawn.choice([0.01, 0.3, 2.0]))
    watch.rest(last, simulation.time - last)
    _same(simulation.overstress, watch.found)


def _same(found: list[Overstress], wanted: list[Overstress]) -> None:
    assert len(found) == len(wanted)
    for mine, other in zip(found, wanted, strict=True):
        assert (mine.part, mine.rating, mine.allowed) == (other.part, other.rating, other.allowed)
        assert mine.reached == pytest.approx(other.reached, rel=1e-12)
        assert mine.time == pytest.approx(other.time, rel=1e-12)


def test_the_watch_tells_of_a_burn_at_all(prepared: Any) -> None:
    """100 Ω at 20 mW takes 14 mA: at 2 V there are 17 mA and more behind the diode's 0.3 V."""
    simulation, _ = _begun(prepared)
    simulation.change({"bench_MAIN.on": True, "bench_MAIN.volts": 1.0})
    simulation.advance(60.0)
    assert simulation.overstress == []
    simulation.change({"bench_MAIN.volts": 2.0})
    simulation.advance(60.0)
    assert [(found.part, found.rating) for found in simulation.overstress] == [("R1", "power")]
    assert simulation.overstress[0].time > 60.0


@pytest.mark.parametrize("faults", [(), ("R1.2:net=VIN",), ("VIN+OUT:bridge=3",), ("D1:reversed",)])
def test_leads_that_go_from_net_to_net_find_what_a_plan_made_for_each_does(
    prepared: Any, faults: tuple[str, ...]
) -> None:
    """Points of a path, whose wirings are changed from one, against the same solved each by a wiring of its own."""
    planted = tuple(parse_fault(each) for each in faults)
    path = Path(prepared.model, planted)
    for high, low, tie in (("OUT", "GND", "bench_probe"), ("GND", "OUT", "bench_probe"), ("VIN", "OUT", "bench_probe"),
                           ("VIN", "GND", "OUT"), ("bench_probe", "GND", "bench_probe")):  # fmt: skip
        values = {
            "bench_MAIN.on": True,
            "bench_MAIN.volts": 2.0,
            "bench_load1.on": True,
            "bench_tie1.on": tie != "bench_probe",
        }
        moves = {"meter.HI": high, "meter.LO": low, "bench_load1.1": high, "bench_load1.2": low, "bench_tie1.1": tie}
        alone = prepared.model.solve([Variant(planted, values, None, moves)])
        point = path.point(values, moves)
        for net in prepared.circuit.nets:
            assert point.volts(net) == pytest.approx(float(alone.net(net)[0]), abs=1e-9), (net, high, low)
        assert point.current("meter", "HI") == pytest.approx(float(alone.current("meter", "HI")[0]), abs=1e-12)


def test_the_plan_is_shared_by_what_passes_current_to_ground_only(prepared: Any) -> None:
    structure = prepared.model.structure()

    def plan(**moves: str) -> Any:
        variant = Variant(moves={f"meter.{pin}": net for pin, net in moves.items()})
        return structure.placed(prepared.model.plan(variant).moves)[1].plan

    drawn = structure.wiring().plan
    assert plan(HI="OUT").target is drawn.target
    assert plan(HI="GND", LO="VIN").target is drawn.target
    assert plan(HI="OUT", LO="VIN").target is not drawn.target
