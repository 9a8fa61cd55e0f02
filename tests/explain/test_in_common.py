"""What several units have in common: in which readings it is looked for, how sure those are, and who shows it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence

import numpy as np
import pytest
from scipy import stats

from wakeboard.harness.describe.state import BenchState
from wakeboard.harness.explain.evidence.freedom import SCALES
from wakeboard.harness.explain.evidence.observe import Observation, told
from wakeboard.harness.explain.explaining import explain_case
from wakeboard.harness.explain.rank.likelihood import DEAD
from wakeboard.harness.explain.unit import middle as middles
from wakeboard.harness.explain.unit.cases import BoardModel, Case
from wakeboard.harness.explain.unit.in_common import common
from wakeboard.harness.explain.unit.middle import Middle
from wakeboard.results.records import Reading, RunRecord

RunMaker = Callable[..., RunRecord]
PULL = "U3.NRST:pull_up=13k"
DOWN = "U3.CS:pull_down=13k"


@pytest.fixture
def group(wren: BoardModel, make_run: RunMaker) -> Callable[..., list[Case]]:
    """group([PULL], [], …) -> a case of each unit W0, W1, … with such faults."""

    def make(*faults: Sequence[str]) -> list[Case]:
        fresh = dataclasses.replace(wren)  # nothing found for another group
        return [Case(make_run(list(each), unit=f"W{k}", seed=30 + k), fresh) for k, each in enumerate(faults)]

    return make


def test_a_median_is_as_uncertain_as_statistics_has_it(group: Callable[..., list[Case]]) -> None:
    """The standard error of a median of n normal values is sqrt(pi / 2) sigma / sqrt(n) for many, and sigma is the
    median absolute deviation over the third quartile of the standard normal (handbooks of statistics, from memory)."""
    whole = Middle.of(group([], []))
    n, one = 101, 20e-3
    rng = np.random.default_rng(5)
    drawn = rng.normal(0.0, one, (400, n))
    true = float(np.std(np.median(drawn, axis=1)))
    assert true == pytest.approx(np.sqrt(np.pi / 2) * one / np.sqrt(n), rel=0.1)
    assert pytest.approx(1 / stats.norm.ppf(0.75), rel=1e-4) == 1.4826
    k = next(k for k, o in enumerate(whole.observations) if o.quantity == "dc volts")
    stated = []
    for each in drawn[:60]:
        off = np.zeros((n, len(whole.observations)))
        off[:, k] = each
        many = dataclasses.replace(whole, off=off, units=tuple(f"W{j}" for j in range(n)))
        stated.append(np.sqrt(many.evidence.sigma[k] ** 2 - whole.observations[k].sigma ** 2))
    assert float(np.mean(stated)) == pytest.approx(true, rel=0.1)


def test_what_one_unit_alone_has_read_tells_nothing_of_all(group: Callable[..., list[Case]]) -> None:
    cases = group([], [], [])
    own = Observation(
        "CS", "dc volts", BenchState.parse("USB=5V@120mA; U1.GPIO1=high; load=10MΩ"), 1.0, 1e-3, 0,
        Reading("CS", "dc volts", 1.0, "V"),
    )  # fmt: skip
    cases[0] = dataclasses.replace(cases[0], extra=(own,))
    assert told(own) in cases[0].off
    assert told(own) not in {told(o) for o in Middle.of(cases).observations}
    cases[1] = dataclasses.replace(cases[1], extra=(own,))
    assert told(own) in {told(o) for o in Middle.of(cases).observations}


@pytest.mark.parametrize("showing", [1, 2])
def test_a_fault_of_one_or_of_two_of_four_is_their_own(group: Callable[..., list[Case]], showing: int) -> None:
    found, _ = common(group(*([[PULL]] * showing), *([[]] * (4 - showing))))
    assert not found


def test_two_flaws_of_all_are_found_one_beside_the_other(group: Callable[..., list[Case]]) -> None:
    cases = group([PULL, DOWN], [PULL, DOWN], [PULL, DOWN], [PULL, DOWN, "R1:missing"])
    found, _ = common(cases)
    assert sorted(c.suspect.category for c in found) == ["pull", "pull"]
    assert {c.suspect.same_as for c in found} == {"RST>+3V3", "CS>GND"}
    for each in found:
        assert set(each.units) == {"W0", "W1", "W2", "W3"}
        assert each.value == pytest.approx(13e3, rel=0.05)
        assert each.ends is not None
        assert each.ends[0] < 13e3 < each.ends[1]
    own = explain_case(cases[3], cases[:3], ask_next=False).groups[0]
    assert len(own.faults) == 3
    assert {text.partition("=")[0] for text in own.common} == {c.suspect.text.partition("=")[0] for c in found}
    assert own.faults[0] == "R1:missing"  # its own first
    for text in own.common:
        assert f"{text.partition('=')[0]}: " in own.ends, "of several faults it is told whose value it is"


def test_a_unit_that_is_as_drawn_there_has_it_not(group: Callable[..., list[Case]]) -> None:
    cases = group([PULL], [PULL], [PULL], [])
    found, _ = common(cases)
    assert [(c.units, c.without) for c in found] == [(("W0", "W1", "W2"), ("W3",))]
    assert explain_case(cases[3], cases[:3], ask_next=False).groups[0].name == "none"


def test_a_unit_whose_rail_is_down_tells_neither(group: Callable[..., list[Case]]) -> None:
    """Its line is low for want of a rail, not of a pull: it has the pull as the others do."""
    cases = group([PULL], [PULL], [PULL], [PULL, "U2:missing"])
    found, _ = common(cases)
    assert [(c.suspect.text.partition("=")[0], c.without) for c in found] == [("U3.NRST:pull_up", ())]
    own = explain_case(cases[3], cases[:3], ask_next=False).groups[0]
    assert any(f.startswith("U2:") for f in own.faults)


def test_a_unit_with_a_matter_of_its_own_need_not_have_it(group: Callable[..., list[Case]]) -> None:
    """Its rail reads 2.8 V, so that its line tells neither; and yet no pull is told of it where the line is low."""
    cases = group([PULL], [PULL], [PULL], ["U2:variant=2.8 V"])
    found, _ = common(cases)
    assert [c.without for c in found] == [()]
    assert explain_case(cases[3], cases[:3], ask_next=False).groups[0].faults == ("U2:variant=2.8 V",)


def test_units_of_one_board_are_weighed_together_once(
    group: Callable[..., list[Case]], monkeypatch: pytest.MonkeyPatch
) -> None:
    cases = group([PULL], [PULL], [PULL])
    weighed = []
    weigh = middles.Middle.weigh
    monkeypatch.setattr(middles.Middle, "weigh", lambda self, *how: weighed.append(self) or weigh(self, *how))
    each = [explain_case(case, [c for c in cases if c is not case], ask_next=False) for case in cases]
    assert len(weighed) == 1
    assert all(found.common == each[0].common and found.common for found in each)
    explain_case(cases[0], cases[1:2], ask_next=False)
    assert len(weighed) == 2


def test_where_units_leave_nothing_of_a_scale_no_hypothesis_is_weighed_at_it(
    group: Callable[..., list[Case]],
) -> None:
    """Three healthy boards that are the drawing itself: a rough one is out of the question, unless they mislead."""
    cases = group([], [], [], [])
    taught = cases[0].taught_by(cases[1:])
    rough = [k for k in range(len(SCALES)) if SCALES[k].parts > 1]
    assert not set(rough) & set(taught.live)
    assert [k for k in range(len(taught.scales)) if taught.weights[k] > max(taught.weights) - DEAD] == taught.live
    misled = taught.live[-1]
    assert misled >= len(SCALES), "each may be as if it were alone"
    none = cases[0].weigh(teachers=cases[1:]).none
    assert none.scale in taught.live


def test_where_most_units_were_in_a_state_without_an_answer_each_is_explained_without(
    group: Callable[..., list[Case]], monkeypatch: pytest.MonkeyPatch
) -> None:
    def has_none(self: Middle, *how: object) -> None:
        raise ValueError("the circuit has no operating point in one of the bench states")

    monkeypatch.setattr(middles.Middle, "weigh", has_none)
    cases = group([], [], ["R2:missing"])
    found = explain_case(cases[2], cases[:2], ask_next=False)
    assert (found.groups[0].name, found.common) == ("R2:missing", ())
    assert any("have in common: the circuit has no operating point" in note for note in found.notes)
