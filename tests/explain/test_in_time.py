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
from wakeboard.harness.explain.evidence.in_time import TimedFault, TimeRead, in_time
from wakeboard.harness.explain.in_time_told import tell_first, tell_in_time

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


def test_what_no_fault_of_the_library_makes_so_is_told_as_that(lag: Path) -> None:
    """22 µF are neither ten times nor a tenth."""
    (found,), says = explained(lag, "C1:value=22u")
    assert found.fits == []
    assert "None of the" in says
    assert "The nearest:" in says
    assert found.as_json()["seen"][0]["outcome"] == "fail"


def test_how_far_off_is_in_standard_deviations() -> None:
    # closed form: 2 ms over the root of 0.3² + 0.4² ms²
    seen = TimeRead("OUT", 10e-3, 3e-4, 8e-3, 4e-4, "fail")
    assert seen.off(8e-3) == pytest.approx(4.0)
    assert seen.off(None) == math.inf
    assert TimeRead("OUT", None, 0.0, 8e-3, 4e-4, "fail").off(None) == 0.0
    assert TimedFault("C1:missing", {"OUT": None}, math.inf).times["OUT"] is None
