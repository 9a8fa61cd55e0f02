"""What is certain before anything was read, and the most that is stated after it. Figures by hand."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import numpy as np
import pytest

from wakeboard.harness.explain.evidence.roughness import Doubt, ModelFit
from wakeboard.harness.explain.explaining import explain_case
from wakeboard.harness.explain.rank.candidate import Candidate, Weighing
from wakeboard.harness.explain.rank.suspects import Suspect, chances
from wakeboard.harness.explain.rank.weigh import no_surer_than_the_model, not_surely_as_drawn
from wakeboard.harness.explain.telling import tell
from wakeboard.harness.explain.unit.cases import Case

MakeCase = Callable[..., Case]

BRIDGE = Suspect("A+B:bridge={}", "bridge", 0.01, 0.1, 10e3)
PULL = Suspect("U1.A:pull_up={}", "pull", 0.02, 1e3, 600e3)
FITS = ModelFit(0.4, 1.0, (), ())


def test_one_unit_in_four_that_somebody_asks_about_has_a_fault() -> None:
    odds = 0.01 / 0.99 + 0.02 / 0.98
    asked, unasked = chances([BRIDGE, PULL]), chances([BRIDGE, PULL], doubted=False)
    assert odds / (odds + math.exp(asked.drawn)) == pytest.approx(0.25)
    assert unasked.drawn == 0.0
    # a pull is a property of its part, and makes nothing else likelier
    assert math.exp(asked.something_else) == math.exp(unasked.something_else) == pytest.approx(0.05 * 0.01 / 0.99)


def test_a_board_of_so_many_parts_that_one_in_four_is_too_few() -> None:
    assert chances([BRIDGE] * 60).drawn == 0.0


def test_a_board_without_suspects_is_as_drawn() -> None:
    assert chances([]).drawn == 0.0
    assert math.isfinite(chances([]).something_else)


def candidate(faults: tuple[Suspect, ...], reads: float) -> Candidate:
    return Candidate(faults, (1e3,) * len(faults), np.array([reads]), np.eye(1), 0.0, 0.0)


@pytest.mark.parametrize(("none", "unshown", "other"), [(0.95, 0.048, 0.001), (0.9985, 0.0003, 0.0005)])
def test_no_board_is_surely_as_drawn(none: float, unshown: float, other: float) -> None:
    """What shows in nothing (here: reads as the drawn board does) stands with it."""
    shown = 1 - none - unshown - other
    candidates = [candidate((BRIDGE,), 9.0), candidate((PULL,), 0.1)]
    found = Weighing(
        candidates, np.array([shown, unshown]), candidate((), 0.0), none, other, frozenset(), fit=FITS
    )  # fmt: skip
    told = not_surely_as_drawn(found)
    assert told.p_as_drawn == pytest.approx(0.98)
    assert told.p_none / told.p_unshown == pytest.approx(none / unshown)
    assert told.p_none + told.p_other + float(told.probabilities.sum()) == pytest.approx(1.0)


def test_a_fault_may_be_surer_than_that() -> None:
    candidates = [candidate((BRIDGE,), 9.0)]
    found = Weighing(candidates, np.array([0.9999]), candidate((), 0.0), 0.0001, 0.0, frozenset(), fit=FITS)
    assert not_surely_as_drawn(found) is found
    assert no_surer_than_the_model(found).probabilities[0] == pytest.approx(0.999, abs=2e-4)


@pytest.mark.parametrize(("deviations", "rough"), [(-31.0, True), (29.0, False)])
def test_where_a_part_is_no_such_part_little_is_certain(deviations: float, rough: bool) -> None:
    fit = ModelFit(0.4, 0.6, (Doubt("U1.TX.leak", "input leakage", deviations),), ())
    assert fit.rough is rough
    assert fit.most == (0.97 if rough else 0.999)


def test_a_board_as_drawn_and_what_its_readings_may_not_show_are_told(case: MakeCase) -> None:
    best, other = explain_case(case(seed=1), ask_next=False).groups
    assert (best.name, best.probability) == ("none", pytest.approx(0.98))
    assert other.says == "a fault that these readings do not show, or something that is not in this model"


@pytest.mark.parametrize(("deviations", "fits"), [(31.0, False), (29.0, True)])
def test_a_model_that_fits_by_a_part_that_is_no_such_part_is_not_told_to_fit(
    case: MakeCase, deviations: float, fits: bool
) -> None:
    found = explain_case(case("R1:missing", seed=1), ask_next=False)
    assert found.fit is not None
    doubts = (Doubt("U1.GPIO2.leak", "input leakage", deviations),)
    assert found.weighing is not None
    weighing = dataclasses.replace(found.weighing, fit=dataclasses.replace(found.fit, doubts=doubts))
    text = "\n".join(tell(dataclasses.replace(found, weighing=weighing)))
    assert ("The model fits only with a part that is no such part" in text) is not fits
    assert "in doubt: U1.GPIO2.leak" in text
