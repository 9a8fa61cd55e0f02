"""The ends between which a fitted value is said to lie.

Quantiles of the normal, the exponential and the rectangular distribution are textbook values (from memory); the board
is invented, and what its readings can tell of a bridge is Ohm's law.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.harness.explain.explaining import explain_case
from wakeboard.harness.explain.rank import interval, rank
from wakeboard.harness.explain.rank.candidate import Candidate
from wakeboard.harness.explain.rank.interval import between
from wakeboard.harness.explain.rank.suspects import suspects
from wakeboard.harness.explain.telling import tell
from wakeboard.harness.explain.unit.cases import Case
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit import Circuit, Part
from wakeboard.results.explanation import Group

MakeCase = Callable[..., Case]


def test_ends_of_known_distributions() -> None:
    x = np.array([-2.0, 0.0, 0.02, 2.0])
    low, high, breadth = between(0.3 * x, -0.5 * x**2, (-9.0, 9.0))
    assert (low, high) == pytest.approx((-1.96 * 0.3, 1.96 * 0.3), rel=0.02)
    assert breadth == pytest.approx(0.3 * math.sqrt(2 * math.pi), rel=0.01)
    falls = np.array([0.0, 0.1, 0.5, 1.0, 2.0, 4.0, 6.0, 9.0])
    low, high, breadth = between(falls, -falls, (0.0, 9.0))
    assert breadth == pytest.approx(1.0, rel=0.05)
    assert low == pytest.approx(-math.log(0.975), abs=0.03)
    assert high == pytest.approx(-math.log(0.025), rel=0.05)
    low, high, breadth = between(np.array([-2.0, 0.0, 3.0]), np.zeros(3), (-2.0, 3.0))
    assert breadth == pytest.approx(5.0)
    assert (low, high) == pytest.approx((-2 + 0.025 * 5, -2 + 0.975 * 5), abs=0.01)


def test_a_board_without_an_answer_tells_nothing() -> None:
    x = np.array([-2.5, -1.0, 0.0, 1.0, 2.5])
    fits = np.where(x < -2, -math.inf, -0.5 * x**2)
    low, high, _ = between(x, fits, (-2.5, 2.5))
    assert (low, high) == pytest.approx((-1.94, 1.94), abs=0.1)
    assert between(x, np.full(5, -math.inf), (-2.5, 2.5)) == (-2.5, 2.5, 5.0)


@pytest.mark.parametrize("seed", [11, 12, 13, 14])
def test_a_pull_lies_between_its_ends(case: MakeCase, seed: int) -> None:
    found = explain_case(case("U3.NRST:pull_up=13k", seed=seed), ask_next=False)
    group = found.groups[0]
    assert "pull_up" in group.faults[0]
    ((low, high),) = group.between
    assert low < 13e3 < high
    assert high / low < 1.5, "a line between two known resistors tells it well"
    kept = Group.of(group.as_json())
    assert kept.between == group.between
    assert kept.ends == group.ends == f"its value: {show(low, 'Ω', 3)} to {show(high, 'Ω', 3)} (95 %)"
    assert any(group.ends in line for line in tell(found))


def test_a_bridge_that_any_low_ohms_explain_is_not_told_as_one_value(case: MakeCase) -> None:
    """100 kΩ to ground behind it: 33 µA, of which a reading's 0.1 mV tell 3 Ω, and nothing is told apart below."""
    found = explain_case(case("RST+IRQ:bridge=0.5", seed=5), ask_next=False)
    group = next(g for g in found.groups if any("bridge" in fault for fault in g.faults))
    ((low, high),) = group.between
    assert low < 0.5 < high
    assert low < 1.0
    assert 6 < high < 1000


BUS = Circuit(
    [
        Part("U1", "chip", {"VDD": "V", "GND": "GND", "SDA": "SDA"},
             {"io": {"SDA": {"type": "open_drain", "rail": "VDD"}}, "supply": {"VDD": {"draws": 1e-3}}}),
        Part("R1", "resistor", {"1": "V", "2": "SDA"}, {"value": 4700.0}),
    ],
    ground="GND",
)  # fmt: skip


@pytest.fixture
def told(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Candidate]:
    """A pull of so many ohms with its ends, where a reading follows the logarithm of its ohms with a deviation of 0.1
    and a board is as likely as `fit` has it."""
    suspect = next(s for s in suspects(BUS, control_nets=["SDA"]) if s.text.startswith("U1.SDA:pull_down"))

    def make(ohms: float, fit: Callable[[float], float], reads: float = 1.0) -> Candidate:
        def along(_: object, candidate: Candidate, k: int, offsets: Array) -> list[Candidate]:
            return [
                replace(candidate, mean=np.array([reads * x]), covariance=np.eye(1) * 0.01, log_likelihood=fit(x))
                for x in offsets.tolist()
            ]

        monkeypatch.setattr(interval, "_way", lambda likelihood, _: SimpleNamespace(likelihood=likelihood))
        monkeypatch.setattr(interval, "_along", along)
        begun = Candidate((suspect,), (ohms,), np.zeros(1), np.eye(1), 0.0, spreads=(0.2,))
        return interval.with_ends(SimpleNamespace(evidence=SimpleNamespace(y=np.zeros(1))), begun)  # type: ignore[arg-type]

    return make


def test_a_value_that_fits_stays_and_one_outside_its_ends_does_not(told: Callable[..., Candidate]) -> None:
    fits = told(10e3, lambda x: -0.5 * (x / 0.1) ** 2)
    assert fits.values == (10e3,)
    assert fits.ends[0] == pytest.approx((10e3 * math.exp(-0.196), 10e3 * math.exp(0.196)), rel=0.01)
    assert fits.spreads[0] == pytest.approx(math.expm1(0.1), rel=0.05)
    low, high = (moved := told(10e3, lambda x: -0.5 * ((x - 1.2) / 0.1) ** 2)).ends[0]
    assert low > 10e3
    assert moved.values[0] == pytest.approx(math.sqrt(low * high))


def test_where_the_circuit_has_no_answer_the_slope_speaks(told: Callable[..., Candidate]) -> None:
    """10 kΩ ± 20 %: ×/÷ 1.2^1.96."""
    mute = told(10e3, lambda x: -math.inf, math.nan)
    assert mute.ends[0] == pytest.approx((10e3 / 1.2**1.96, 10e3 * 1.2**1.96))


def test_at_the_end_of_what_it_may_be_a_value_stays(told: Callable[..., Candidate]) -> None:
    """Pulls are looked for from 1 kΩ on, and here the less the likelier."""
    lowest = told(1e3, lambda x: -3.0 * x)
    assert lowest.values == (1e3,)
    assert lowest.ends[0][0] == 1e3
    assert lowest.ends[0][1] > 2e3


def test_a_likelier_value_between_two_that_were_solved_is_found(told: Callable[..., Candidate]) -> None:
    """A slope at the end of the range tells little, so that the next board is far beyond. Normal about 300 kΩ, e^0.3;
    by hand, what lies above 600 kΩ left out: the 2.5 % point is 1.93 deviations below."""
    highest = told(600e3, lambda x: -0.5 * ((x + math.log(2)) / 0.3) ** 2, 0.05)
    low, high = highest.ends[0]
    assert low == pytest.approx(300e3 * math.exp(-0.3 * 1.93), rel=0.15)
    assert 450e3 < high <= 600e3


def by_breadth(looked_into: Candidate, other: Candidate | None = None) -> Candidate:
    """A candidate that is charged by its slope, charged by how broad one is that was looked into."""
    c = other or replace(looked_into, breadths=())
    by_slope = rank.occam_factor(c.suspects[0].log_range, c.spreads[0] ** -2)
    return interval.charged(replace(c, occam=by_slope), interval.Looked.into(looked_into))


def test_all_that_share_a_value_are_charged_for_it_alike(told: Callable[..., Candidate]) -> None:
    known = told(10e3, lambda x: -0.5 * (x / 0.3) ** 2)
    by_slope = rank.occam_factor(known.suspects[0].log_range, 0.1**-2)
    beside = replace(known, values=(11e3,), ends=(), breadths=(), spreads=(0.1,))
    assert by_breadth(known, beside).occam == pytest.approx(by_breadth(known).occam)
    assert by_breadth(known, by_breadth(known, beside)).occam == pytest.approx(by_slope), "once and no more"
    assert by_breadth(known, replace(beside, values=(40e3,))).occam == pytest.approx(by_slope), "another value"


def test_a_value_that_is_open_on_one_side_is_charged_by_what_the_readings_leave_of_its_range(
    told: Callable[..., Candidate],
) -> None:
    """Pulls are looked for from 1 to 600 kΩ; from 60 kΩ on these fit alike, and below, by hand, not at all: a decade of
    2.78. The slope at 600 kΩ is none, by which Laplace's charge was none either."""
    broad = told(600e3, lambda x: 0.0 if x > -math.log(10) else -1e3, 0.0)
    assert by_breadth(broad).occam == pytest.approx(math.log(1 / math.log10(600)), abs=0.05)
    narrow = told(10e3, lambda x: -0.5 * (x / 0.1) ** 2)
    assert by_breadth(narrow).occam == pytest.approx(math.log(0.1 * math.sqrt(2 * math.pi) / math.log(600)), abs=0.02)


def test_how_far_off_further_boards_are_solved() -> None:
    assert interval.further_off(-0.5, -3.0) == [-1.0, -2.0, -3.0]
    assert interval.further_off(0.5, 0.7) == [0.7]
    assert interval.further_off(2.0, 2.0) == []
    assert len(interval.further_off(0.0, 6.0)) == 13  # from a thousandth on
    at, fits = np.array([-3.0, 0.0, 0.5]), np.array([-100.0, 0.0, -2.0])
    assert interval.halved(at, fits).tolist() == [-1.5]
    assert interval.halved(at, np.array([-4.0, 0.0, -2.0])).tolist() == []
    assert interval.halved(at, np.full(3, -math.inf)).tolist() == []
