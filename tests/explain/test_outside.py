"""Failures that no fault of the library is, and what is weighed where tolerances meet a knee.

Figures are those of the invented board; how sure is sure enough is the tool's own measure.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest

from wakeboard.harness.explain.evidence.freedom import USUAL, prior
from wakeboard.harness.explain.evidence.predict import Predictor
from wakeboard.harness.explain.evidence.readings import Evidence
from wakeboard.harness.explain.explaining import Explanation, explain_case
from wakeboard.harness.explain.naming import words
from wakeboard.harness.explain.rank import expansion
from wakeboard.harness.explain.rank.ascent import Apart, Ascent, Solved
from wakeboard.harness.explain.rank.candidate import Candidate
from wakeboard.harness.explain.rank.expansion import expanded
from wakeboard.harness.explain.rank.knees import EARLY, driving_early
from wakeboard.harness.explain.rank.likelihood import Likelihood, Spread
from wakeboard.harness.explain.rank.suspects import Suspect, bridges_between
from wakeboard.harness.explain.unit.cases import BoardModel, Case
from wakeboard.instruments.virtual.circuit import Circuit, Part
from wakeboard.instruments.virtual.circuit.bench.change import Change
from wakeboard.instruments.virtual.circuit.bench.unknowns import Stray, Unknown
from wakeboard.results.records import Reading, RunRecord

RunMaker = Callable[..., RunRecord]


def built_with(wren: BoardModel, run: RunRecord, *parts: Part, without: str = "") -> RunRecord:
    """The run as it would read on a board with other parts than the drawing has."""
    case = Case(run, wren)
    kept = [part for part in wren.circuit.parts if part.name != without]
    built = Circuit([*kept, *parts], ground=wren.circuit.ground)
    seen = Predictor(built, wren.supplies, case.observations).predict([Change()], exact=True)[0]
    values = {id(o.reading): float(o.ohms_of(y)) if o.quantity == "ohms" else float(y)
              for o, y in zip(case.observations, seen, strict=True)}  # fmt: skip

    def read(reading: Reading) -> Reading:
        value = values[id(reading)]
        return dataclasses.replace(reading, value=None if math.isinf(value) else value)

    steps = tuple(dataclasses.replace(s, readings=tuple(read(r) for r in s.readings)) for s in run.steps)
    return dataclasses.replace(run, steps=steps)


def blamed(found: Explanation, *guilty: str) -> float:
    """The most on a group that names none of the guilty parts or nets."""
    innocent = [g for g in found.groups if g.faults and not any(word in text for text in g.faults for word in guilty)]
    return max((g.probability for g in innocent), default=0.0)


@pytest.mark.parametrize(
    ("guilty", "without", "parts"),
    [
        (("R2", "CS"), "R2", [
            Part("R2", "diode", {"A": "+3V3", "K": "CS"}, {"drop": 0.75, "at": 10e-3}),
            Part("RX", "resistor", {"1": "CS", "2": "GND"}, {"value": 47e3}),
        ]),
        (("RST",), "", [
            Part("DX", "zener", {"A": "GND", "K": "RST"}, {"volts": 1.6, "at": 1e-3}),
            Part("RX", "resistor", {"1": "+3V3", "2": "RST"}, {"value": 6.8e3}),
        ]),
        # U1.GPIO2 drives CS: a pull on one of the two nets is what the junction looks like
        (("CS", "IRQ", "U1.GPIO2"), "", [Part("DX", "diode", {"A": "CS", "K": "IRQ"}, {"drop": 0.7, "at": 10e-3})]),
    ],
    ids=["a pull-up with a diode's curve", "a clamp on a line that is pulled up", "a junction between two nets"],
)  # fmt: skip
def test_no_innocent_part_is_blamed(
    wren: BoardModel, make_run: RunMaker, guilty: Sequence[str], without: str, parts: list[Part]
) -> None:
    # invented failures: parts that are not on the drawing
    found = explain_case(Case(built_with(wren, make_run(), *parts, without=without), wren), ask_next=False)
    assert found.odd
    assert blamed(found, *guilty) <= 0.5
    assert next(g for g in found.groups if g.name == words.NONE).probability < 0.01


def test_a_bridge_between_nets_that_are_not_neighbours_is_found(wren: BoardModel, make_run: RunMaker) -> None:
    """A library that does not join CS and IRQ: both are odd, so that joining them is tried."""
    # planted fault: a resistor of 3 kΩ
    poorer = dataclasses.replace(wren, suspects=[s for s in wren.suspects if s.same_as != "CS+IRQ"])
    found = explain_case(Case(make_run(["CS+IRQ:bridge=3k"]), poorer), ask_next=False)
    assert found.groups[0].name.startswith("CS+IRQ:bridge=")
    assert found.groups[0].probability > 0.9


def test_bridges_are_made_for_pairs_that_nothing_joins_yet(wren: BoardModel) -> None:
    made = bridges_between(["RST", "IRQ", "VIN", "GND"], wren.suspects)
    # the board file names RST and IRQ as neighbours; R1 joins RST and GND, C1 joins VIN and GND
    assert {s.same_as for s in made} == {"GND+IRQ", "IRQ+VIN", "RST+VIN"}
    assert all(s.prior < 1e-5 for s in made)


class Bent:
    """One value of 1 ± 0.25 draws on a net: y = 1 + a t, from a knee at t < -1 on with another slope."""

    def __init__(self, circuit: Circuit, below: float) -> None:
        self.circuit = circuit
        self.below = below

    def _t(self, change: Change) -> float:
        return (change.values.get("U3.VDD.draws", 1e-3) / 1e-3 - 1) / 0.1

    def predict(self, changes: Sequence[Change], **_: object) -> np.ndarray:
        return np.array([[1 + self._y(self._t(c)), 2.0] for c in changes])

    def _y(self, t: float) -> float:
        return 0.1 * t if t > -1 else -0.1 + self.below * (t + 1)

    def scenes(self) -> list[int]:
        return [0, 1]

    def shifts(self, changes: Sequence[Change], tolerances: Sequence[Unknown]) -> np.ndarray:
        return np.array([[[0.1 if self._t(c) > -1 else self.below, 0.0]] for c in changes])

    def beside(
        self, changes: Sequence[Change], unknowns: Sequence[Unknown], deviations: np.ndarray,
        near: Sequence[Change], acting: np.ndarray, begin: Sequence[np.ndarray | None] = (),
    ) -> tuple[np.ndarray, np.ndarray, list[np.ndarray]]:  # fmt: skip
        return self.predict(changes), self.shifts(changes, unknowns), [np.zeros((1, 1)) for _ in changes]

    def slack(self, changes: Sequence[Change]) -> np.ndarray:
        return np.zeros((len(changes), 2))


def weighed(wren: BoardModel, below: float, y: float) -> tuple[float, float]:
    """(log likelihood to first order from the drawn value, and expanded where y puts it)."""
    evidence = Evidence(np.array([y, 2.0]), np.array([0.01, 0.01]), [("A", "net"), ("B", "net")], np.ones(2))
    unknown = Unknown("U3.VDD.draws", "", 0.1, drawn=1e-3, stated=True)
    free = prior([0.5], ["draws"], np.zeros(2), ["A", "B"], 0.0)
    likelihood = Likelihood(Bent(wren.circuit, below), evidence, [unknown], free)
    (spread,) = likelihood.spreads([Change()])
    plain = likelihood.over_scales(Candidate((), (), likelihood.base, spread.covariance, 0.0), spread)
    # as if another reading had been missed, so that it is looked at again in any case
    (again,) = expanded(likelihood, [plain], [spread], least=0.0)
    return plain.log_likelihood, again.log_likelihood


def test_expanding_a_straight_line_changes_nothing(wren: BoardModel) -> None:
    # definition: a straight line is its own expansion
    plain, again = weighed(wren, 0.1, 0.87)
    assert again == pytest.approx(plain, abs=1e-6)


def test_beyond_a_knee_the_slope_there_counts(wren: BoardModel) -> None:
    """y = 0.4 is six standard deviations off by the drawn slope of 0.1, and 1.5 by the slope of 1 beyond the knee."""
    plain, again = weighed(wren, 1.0, 0.4)
    assert plain < -10
    assert again > -4


@pytest.mark.parametrize(("below", "counts"), [(0.0, False), (0.1, True)])
def test_what_slopes_promise_a_fault_counts_where_the_board_gives_it(
    wren: BoardModel, below: float, counts: bool
) -> None:
    """y = 0.85 is 1.5 standard deviations of the slope off. Where the value does nothing beyond its knee, it is 5 of
    the reading's own: a fault is then no likelier than the drawn board, which misses the other reading by 3.2 here, 4
    logarithms behind, and is no different where it was solved."""
    evidence = Evidence(np.array([0.85, 2.0]), np.array([0.01, 0.01]), [("A", "net"), ("B", "net")], np.ones(2))
    unknown = Unknown("U3.VDD.draws", "", 0.1, drawn=1e-3, stated=True)
    likelihood = Likelihood(Bent(wren.circuit, below), evidence, [unknown], prior([0.5], ["d"], np.zeros(2), "AB", 0.0))
    (spread,) = likelihood.spreads([Change()])
    plain = likelihood.over_scales(Candidate((), (), likelihood.base, spread.covariance, 0.0), spread)
    fault = dataclasses.replace(plain, suspects=(Suspect("R1:missing", "missing", 1e-4),), values=(None,))
    off = dataclasses.replace(plain, mean=plain.mean + np.array([-0.15, 0.0316]))
    behind = likelihood.over_scales(off, spread)
    (again, _) = expanded(likelihood, [fault, behind], [spread, spread], least=0.0)
    assert (again.log_likelihood > plain.log_likelihood - 3) is counts


@pytest.fixture
def begun(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, ...]]:
    """Of each way that is begun, whose it is."""
    found: list[tuple[str, ...]] = []
    plain = Ascent.begun

    def counted(likelihood: Likelihood, candidate: Candidate, spread: Spread) -> Ascent:
        found.append(candidate.texts)
        return plain(likelihood, candidate, spread)

    monkeypatch.setattr(Ascent, "begun", counted)
    return found


def test_the_drawn_board_is_put_where_the_readings_want_it_wherever_a_fault_is(
    wren: BoardModel, begun: list[tuple[str, ...]]
) -> None:
    """y = 0.85 is within 1.5 deviations of the drawn board: alone it stays there, beside a fault that misses it not."""
    evidence = Evidence(np.array([0.85, 2.0]), np.array([0.01, 0.01]), [("A", "net"), ("B", "net")], np.ones(2))
    unknown = Unknown("U3.VDD.draws", "", 0.1, drawn=1e-3, stated=True)
    likelihood = Likelihood(Bent(wren.circuit, 1.0), evidence, [unknown], prior([0.5], ["d"], np.zeros(2), "AB", 0.0))
    (spread,) = likelihood.spreads([Change()])
    none = likelihood.over_scales(Candidate((), (), likelihood.base, spread.covariance, 0.0), spread)
    away = dataclasses.replace(
        none, mean=none.mean + 0.3, suspects=(Suspect("R1:missing", "missing", 0.4),), values=(None,)
    )
    expanded(likelihood, [none], [spread])
    assert begun == []
    expanded(likelihood, [none, away], [spread, spread])
    assert begun == [("R1:missing",), ()]


@pytest.mark.parametrize(("behind", "put"), [(30.0, True), (70.0, False)])
def test_who_was_overtaken_is_put_where_the_readings_want_it_too(
    wren: BoardModel, begun: list[tuple[str, ...]], behind: float, put: bool
) -> None:
    """y = 0.4: a fault that is as the drawn board misses it and gains by being put beyond the knee; another misses
    nothing, and lies so many natural logarithms behind."""
    evidence = Evidence(np.array([0.4, 2.0]), np.array([0.01, 0.01]), [("A", "net"), ("B", "net")], np.ones(2))
    unknown = Unknown("U3.VDD.draws", "", 0.1, drawn=1e-3, stated=True)
    likelihood = Likelihood(Bent(wren.circuit, 1.0), evidence, [unknown], prior([0.5], ["d"], np.zeros(2), "AB", 0.0))
    (spread,) = likelihood.spreads([Change()])
    none = likelihood.over_scales(Candidate((), (), likelihood.base, spread.covariance, 0.0), spread)
    led = dataclasses.replace(none, suspects=(Suspect("R1:missing", "missing", 0.4),), values=(None,))
    other = dataclasses.replace(
        none, mean=np.array([0.4, 2.0]), log_likelihood=none.log_likelihood - behind,
        suspects=(Suspect("R2:missing", "missing", 0.4),), values=(None,),
    )  # fmt: skip
    expanded(likelihood, [led, other], [spread, spread])
    assert (("R2:missing",) in begun) is put


def test_a_leakage_that_is_large_is_known_by_its_law_only_roughly(wren: BoardModel) -> None:
    """One deviation of a stray moves the first reading by 0.1; at ten of them a fifth of 1.0 may be the law's fault."""
    evidence = Evidence(np.array([0.9, 2.0]), np.array([0.01, 0.01]), [("A", "net"), ("B", "net")], np.ones(2))
    unknowns = [Unknown("U3.A.leak", "", stray=Stray("A", "GND", "leak", 1e-6)), Unknown("R1.value", "", 0.1)]
    free = prior([0.5, 0.5], ["d", "r"], np.zeros(2), ["A", "B"], 0.0)

    class Two(Bent):
        def shifts(self, changes: Sequence[Change], tolerances: Sequence[Unknown]) -> np.ndarray:
            return np.array([[[0.1, 0.0], [0.0, 0.1]] for _ in changes])

    likelihood = Likelihood(Two(wren.circuit, 0.1), evidence, unknowns, free)
    (spread,) = likelihood.spreads([Change()])
    none = likelihood.over_scales(Candidate((), (), likelihood.base, spread.covariance, 0.0), spread)
    climb = Ascent.begun(likelihood, none, spread)
    place = Solved(np.array([10.0, 10.0]), np.array([0.9, 2.0]), np.array([[0.1, 0.0], [0.0, 0.1]]))
    assert climb.noise_at(place) == pytest.approx([1e-4 + 0.2**2, 1e-4])


class Sleeping(Bent):
    """A net that an output holds once its rail wakes it: flat as drawn, y = 1 - (t + 1) from t < -1 on."""

    def __init__(self, circuit: Circuit) -> None:
        super().__init__(circuit, -1.0)

    def predict(self, changes: Sequence[Change], only: Sequence[int] | None = None, **_: object) -> np.ndarray:
        whole = super().predict(changes)
        return whole if only is None else whole[:, list(only)]

    def _y(self, t: float) -> float:
        return -(t + 1) if t < -1 else 0.0

    def shifts(self, changes: Sequence[Change], tolerances: Sequence[Unknown]) -> np.ndarray:
        return np.array([[[-1.0 if self._t(c) < -1 else 0.0, 0.0]] for c in changes])


def sleeping(
    wren: BoardModel, y: float, stated: bool, other: float = 2.0, more_follow: bool = False
) -> tuple[float, float]:
    evidence = Evidence(np.array([y, other]), np.array([0.05, 0.05]), [("A", "net"), ("B", "net")], np.ones(2))
    unknown = Unknown("U3.VDD.draws", "", 0.1, drawn=1e-3, stated=stated)
    likelihood = Likelihood(Sleeping(wren.circuit), evidence, [unknown], prior([0.5], ["d"], np.zeros(2), "AB", 0.0))
    (spread,) = likelihood.spreads([Change()])
    plain = likelihood.over_scales(Candidate((), (), likelihood.base, spread.covariance, 0.0), spread)
    (again,) = expanded(likelihood, [plain], [spread], more_follow=more_follow)
    return plain.log_likelihood, again.log_likelihood


def test_a_value_beyond_its_knee_is_found_though_it_has_no_slope(wren: BoardModel) -> None:
    """y = 1.9 is eighteen standard deviations off; t = -1.9 gives it, at 1.8 natural logarithms, by hand 0.5 t²."""
    plain, again = sleeping(wren, 1.9, stated=False)
    assert plain < -100
    assert again > -10


@pytest.mark.parametrize(("other", "found"), [(2.0, True), (2.4, False)])
def test_that_waits_for_a_second_fault_where_one_is_looked_for(wren: BoardModel, other: float, found: bool) -> None:
    """One is not for a reading that is left over by itself; for two it is: here the second is eight deviations off."""
    plain, again = sleeping(wren, 1.9, stated=False, other=other, more_follow=True)
    assert (again > plain + 50) is found


def test_a_value_that_is_stated_is_not_moved_over_a_knee(wren: BoardModel) -> None:
    plain, again = sleeping(wren, 1.9, stated=True)
    assert again == pytest.approx(plain, abs=1e-3)


def test_a_step_that_leads_nowhere_better_is_followed_by_shorter_ones(wren: BoardModel) -> None:
    """Each tied the more to the best place, as if that were a reading of the unknowns (Levenberg and Marquardt)."""
    evidence = Evidence(np.array([0.9, 2.0]), np.array([0.01, 0.01]), [("A", "net"), ("B", "net")], np.ones(2))
    unknown = Unknown("U3.VDD.draws", "", 0.1, drawn=1e-3)
    likelihood = Likelihood(Bent(wren.circuit, 1.0), evidence, [unknown], prior([0.5], ["d"], np.zeros(2), "AB", 0.0))
    (spread,) = likelihood.spreads([Change()])
    none = likelihood.over_scales(Candidate((), (), likelihood.base, spread.covariance, 0.0), spread)
    climb = Ascent.begun(likelihood, none, spread)
    climb.scale, climb.least = USUAL, -100.0
    climb.best = Solved(np.array([-1.0]), np.array([0.7, 2.0]), np.array([[0.1, 0.0]]))
    found = []
    while climb.going and len(found) < 3:
        climb.look(Solved(np.array([3.0]), np.array([1.3, 2.0]), climb.best.rows))
        found.append(float(climb.next[0]))
    # by hand: the reading has it at +1 and counts (0.1 / 0.01)^2 = 100, the table has it at 0 and counts 1, the best
    # place at -1 counts 1, 4, 16; of the second and the third step a half and a quarter is taken
    whole = [(100 - tie) / (101 + tie) for tie in (1, 4, 16)]
    assert found == pytest.approx(
        [-1 + share * (t + 1) for share, t in zip((1, 0.5, 0.25), whole, strict=True)], abs=1e-6
    )


@pytest.mark.parametrize(("promised", "expected"), [(2.0, 2), (6.0, 4)])
def test_a_way_that_comes_back_to_what_was_wide_before_ends_unless_it_gets_further(
    wren: BoardModel, monkeypatch: pytest.MonkeyPatch, promised: float, expected: int
) -> None:
    """One type is wide at one place and not at the next, and each costs 7 or little less. By hand: to promise 5 where
    it was left at 7 is not 3 further; to promise 1 is."""
    evidence = Evidence(np.array([0.9, 2.0]), np.array([0.01, 0.01]), [("A", "net"), ("B", "net")], np.ones(2))
    unknown = Unknown("U3.VDD.draws", "", 0.1, drawn=1e-3, tails=((4.0, 0.01),))
    likelihood = Likelihood(Bent(wren.circuit, 0.1), evidence, [unknown], prior([0.5], ["d"], np.zeros(2), "AB", 0.0))
    (spread,) = likelihood.spreads([Change()])
    none = likelihood.over_scales(Candidate((), (), likelihood.base, spread.covariance, 0.0), spread)
    climb = Ascent.begun(likelihood, none, spread)
    climb.wide, climb.seen = (), set(likelihood.live)
    turns, costs = itertools.cycle([(0,), ()]), itertools.count(7.0, -0.01)

    def to_and_fro(self: Ascent, at: Solved) -> np.ndarray:
        self.wide, self.behind = next(turns), at
        return -at.t

    monkeypatch.setattr(Ascent, "_from", to_and_fro)
    monkeypatch.setattr(Ascent, "_cost", lambda *_: next(costs))
    monkeypatch.setattr(Apart, "cost", lambda _self, _y, place: promised if place.t[0] > 0 else 0.0)
    looks = 0
    while climb.going and looks < 4:
        climb.look(Solved(np.array([1.0]), np.array([1.1, 2.0]), np.array([[0.1, 0.0]])))
        looks += 1
    assert looks == expected


KNEE = -1.5  # deviations; half of EARLY lies before it, so that a step half the way back is no board that drives


class Output(Bent):
    """A rail at 0.7 V and a line that an output holds from some voltage of it on: A = 1 + 0.3 r and B = 1 where it
    drives, 0 and 2 where it does not; r is a resistor's deviation. Flat in that voltage on either side of its knee."""

    def __init__(self, circuit: Circuit) -> None:
        super().__init__(circuit, 0.0)

    def _at(self, change: Change) -> tuple[bool, float]:
        wakes = np.log(change.values.get("U3.wakes", 1.2) / 1.2) / 0.3
        return wakes < KNEE, (change.values.get("R1.value", 1e3) / 1e3 - 1) / 0.1

    def predict(self, changes: Sequence[Change], only: Sequence[int] | None = None, **_: object) -> np.ndarray:
        found = [[1 + 0.3 * r, 1.0] if drives else [0.0, 2.0] for drives, r in map(self._at, changes)]
        whole = np.array(found)
        return whole if only is None else whole[:, list(only)]

    def shifts(self, changes: Sequence[Change], tolerances: Sequence[Unknown]) -> np.ndarray:
        return np.array([[[0.0, 0.0], [0.3 if self._at(c)[0] else 0.0, 0.0]] for c in changes])


def held_line(wren: BoardModel, key: str) -> tuple[Likelihood, Candidate, Any]:
    """A board whose line reads 1.3 V and 1 V."""
    evidence = Evidence(np.array([1.3, 1.0]), np.array([0.05, 0.05]), [("A", "net"), ("B", "net")], np.ones(2))
    unknowns = [
        Unknown("U3.wakes", "", 0.3, log=True, drawn=1.2, key=key), Unknown("R1.value", "", 0.1, drawn=1e3),
    ]  # fmt: skip
    free = prior([1.0, 1.0], ["w", "r"], np.zeros(2), ["A", "B"], 0.0)
    likelihood = Likelihood(Output(wren.circuit), evidence, unknowns, free)
    (spread,) = likelihood.spreads([Change()])
    plain = likelihood.over_scales(Candidate((), (), likelihood.base, spread.covariance, 0.0), spread)
    return likelihood, plain, spread


@pytest.mark.parametrize(("knees", "key", "found"), [(True, "", True), (False, "wakes", True), (False, "", False)])
def test_an_output_that_drives_early_holds_its_line(
    wren: BoardModel, monkeypatch: pytest.MonkeyPatch, knees: bool, key: str, found: bool
) -> None:
    """t = (-2, 1) gives both readings, at 2.5 natural logarithms of what is not known. A value beyond a knee leads
    there, and so does beginning where outputs drive early; without either, steps that let the threshold go back to
    where it is drawn, where nothing slopes, end six deviations off the first reading."""
    if not knees:
        monkeypatch.setattr(expansion, "beyond_a_knee", lambda *_: None)
    likelihood, plain, spread = held_line(wren, key)
    assert plain.log_likelihood < -100
    told = expanded(likelihood, [plain], [spread])[0].log_likelihood
    assert (told > -2.0) is found
    assert found or told < -7.0


def test_only_outputs_that_do_something_then_are_moved(wren: BoardModel) -> None:
    likelihood, plain, spread = held_line(wren, "wakes")
    climb = Ascent.begun(likelihood, plain, spread)
    t, moved = driving_early(likelihood, plain, climb, np.zeros(2))
    assert (list(t), moved) == ([EARLY, 0.0], {0})
    t, moved = driving_early(likelihood, plain, climb, np.array([2 * KNEE, 0.5]))  # it drives already
    assert (list(t), moved) == ([2 * KNEE, 0.5], frozenset())


@pytest.mark.parametrize(("slope", "stays"), [(0.0, True), (0.3, False)])
def test_what_is_held_is_let_go_where_it_has_a_slope(wren: BoardModel, slope: float, stays: bool) -> None:
    likelihood, plain, spread = held_line(wren, "wakes")
    at = Solved(np.array([EARLY, 0.0]), np.array([1.0, 1.0]), np.array([[0.0, slope], [0.3, 0.0]]))
    way = Ascent.begun(likelihood, plain, spread).begun_from(at.t, 0, held=frozenset([0]))
    free = dataclasses.replace(way, held=frozenset())
    assert bool(way._from(at)[0] == EARLY) is stays
    assert free._from(at)[0] != EARLY
