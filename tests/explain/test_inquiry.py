"""What an inquiry leaves out because this bench cannot or must not measure it, and the steps to what it takes.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from wakeboard.harness.describe.state import BenchState
from wakeboard.harness.explain.ask.inquiry import LIFTED, Inquiry
from wakeboard.harness.explain.choose.least_effort import Measurement
from wakeboard.instruments.virtual.circuit.bench.figures import VOLTMETER_OHMS
from wakeboard.results.records import RunRecord, RunStart

ON = BenchState({"USB": (5.0, 0.12)})
SEQUENCE = """
[[step]]
do = "resistance"
of = "USB"
expect = "> 2 kΩ"

[[step]]
do = "power on"
supply = "USB"
limit = "120 mA"
"""


def wanted(state: BenchState | str = ON, net: str = "RST", quantity: str = "dc volts") -> Measurement:
    text = state if isinstance(state, str) else BenchState(state.supplies, state.pins, state.load_ohms or 10e6).key
    return Measurement("TP2", quantity, text, 1.0, np.zeros(2), np.ones(2), f"measure {net}", {"net": net})


def loaded(ohms: float) -> BenchState:
    return BenchState(ON.supplies, {}, 1 / (1 / ohms + 1 / VOLTMETER_OHMS))


@pytest.fixture
def context(wren: Any) -> Any:
    """A bench that reaches RST and CS, with a 10 kΩ resistor; nothing is on."""
    return SimpleNamespace(
        board=SimpleNamespace(target=SimpleNamespace(link="console"), supplies=wren.board.supplies),
        meter=SimpleNamespace(reaches=lambda net: net in ("RST", "CS")), power=SimpleNamespace(on={}, pins={}),
        bench=SimpleNamespace(bleed_ohms=10e3, probing=SimpleNamespace(by_hand=False)),
    )  # fmt: skip


@pytest.fixture
def inquiry(wren: Any) -> Any:
    from wakeboard.harness.explain.ask.bench_states import Ways

    run = RunRecord("ab" * 16, RunStart("W1", "Wren", "A", "", "Long", SEQUENCE), 0.0)

    def make(**options: Any) -> Inquiry:
        explanation: Any = SimpleNamespace(case=None)
        return Inquiry(explanation, Ways.of(run, wren.board), **options)

    return make


PIN = BenchState(ON.supplies, {"U1.GPIO1": "high"})


@pytest.mark.parametrize(
    ("what", "options", "says"),
    [
        (wanted(), {}, ""),
        (wanted(PIN), {}, ""),
        (wanted(loaded(10e3)), {}, ""),
        (wanted("off", quantity="ohms"), {}, ""),
        (wanted(net="IRQ"), {}, "no point reaches IRQ"),
        (wanted(f"{ON.key}; load=10MΩ; U3 lifted"), {}, LIFTED),
        (wanted(PIN), {"links": frozenset({"debug"})}, "no link console"),
        (wanted(PIN), {"links": frozenset({"console"})}, ""),
        (wanted(BenchState({"USB": (9.0, 0.12)})), {}, "no step that switches USB on so"),
    ],
)
def test_what_hinders_a_measurement(inquiry: Any, context: Any, what: Measurement, options: Any, says: str) -> None:
    why = inquiry(**options)._hinders(context, what)
    assert says in why
    assert bool(says) == bool(why)


def test_a_resistor_that_the_bench_has_not_got_needs_a_person(inquiry: Any, context: Any) -> None:
    context.bench.bleed_ohms = None
    assert "nobody may be asked to hold one" in inquiry()._hinders(context, wanted(loaded(10e3)))
    assert inquiry(helped=True)._hinders(context, wanted(loaded(10e3))) == ""
    assert inquiry()._hinders(context, wanted()) == ""


def test_a_board_that_does_not_move_a_pin_is_not_asked_for_another(inquiry: Any, context: Any) -> None:
    asks = inquiry()
    asks._asked = SimpleNamespace(measurement=wanted(PIN))
    context.power.on = {"USB": (5.0, 0.12)}
    (*_, probe) = asks._steps_to(context, wanted(PIN))
    assert asks._went_wrong(context, probe)  # the drive step has failed: the pin is not driven
    assert "does not move its pins" in asks._hinders(context, wanted(BenchState(ON.supplies, {"U1.GPIO2": "low"})))
    assert asks._hinders(context, wanted()) == ""


def told(steps: list[Any]) -> list[str]:
    return [step.do if step.do != "drive" else f"drive {step.pin} {step.level}" for step in steps]


def test_the_steps_into_a_state_and_from_one_to_the_next(inquiry: Any, context: Any) -> None:
    asks = inquiry()
    first = asks._steps_to(context, wanted(PIN))
    assert told(first) == ["resistance", "power on", "drive U1.GPIO1 high", "probe"]
    assert first[2].keep
    context.power.on, context.power.pins = {"USB": (5.0, 0.12)}, {"U1.GPIO1": "high"}
    assert told(asks._steps_to(context, wanted(PIN, net="CS"))) == ["probe"]
    assert told(asks._steps_to(context, wanted())) == ["drive U1.GPIO1 off", "probe"]
    low = BenchState(ON.supplies, {"U1.GPIO1": "low"})
    assert told(asks._steps_to(context, wanted(low))) == ["drive U1.GPIO1 low", "probe"]
    assert told(asks._steps_to(context, wanted("off", quantity="ohms"))) == ["power off", "resistance"]
    context.power.on, context.power.pins = {}, {}
    assert told(asks._steps_to(context, wanted())) == ["power on", "probe"]  # checked for a short already
    (*_, held) = asks._steps_to(context, wanted(loaded(10e3)))
    assert held.load == pytest.approx(10e3, rel=1e-4)  # the meter's own 10 MΩ taken out


def test_by_hand_the_leads_are_exchanged_only_where_it_is_asked_for(inquiry: Any, context: Any) -> None:
    asks = inquiry()
    assert asks._steps_to(context, wanted("off", quantity="ohms"))[0].both_polarities
    context.bench.probing.by_hand = True
    assert not asks._steps_to(context, wanted("off", quantity="ohms"))[0].both_polarities
    assert asks._steps_to(context, wanted("off", quantity="ohms reversed"))[0].both_polarities
