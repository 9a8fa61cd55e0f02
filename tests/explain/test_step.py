"""One step towards the likeliest unknowns (step.py), by hand and by the rule of a normal distribution's condition."""

from __future__ import annotations

import numpy as np
import pytest

from wakeboard.harness.explain.evidence.step import Joint, step

NONE = np.zeros(0, dtype=np.intp)
EVERYWHERE = 1e9


def known(*variances: float, readings: int = 1) -> Joint:
    """Unknowns at 0 that are not correlated, and no discrepancy."""
    count = len(variances)
    covariance = np.zeros((count + readings, count + readings))
    np.fill_diagonal(covariance[:count, :count], variances)
    return Joint(np.zeros(count + readings), covariance)


def taken(what: Joint, y: float, at: list[float], noise: float, most: float = EVERYWHERE) -> tuple[list[float], bool]:
    """Of unknowns that are added up in one reading; the first goes no further than `most`."""
    t, rows = np.array(at), np.ones((len(at), 1))
    ends = np.array([most, *[EVERYWHERE] * (len(at) - 1)])
    found, ended = step(
        what, np.array([y]), t, t @ rows, rows, np.array([noise]), NONE, lambda t: np.clip(t, -ends, ends)
    )
    return found.tolist(), ended


def test_a_reading_and_what_was_known_are_weighed() -> None:
    # by hand: both count 1, one has it at 1 and the other at 0
    assert taken(known(1.0), 1.0, [0.0], 1.0) == (pytest.approx([0.5]), False)


@pytest.mark.parametrize(("noise", "expected"), [(1.0, 1 / 3), (1e-9, 1.0)])
def test_who_is_tied_moves_less_but_for_what_a_reading_is_sure_of(noise: float, expected: float) -> None:
    # by hand: 0 counts once for the table and once for where it is
    tied = known(1.0).tied(np.zeros(1), np.zeros((1, 1)), 1.0)
    assert taken(tied, 1.0, [0.0], noise)[0] == pytest.approx([expected], abs=1e-6)


def test_who_would_go_beyond_an_end_is_put_there_and_the_others_take_the_rest() -> None:
    # by hand: 6 is 3 and 3; with the first at 1 the second is 5 (at 3 the two would be 4)
    assert taken(known(1.0, 1.0), 6.0, [0.0, 0.0], 1e-9) == (pytest.approx([3.0, 3.0]), False)
    assert taken(known(1.0, 1.0), 6.0, [0.0, 0.0], 1e-9, most=1.0) == (pytest.approx([1.0, 5.0], abs=1e-6), True)


def test_who_is_held_stays_where_it_is() -> None:
    rows = np.ones((2, 1))
    found, ended = step(
        known(1.0, 1.0), np.array([6.0]), np.array([2.0, 0.0]), np.array([2.0]), rows, np.array([1e-9]),
        np.array([0], dtype=np.intp), lambda t: t,
    )  # fmt: skip
    assert found.tolist() == pytest.approx([2.0, 4.0], abs=1e-6)
    assert not ended


def correlated(seed: int) -> tuple[Joint, np.ndarray]:
    """Three unknowns and two discrepancies, all of them correlated; and what the unknowns tell of the discrepancies."""
    rng = np.random.default_rng(seed)
    half = rng.normal(size=(5, 7))
    covariance = half @ half.T
    return Joint(rng.normal(size=5), covariance), covariance[3:, :3] @ np.linalg.inv(covariance[:3, :3])


@pytest.mark.parametrize("seed", range(4))
def test_tied_is_the_condition_on_a_reading_of_the_unknowns(seed: int) -> None:
    """The conditional normal distribution (Mardia, Kent and Bibby 1979, 3.2; from memory)."""
    what, tells = correlated(seed)
    strength, t = 0.5 + seed, np.array([1.0, -2.0, 0.5])
    h = np.eye(3, 5)
    gain = what.covariance @ h.T @ np.linalg.inv(h @ what.covariance @ h.T * (1 + 1 / strength))
    found = what.tied(t, tells, strength)
    assert found.mean == pytest.approx(what.mean + gain @ (t - what.mean[:3]))
    assert found.covariance == pytest.approx(what.covariance - gain @ h @ what.covariance)


@pytest.mark.parametrize("seed", range(4))
def test_given_and_after_are_conditions_too(seed: int) -> None:
    """The same; an unknown that is given is a reading without noise."""
    what, _ = correlated(seed)
    rng = np.random.default_rng(100 + seed)
    rows, at, mean, y = rng.normal(size=(3, 2)), rng.normal(size=3), rng.normal(size=2), rng.normal(size=2)
    noise = np.array([0.3, 0.1])
    h = np.vstack([np.eye(1, 5, 1), np.hstack([rows.T, np.eye(2)])])
    read = np.concatenate(([0.7], y - mean + at @ rows))
    whole = h @ what.covariance @ h.T + np.diag([0.0, *noise])
    expected = what.mean + what.covariance @ h.T @ np.linalg.solve(whole, read - h @ what.mean)
    found = what.given(np.array([1], dtype=np.intp), np.array([0.7])).after(y, at, mean, rows, noise)
    assert found == pytest.approx(expected[:3], abs=1e-6)
