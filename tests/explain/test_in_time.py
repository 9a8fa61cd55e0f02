"""Faults that only a start-up's times show, from a run of a virtual unit: an RC of 0.1 s, ln 2 of it to half."""

from __future__ import annotations

import importlib
import math
import sys
from pathlib import Path
from typing import Any

import pytest

from wakeboard.harness.describe.board.circuit import board_circuit
from wakeboard.harness.describe.load import load_board
from wakeboard.harness.explain.evidence.in_time import InTime, TimedFault, TimeRead, in_time
from wakeboard.harness.explain.evidence.in_time_values import fitted
from wakeboard.harness.explain.in_time_told import tell_first, tell_in_time
from wakeboard.instruments.quantity import parse
from wakeboard.instruments.virtual.circuit import Circuit, Part
from wakeboard.results.explanation import ExplanationDocument
from wakeboard.results.report.explain_view import explanation as explanation_view

sys.path.insert(0, str(Path(__file__).parents[1] / "run"))
arrivals = importlib.import_module("test_arrivals")


@pytest.fixture
def lag(tmp_path: Path) -> Path:
    (tmp_path / "board.toml").write_text(arrivals.BOARD, encoding="utf-8")
    (tmp_path / "steps.toml").write_text(arrivals.STEPS, encoding="utf-8")
    return tmp_path


def explained(lag: Path, *plants: str) -> tuple[list[Any], str]:
    board = load_board(lag / "board.toml")
    found = in_time(arrivals.ran(lag, *plants).record, board)
    return found, "\n".join([*tell_first(found), *tell_in_time(found, board_circuit(board))])


def test_a_board_that_comes_up_in_time_is_not_looked_into(lag: Path) -> None:
    assert explained(lag) == ([], "")


def test_a_capacitor_of_a_tenth_comes_early(lag: Path) -> None:
    """Some 7 ms instead of 69 ms, and a little more of both: the comparison of supply and meter has left the net at
    0.7 V, from which half of its step is as much later. The unit's parts are off by 15 % at most."""
    (found,), says = explained(lag, "C1:value=1u")
    assert next(each.fault for each in found.fits) == "C1:value=1 µF"
    (seen,) = found.seen
    assert seen.drawn == pytest.approx(arrivals.half(arrivals.TAU, 10e-3), rel=0.03)
    assert found.fits[0].times["OUT"] == pytest.approx(seen.value, rel=0.15)
    assert 7e-3 < seen.value < 9e-3
    assert says.startswith("Outside its limits in time, which the ranking does not weigh (see the end): OUT at ")
    assert "C1 (capacitor, OUT to GND) is 1 µF instead of 10 µF" in says


def test_a_capacitor_of_ten_times_comes_late(lag: Path) -> None:
    (found,), says = explained(lag, "C1:value=100u")
    assert [each.fault for each in found.fits] == ["C1:value=100 µF"]
    assert "It would be so with:\n    C1 (capacitor, OUT to GND) is 100 µF instead of 10 µF" in says


@pytest.mark.parametrize(("planted", "farads"), [("22u", 22e-6), ("4.7u", 4.7e-6)])
def test_a_value_that_the_library_has_not_is_sought(lag: Path, planted: str, farads: float) -> None:
    """The unit's own parts are off by 15 % at most, and the value with them."""
    (found,), says = explained(lag, f"C1:value={planted}")
    fit = found.fits[0]
    assert fit.fault.startswith("C1:value=")
    assert parse(fit.fault.partition("=")[2], "F") == pytest.approx(farads, rel=0.2)
    assert fit.times["OUT"] == pytest.approx(found.seen[0].value, rel=0.05)
    assert "It would be so with:\n    C1 (capacitor, OUT to GND) is" in says
    assert found.as_json()["seen"][0]["outcome"] == "fail"


class Lag:
    """ln 2 of a time constant to half, as the circuit would give it; asked counts."""

    def __init__(self, ohms: float) -> None:
        self.ohms, self.asked = ohms, 0

    def __call__(self, fault: str) -> dict[str, float | None]:
        self.asked += 1
        return {"OUT": math.log(2) * self.ohms * parse(fault.partition("=")[2], "F")}


ALONE = Circuit([Part("C1", "capacitor", {"1": "OUT", "2": "GND"}, {"value": 10e-6})])


@pytest.mark.parametrize("farads", [0.15e-6, 2.2e-6, 33e-6, 0.6e-3])
def test_a_value_is_found_from_a_hundredth_to_a_hundred_times(farads: float) -> None:
    lag = Lag(10e3)
    found = fitted(ALONE, "C1", "OUT", math.log(2) * 10e3 * farads, lag, {})
    assert found is not None
    assert parse(found.partition("=")[2], "F") == pytest.approx(farads, rel=0.04)
    assert lag.asked < 20


def test_a_time_that_no_value_makes_so() -> None:
    assert fitted(ALONE, "C1", "OUT", 1e3, Lag(10e3), {}) is None
    assert fitted(ALONE, "C1", "OTHER", 1e-3, lambda _fault: {"OTHER": None}, {}) is None
    seen = TimeRead("OUT", 10e-3, 3e-4, 8e-3, 4e-4, "fail")
    found = InTime("USB", [seen], [], [TimedFault("C1:missing", {"OUT": 1e-3}, 9.0)], 3, 1)
    says = "\n".join(tell_in_time([found], ALONE))
    assert "None of the 3 faults that only time shows makes it so, nor any value of 1 part from" in says
    assert "two at once were not tried. The nearest:" in says


def test_reports_and_the_page_say_what_the_command_line_says() -> None:
    """One wording: the document has the sentences, and a report shows them."""
    says = ["In time, when USB came on (the ranking does not weigh it):", "OUT at 7 ms, as drawn 69 ms, fail"]
    document = {"candidates": [], "in_time": [{"supply": "USB", "says": says}]}
    assert ExplanationDocument.of(document).as_json()["in_time"] == document["in_time"]
    assert explanation_view(document).in_time == (tuple(says),)


def test_how_far_off_is_in_standard_deviations() -> None:
    # closed form: 2 ms over the root of 0.3² + 0.4² ms²
    seen = TimeRead("OUT", 10e-3, 3e-4, 8e-3, 4e-4, "fail")
    assert seen.off(8e-3) == pytest.approx(4.0)
    assert seen.off(None) == math.inf
    assert TimeRead("OUT", None, 0.0, 8e-3, 4e-4, "fail").off(None) == 0.0
    assert TimedFault("C1:missing", {"OUT": None}, math.inf).times["OUT"] is None
