"""Where one has arrived the others begin once more, and outputs that drive early are a place to begin from, too.

Boards and ways are made up here: two readings of an invented board, figures by hand.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from wakeboard.harness.explain.evidence.freedom import prior
from wakeboard.harness.explain.evidence.readings import Evidence
from wakeboard.harness.explain.rank import expansion
from wakeboard.harness.explain.rank.ascent import Ascent, Solved
from wakeboard.harness.explain.rank.candidate import Candidate
from wakeboard.harness.explain.rank.expansion import expanded
from wakeboard.harness.explain.rank.knees import EARLY, driving_early
from wakeboard.harness.explain.rank.likelihood import Likelihood
from wakeboard.harness.explain.unit.cases import BoardModel
from wakeboard.instruments.virtual.circuit import Circuit
from wakeboard.instruments.virtual.circuit.bench.change import Change
from wakeboard.instruments.virtual.circuit.bench.unknowns import Unknown

KNEE = -1.5  # deviations; half of EARLY lies before it, so that a step half the way back is no board that drives


class Output:
    """A rail at 0.7 V and a line that an output holds from some voltage of it on: A = 1 + 0.3 r and B = 1 where it
    drives, 0 and 2 where it does not; r is a resistor's deviation. Flat in that voltage on either side of its knee."""

    def __init__(self, circuit: Circuit) -> None:
        self.circuit = circuit

    def _at(self, change: Change) -> tuple[bool, float]:
        wakes = np.log(change.values.get("U3.wakes", 1.2) / 1.2) / 0.3
        return wakes < KNEE, (change.values.get("R1.value", 1e3) / 1e3 - 1) / 0.1

    def predict(self, changes: Sequence[Change], only: Sequence[int] | None = None, **_: object) -> np.ndarray:
        found = [[1 + 0.3 * r, 1.0] if drives else [0.0, 2.0] for drives, r in map(self._at, changes)]
        whole = np.array(found)
        return whole if only is None else whole[:, list(only)]

    def shifts(self, changes: Sequence[Change], tolerances: Sequence[Unknown]) -> np.ndarray:
        return np.array([[[0.0, 0.0], [0.3 if self._at(c)[0] else 0.0, 0.0]] for c in changes])

    def beside(
        self, changes: Sequence[Change], unknowns: Sequence[Unknown], deviations: np.ndarray,
        near: Sequence[Change], acting: np.ndarray,
    ) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
        return self.predict(changes), self.shifts(changes, unknowns)

    def slack(self, changes: Sequence[Change]) -> np.ndarray:
        return np.zeros((len(changes), 2))

    def scenes(self) -> list[int]:
        return [0, 1]


def drawn(wren: BoardModel, key: str) -> tuple[Likelihood, Candidate, Any]:
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


def test_an_output_that_drives_early_holds_its_line(wren: BoardModel) -> None:
    """t = (-2, 1) gives both readings, at 2.5 natural logarithms of what is not known; steps that let the threshold go
    back to where it is drawn, where nothing slopes, end six deviations off the first reading."""
    told = {}
    for key in ("wakes", ""):
        likelihood, plain, spread = drawn(wren, key)
        assert plain.log_likelihood < -100
        told[key] = expanded(likelihood, [plain], [spread])[0].log_likelihood
    assert told["wakes"] > -2.0
    assert told["wakes"] > told[""] + 5.0


def test_only_outputs_that_do_something_then_are_moved(wren: BoardModel) -> None:
    likelihood, plain, spread = drawn(wren, "wakes")
    climb = Ascent.begun(likelihood, plain, spread)
    t, moved = driving_early(likelihood, plain, climb, np.zeros(2))
    assert (list(t), moved) == ([EARLY, 0.0], {0})
    t, moved = driving_early(likelihood, plain, climb, np.array([2 * KNEE, 0.5]))  # it drives already
    assert (list(t), moved) == ([2 * KNEE, 0.5], frozenset())


@pytest.mark.parametrize(("slope", "stays"), [(0.0, True), (0.3, False)])
def test_what_is_held_is_let_go_where_it_has_a_slope(wren: BoardModel, slope: float, stays: bool) -> None:
    likelihood, plain, spread = drawn(wren, "wakes")
    at = Solved(np.array([EARLY, 0.0]), np.array([1.0, 1.0]), np.array([[0.0, slope], [0.3, 0.0]]))
    way = Ascent.begun(likelihood, plain, spread).begun_from(at.t, 0, held=frozenset([0]))
    free = replace(way, held=frozenset())
    assert bool(way._from(at)[0] == EARLY) is stays
    assert free._from(at)[0] != EARLY


@dataclass
class Way:
    """A way that has been gone: what its solved boards gave."""

    given: float
    best: object = True

    @property
    def firm(self) -> Any:
        return SimpleNamespace(log_likelihood=self.given)

    def begun_at(self, other: Way, scale: int) -> Way:
        return self


def candidates(*fits: float) -> list[Candidate]:
    return [Candidate((), (), np.zeros(1), np.eye(1), 0.0, fit) for fit in fits]


@pytest.mark.parametrize(
    ("before", "made", "firm", "again"),
    [
        ((300.0, 300.0), (360.0, 340.0), (360.0, 340.0), True),  # behind
        ((300.0, 300.0), (360.0, 359.5), (360.0, 359.5), False),  # beside it
        ((300.0, 300.0), (360.0, 359.5), (360.0, 348.0), True),  # by its slopes alone
        ((300.0, 300.0), (360.0, 100.0), (360.0, 100.0), True),  # far behind for what the likeliest has found
        ((300.0, 100.0), (360.0, 100.0), (360.0, 100.0), False),  # and before that
    ],
)
def test_who_begins_once_more_from_where_the_likeliest_is(
    monkeypatch: pytest.MonkeyPatch, before: tuple[float, ...], made: tuple[float, ...], firm: tuple[float, ...],
    again: bool,
) -> None:  # fmt: skip
    monkeypatch.setattr(expansion, "_climb", lambda *_: None)
    ways: Any = {k: Way(given) for k, given in enumerate(firm)}
    likelihood: Any = None
    found = expansion._crossed(likelihood, candidates(*before), ways, candidates(*made))
    assert list(found) == ([1] if again else [])


@pytest.mark.parametrize(
    ("gains", "laps"), [([0.0], 1), ([50.0, 0.4], 2), ([50.0, 30.0, 0.0], 3), ([9.0] * 9, expansion.LAPS)]
)
def test_they_do_so_as_long_as_the_likeliest_gains_by_it(
    monkeypatch: pytest.MonkeyPatch, gains: list[float], laps: int
) -> None:
    """Each time, the one that is behind arrives so much further than the likeliest did."""
    lap, early = iter(gains), []

    @dataclass
    class Arrived(Way):
        def made(self, candidate: Candidate, spread: object) -> Candidate:
            return replace(candidate, log_likelihood=self.given)

    def crossed(_: object, __: object, climbs: Mapping[int, Way], made: Sequence[Candidate]) -> dict[int, Way]:
        best = max(c.log_likelihood for c in made)
        behind = min(climbs, key=lambda k: climbs[k].given)
        return {behind: Arrived(best + next(lap))}

    monkeypatch.setattr(expansion, "_crossed", crossed)
    monkeypatch.setattr(expansion, "_driving_early", lambda *_: early.append(1) or {})
    monkeypatch.setattr(expansion, "_climb", lambda *_: None)
    for name in ("_woken", "_alike"):
        monkeypatch.setattr(expansion, name, lambda *_, **__: {})
    monkeypatch.setattr(expansion, "drawn_again", lambda _: [])
    ways: Any = {0: Arrived(100.0), 1: Arrived(60.0)}
    out, likelihood, spreads = candidates(100.0, 60.0), Any, [None, None]
    expansion._others_placed(likelihood, list(out), spreads, ways, out, [], False)  # type: ignore[arg-type]
    assert len(gains) - len(list(lap)) == laps
    assert early == [1]
    assert max(c.log_likelihood for c in out) == pytest.approx(100.0 + sum(gains[:laps]))
