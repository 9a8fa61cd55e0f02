"""Where one has arrived, the others begin once more (expansion.py): who, and how often.

Ways are made up here, with what each gives where it ends: nothing is solved. Figures by hand.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from wakeboard.harness.explain.rank import expansion
from wakeboard.harness.explain.rank.candidate import Candidate
from wakeboard.harness.explain.rank.suspects import Suspect


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
        ((300.0, 300.0), (360.0, 340.0), (360.0, 340.0), [1, 0]),  # behind; it may have found more for the likeliest
        ((300.0, 300.0), (360.0, 359.5), (360.0, 359.5), [0]),  # beside it
        ((300.0, 300.0), (360.0, 359.5), (360.0, 348.0), [1, 0]),  # by its slopes alone
        ((300.0, 300.0), (360.0, 100.0), (360.0, 100.0), [1]),  # far behind for what the likeliest has found
        ((300.0, 100.0), (360.0, 100.0), (360.0, 100.0), []),  # and before that
    ],
)
def test_who_begins_once_more_from_where_the_likeliest_or_the_next_is(
    monkeypatch: pytest.MonkeyPatch, before: tuple[float, ...], made: tuple[float, ...], firm: tuple[float, ...],
    again: list[int],
) -> None:  # fmt: skip
    monkeypatch.setattr(expansion, "_climb", lambda *_: None)
    ways: Any = {k: Way(given) for k, given in enumerate(firm)}
    likelihood: Any = None
    tried = expansion.Tried()
    found = [list(expansion._crossed(likelihood, candidates(*before), ways, candidates(*made), tried)) for _ in "ab"]
    # from the same place it would go the same way
    assert found == [again, []]


@pytest.mark.parametrize(("gains", "laps"), [([0.0, 0.0], 2), ([50.0, 0.4, 0.4], 3), ([9.0] * 9, expansion.LAPS)])
def test_they_do_so_as_long_as_the_first_two_gain_by_it(
    monkeypatch: pytest.MonkeyPatch, gains: list[float], laps: int
) -> None:
    """Each time, the one that is behind arrives so much further than the likeliest did."""
    lap, early = iter(gains), []

    @dataclass
    class Arrived(Way):
        def made(self, candidate: Candidate, spread: object) -> Candidate:
            return replace(candidate, log_likelihood=self.given)

    def crossed(
        _: object, __: object, climbs: Mapping[int, Way], made: Sequence[Candidate], **___: object
    ) -> dict[int, Way]:
        best = max(c.log_likelihood for c in made)
        behind = min(climbs, key=lambda k: climbs[k].given)
        return {behind: Arrived(best + next(lap))}

    monkeypatch.setattr(expansion, "_crossed", crossed)
    monkeypatch.setattr(expansion, "_driving_early", lambda *_: early.append(1) or {})
    monkeypatch.setattr(expansion, "_climb", lambda *_: None)
    for name in ("_woken", "_alike", "_closer"):
        monkeypatch.setattr(expansion, name, lambda *_, **__: {})
    monkeypatch.setattr(expansion, "drawn_again", lambda _: [])
    ways: Any = {0: Arrived(100.0), 1: Arrived(60.0)}
    out, likelihood, spreads = candidates(100.0, 60.0), Any, [None, None]
    expansion._others_placed(likelihood, list(out), spreads, ways, out, [], False)  # type: ignore[arg-type]
    assert len(gains) - len(list(lap)) == laps
    assert early == [1]
    assert max(c.log_likelihood for c in out) == pytest.approx(100.0 + sum(gains[:laps]))


@pytest.mark.parametrize(
    ("does", "behind", "begins"),
    [
        ([0.5, 30.5], 70.0, True),  # no reading tells it from the leader
        ([0.0, 45.0], 70.0, True),  # the same to the board, more of it: the leader's fit is no measure of this one's
        ([0.0, 8.0], 70.0, True),  # … less of it
        ([15.0, 40.0], 70.0, False),  # cosine 0.94
        ([0.0, -30.0], 70.0, False),
        ([0.0, 45.0], 151.0, False),  # nothing brings it back
        ([0.0, 0.0], 20.0, False),
    ],
)
def test_who_does_the_same_to_the_board_as_the_likeliest_is_put_where_the_readings_want_it(
    monkeypatch: pytest.MonkeyPatch, does: list[float], behind: float, begins: bool
) -> None:
    def candidate(faults: tuple[Suspect, ...], moved: list[float], fit: float) -> Candidate:
        values = tuple(1e3 if s.fitted else None for s in faults)
        return Candidate(faults, values, np.array([1.0, 2.0]) + moved, np.eye(2), 0.0, log_likelihood=fit)

    none, leader = candidate((), [0.0, 0.0], 10.0), candidate((PULL,), [0.0, 30.0], 200.0)
    each = [none, leader, candidate((VALUE,), does, 200.0 - behind)]
    monkeypatch.setattr(expansion.Ascent, "begun", lambda *_: Way(0.0))
    climbs: Any = {0: Way(10.0, best=object()), 1: Way(200.0, best=object())}
    spreads: Any = [None] * 3
    likelihood: Any = None
    assert set(expansion._alike(likelihood, each, spreads, climbs, each)) == ({2} if begins else set())


@dataclass
class Fading(Way):
    """A way that remembers where it began."""

    scale: int = 3
    begun: tuple[object, int] | None = None

    def begun_at(self, other: Way, scale: int) -> Way:
        return replace(self, begun=(other.best, scale), best=object())


BRIDGE = Suspect("A+GND:bridge={}", "bridge", 1e-3, 0.1, 10e3)
PULL = Suspect("U1.A:pull_up={}", "pull", 1e-3, 1e3, 600e3)
VALUE = Suspect("R1:value={}", "value", 1e-3, 1.0, 2.2e6)
STUCK = Suspect("U1.A:stuck=low", "stuck", 1e-3)


@pytest.mark.parametrize(
    ("leads", "rival", "rivals_board", "ohms"),
    [
        ([(BRIDGE, 10e3)], [], 300.0, [[30e3], [100e3], [500e3]]),  # whatever a bridge may have at most
        ([(PULL, 1e3)], [], 300.0, [[3e3], [10e3], [50e3]]),
        ([(STUCK, None), (PULL, 1e3)], [(STUCK, None)], 300.0, [[None, 3e3], [None, 10e3], [None, 50e3]]),
        ([(STUCK, None), (PULL, 1e3)], [], 300.0, []),  # two faults are not taken away at once
        ([(VALUE, 1e3)], [], 300.0, []),  # at endless ohms that is a missing part
        ([(BRIDGE, 0.5)], [], 300.0, []),  # solid
        ([(STUCK, None)], [], 300.0, []),
        ([(BRIDGE, 10e3)], [], 359.5, []),  # the drawn board has arrived as well
    ],
)
def test_the_board_without_a_bridge_or_a_pull_begins_from_where_those_ohms_have_faded(
    monkeypatch: pytest.MonkeyPatch, leads: list[tuple[Suspect, float | None]],
    rival: list[tuple[Suspect, float | None]], rivals_board: float, ohms: list[list[float | None]],
) -> None:  # fmt: skip
    def candidate(faults: list[tuple[Suspect, float | None]], fit: float) -> Candidate:
        suspects, values = tuple(s for s, _ in faults), tuple(v for _, v in faults)
        return Candidate(suspects, values, np.zeros(1), np.eye(1), 0.0, fit, scale=7)

    climbed: list[tuple[Candidate, Fading]] = []

    def climb(_: object, of: Sequence[Candidate], ways: Mapping[int, Fading], rounds: int) -> None:
        climbed.extend((of[k], way) for k, way in ways.items())

    monkeypatch.setattr(expansion, "_climb", climb)
    each = [candidate(rival, 300.0), candidate(leads, 360.0)]
    ways: Any = {0: Fading(rivals_board), 1: Fading(360.0)}
    likelihood: Any = None
    tried = expansion.Tried()
    found = expansion._faded(likelihood, each, ways, each, tried)
    *fading, last = climbed or [None]
    assert [[v and pytest.approx(v) for v in c.values] for c, _ in fading] == ohms  # type: ignore[misc]
    assert list(found) == ([0] if ohms else [])
    if ohms:
        places = [ways[1], *(way for _, way in fading)]
        assert [way.begun for _, way in [*fading, last]] == [
            (before.best, scale) for before, scale in zip(places, [7, 3, 3, 3], strict=True)
        ]
        assert last[1] is found[0]
    assert expansion._faded(likelihood, each, ways, each, tried) == {}  # from the same place it would go the same way
