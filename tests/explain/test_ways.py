"""How the run's own sequence brings a board into a state, and what it forbids: played on made-up runs, no bench.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

from typing import Any

import pytest

from wakeboard.harness.describe.state import BenchState
from wakeboard.harness.explain.ask.bench_states import Ways
from wakeboard.harness.explain.unit.cases import BoardModel
from wakeboard.results.records import Reading, RunRecord, RunStart, Step, Trip

SEQUENCE = """
title = "Long"
board = "board.toml"

[[step]]
do = "resistance"
of = ["USB", "V33"]
expect = "> 2 kΩ"
range = "100 kΩ"

[[step]]
do = "resistance"
of = "every point"
limits_from = "circuit"

[[step]]
do = "power on"
supply = "USB"
limit = "120 mA"
ramp = "0.5 V every 20 ms"
trip = "60 mA"

[[step]]
do = "back-feed"

[[step]]
do = "line"
of = "every line"

[[step]]
do = "drive"
of = ["RST"]

[[step]]
do = "power on"
supply = "USB"
volts = "4.5 V"
limit = "250 mA"
"""
ON = BenchState({"USB": (5.0, 0.12)})
KINDS = ("resistance", "resistance", "power on", "back-feed", "line", "drive", "power on")


def run(*outcomes: str, trip: Trip | None = None, text: str = SEQUENCE, state: str = ON.key) -> RunRecord:
    """A run whose steps ended so; its powered readings were taken in `state`."""
    steps = [
        Step(n, f"step {n}", KINDS[n - 1], outcome, float(n), n + 0.5,
             [Reading("RST", "dc volts", 1.0, "V", outcome="pass", state=state if n > 2 else "off")])
        for n, outcome in enumerate(outcomes, start=1)
    ]  # fmt: skip
    steps.append(Step(len(steps) + 1, "discharge", "discharge", "pass", 9.0, 9.5))
    return RunRecord("ab" * 16, RunStart("W1", "Wren", "A", "", "Long", text), 0.0, steps=steps, trip=trip)


@pytest.fixture
def ways(wren: BoardModel) -> Any:
    return lambda *outcomes, **options: Ways.of(run(*outcomes, **options), wren.board)


def test_a_supply_is_switched_on_as_the_sequence_does(ways: Any) -> None:
    found = ways(*["pass"] * 7)
    step = found.power_on("USB", (5.0, 0.12))
    assert (step.limit, step.trip, step.ramp.volts) == (0.12, 0.06, 0.5)
    assert found.power_on("USB", (4.5, 0.25)).limit == 0.25
    assert found.power_on("USB", (5.0, 0.5)) is None
    assert "no step that switches USB on so" in found.refuses(BenchState({"USB": (5.0, 0.5)}))
    assert found.refuses(ON) == ""
    assert found.refuses(BenchState(ON.supplies, {"U1.GPIO1": "high"})) == ""


def test_its_check_for_a_short_is_narrowed_to_the_supply(ways: Any) -> None:
    """The step with limits of its own, on the supply's net only; the one that the circuit judges is left out."""
    (check,) = ways(*["pass"] * 7).checks("USB")
    assert check.of == ("VUSB",)
    assert check.expect.low == 2e3
    assert check.range == 100e3
    assert check.on_fail == "stop"


def test_what_the_guard_has_cut_stays_off(ways: Any) -> None:
    found = ways("pass", "pass", "tripped", trip=Trip("over-current", 3, "USB", 4.9, 0.13))
    assert "cut by the guard (over-current)" in found.refuses(ON)
    assert found.refuses(BenchState()) == ""


@pytest.mark.parametrize("outcomes", [("pass", "pass", "pass", "fail"), ("pass", "pass", "fail")])
def test_what_failed_with_a_supply_on_and_stopped_the_run_stays_off(ways: Any, outcomes: tuple[str, ...]) -> None:
    """Back-feed into another supply, or a current that the sequence does not go on with."""
    assert f"step {len(outcomes)} of the run" in ways(*outcomes).refuses(ON)


def test_a_run_stopped_before_pins_were_driven_leaves_them_as_they_were(ways: Any) -> None:
    found = ways("pass", "pass", "pass", "pass", "fail")
    assert found.refuses(ON) == ""
    driven = BenchState(ON.supplies, {"U1.GPIO1": "high"})
    assert "before this pin was driven" in found.refuses(driven)
    went_further = ways("pass", "pass", "pass", "pass", "fail", state=driven.key)
    assert went_further.refuses(driven) == ""
    assert went_further.refuses(BenchState(ON.supplies, {"U1.GPIO1": "low"})) != ""


def test_a_failure_that_the_sequence_went_on_after_forbids_nothing(ways: Any) -> None:
    found = ways("pass", "fail", "fail", "fail", "fail", "pass", "pass")
    assert found.refuses(BenchState(ON.supplies, {"U1.GPIO1": "high"})) == ""


def test_a_bench_that_failed_says_nothing_of_the_board(ways: Any) -> None:
    assert ways("pass", "pass", "error").refuses(ON) == ""


@pytest.mark.parametrize("text", ["", "this is no TOML [", 'title = "x"\n[[step]]\ndo = "dance"\n'])
def test_a_sequence_that_cannot_be_read_energises_nothing(ways: Any, text: str) -> None:
    found = ways("pass", "pass", "pass", text=text)
    assert "no step that switches USB on" in found.refuses(ON)
    assert found.refuses(BenchState()) == ""
