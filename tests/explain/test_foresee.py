"""What a reading to come is expected to be, given those that were taken."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Callable

import numpy as np
import pytest

from wakeboard.harness.describe.state import BenchState
from wakeboard.harness.explain.choose.foresee import foreseen
from wakeboard.harness.explain.choose.in_play import Free, Live, live, never_certain
from wakeboard.harness.explain.choose.possible import ideas
from wakeboard.harness.explain.evidence.freedom import SCALES
from wakeboard.harness.explain.evidence.observe import Observation, observations
from wakeboard.harness.explain.evidence.predict import Change
from wakeboard.harness.explain.evidence.roughness import ModelFit
from wakeboard.harness.explain.explaining import explain_case, next_choices
from wakeboard.harness.explain.rank.candidate import Weighing
from wakeboard.harness.explain.unit.cases import BoardModel, Case
from wakeboard.results.records import Reading, RunRecord, Trip

RunMaker = Callable[..., RunRecord]
DRAWN = Live([Change()], np.ones(1), [()], [None])


def volts(net: str, state: str) -> Observation:
    return Observation(net, "dc volts", BenchState.parse(state), np.nan, 1.0, 0, Reading(net, "dc volts", None, "V"))


def test_what_was_read_of_a_regulator_holds_in_the_next_state(wren: BoardModel, make_run: RunMaker) -> None:
    """3.3 V within 2 %, so 38 mV of standard deviation; once it was read, the meter and the model are what is left."""

    def without_rail(readings: list[Reading]) -> None:
        readings[:] = [r for r in readings if r.of in ("VUSB", "VIN")]

    to_come = [volts("+3V3", "USB=5V@120mA; U1.GPIO1=low; load=10MΩ")]
    _, before = foreseen(Case(make_run(edit=without_rail), wren), DRAWN, to_come)
    case = Case(make_run(seed=7), wren)
    mean, after = foreseen(case, DRAWN, to_come)
    read = next(o.y for o in case.observations if o.of == "+3V3" and o.quantity == "dc volts")
    assert before[0, 0] == pytest.approx(
        np.linalg.norm([0.02 * 3.3 / np.sqrt(3), 3e-3 + 0.002 * 3.3, 8e-3 + 0.003 * 3.3]), rel=0.05
    )
    assert after[0, 0] < 0.3 * before[0, 0]
    assert mean[0, 0] == pytest.approx(read, abs=3 * after[0, 0])


def test_something_else_is_wide_on_the_nets_that_it_moves(wren: BoardModel, make_run: RunMaker) -> None:
    # definition: half of the range that it may move over
    case = Case(make_run(), wren)
    free = Free({("CS", "net"): 0.0}, {("CS", "net"): 0.5})
    both = Live([Change(), Change()], np.array([0.9, 0.1]), [(), ()], [None, None], 1, free)
    to_come = [volts(net, "USB=5V@120mA; U1.GPIO1=low; load=10MΩ") for net in ("CS", "IRQ")]
    _, sigma = foreseen(case, both, to_come)
    assert sigma[1, 0] == pytest.approx(1.0, rel=0.01)  # half of 2 V
    assert sigma[1, 1] == pytest.approx(sigma[0, 1], rel=1e-3)  # IRQ is moved by flux between the two pins alone


def test_a_board_found_to_be_much_as_drawn_is_expected_to_be_so_where_nothing_was_read(
    wren: BoardModel, make_run: RunMaker
) -> None:
    """IRQ hangs on 100 kOhm: what two chips' inputs leak is not stated. At a thousandth of the table's spread (the
    closest scale, squared for leakages) it counts for nothing beside meter and model, at the roughest for most; and the
    rougher the model besides, the less is expected too."""

    def without_irq(readings: list[Reading]) -> None:
        readings[:] = [r for r in readings if r.of != "IRQ"]

    case = Case(make_run(edit=without_irq), wren)
    none = case.weigh().none
    to_come = [volts("IRQ", "USB=5V@120mA; load=10MΩ")]

    def sigma(scale: int) -> float:
        each = dataclasses.replace(none, scale=scale, wide=())
        return float(foreseen(case, Live([Change()], np.ones(1), [()], [each]), to_come)[1][0, 0])

    _, table = foreseen(case, DRAWN, to_come)
    found = {(scale.parts, scale.model): sigma(k) for k, scale in enumerate(SCALES)}
    for one, other in itertools.product(found, repeat=2):
        if one[0] <= other[0] and one[1] <= other[1]:
            assert found[one] <= found[other]
    assert found[0.03, 0.03] < 0.5 * table[0, 0] < found[2.5, 1.0]


@pytest.mark.parametrize(("scale", "most"), [(1.0, 0.999), (2.5, 0.97)])
def test_what_is_never_certain_is_no_reason_to_measure(
    wren: BoardModel, make_run: RunMaker, scale: float, most: float
) -> None:
    """Where the model is rough nothing is stated above 97 %: no reading lifts that."""
    case = Case(make_run(), wren)
    none = case.weigh().none
    fit = ModelFit(scale, 1.0, (), ())
    settled = Weighing([], np.empty(0), none, 0.99 * most, 1 - 0.99 * most, frozenset(), fit=fit)
    assert never_certain(settled) == pytest.approx(1 - most)
    in_play = live(case, settled, [])
    assert in_play.other is not None
    assert in_play.probabilities[in_play.other] == pytest.approx(0.01)
    whole = dataclasses.replace(settled, p_none=most, p_other=1 - most)
    assert live(case, whole, []).other is None


def test_a_board_that_lacks_something_is_expected_to_lack_it_in_what_is_measured_next(
    wren: BoardModel, make_run: RunMaker
) -> None:
    case = Case(make_run(), wren)
    lacks = Change(values={"U3.clamps": 0.0})
    none = dataclasses.replace(case.weigh().none, beside=lacks)
    found = Weighing([], np.empty(0), none, 1.0, 0.0, frozenset())
    assert live(case, found, []).changes[0].key == lacks.key


def test_what_the_guard_has_cut_is_a_reading_and_no_state_to_go_back_to(wren: BoardModel, make_run: RunMaker) -> None:
    # invented trip
    run = make_run()
    on = dataclasses.replace(run.steps[2], detail={"volts": 5.0, "limit": 0.12}, readings=())
    cut = dataclasses.replace(run, steps=(*run.steps[:2], on), trip=Trip("constant-current", 3, "USB", 2.9, 0.119))
    (seen,) = [o for o in observations(cut, wren.net_of) if o.quantity == "current"]
    assert (seen.of, seen.y, seen.state.key) == ("USB", 0.119, "USB=5V@120mA")
    assert not any(idea.observation.state.supplies for idea in ideas(Case(cut, wren), []))
    found = explain_case(Case(cut, wren))
    assert next(g.probability for g in found.groups if g.name == "none") < 1e-3


def test_nothing_is_offered_that_reads_the_same_in_another_state(wren: BoardModel, make_run: RunMaker) -> None:
    def only_cs(readings: list[Reading]) -> None:
        readings[:] = [r for r in readings if r.of in ("CS", "+3V3") and "GPIO" not in r.state]

    offered: list[tuple[str, str]] = []
    start = explain_case(Case(make_run(["R2:missing"], edit=only_cs), wren))
    for choice in next_choices(start, 50):
        offered.append((choice.measurement.point, choice.measurement.state))
    assert offered
    assert not any(point == "TP3" and "GPIO1" in state for point, state in offered)  # another pin does not move CS


def test_an_ohms_reading_at_another_current_is_another_and_a_repeated_one_counts_once() -> None:
    """Through a junction a net reads otherwise at each current: neither reading takes the other's place."""
    from wakeboard.results.records import Reading, RunRecord, RunStart, Step

    def step(number: int, *read: tuple[float, float]) -> Step:
        readings = [Reading("CS", "ohms", value, "Ω", state="off", range=span) for value, span in read]
        return Step(number, f"step {number}", "resistance", "pass", float(number), number + 0.5, readings)

    steps = [step(1, (9.0e3, 10e3), (40e3, 1e6)), step(2, (9.1e3, 10e3))]
    run = RunRecord("ab" * 16, RunStart("W1", "Wren", "A", "", "Two ranges", ""), 0.0, steps=steps)
    found = observations(run, lambda name: name)
    assert [(o.reading.value, o.test_amps) for o in found] == [(9.1e3, found[0].test_amps), (40e3, found[1].test_amps)]
    assert found[0].test_amps > found[1].test_amps
