"""What other units teach: against the textbook's normal with a known mean's prior (closed form), and robustly.

One reading y = t + noise in each unit, t ~ N(0, s) the same in all: after n units of noise r the mean of t is
n s / (n s + r) times their mean and its variance s r / (n s + r) (conjugate normal; from memory).
"""

from __future__ import annotations

import numpy as np
import pytest

from wakeboard.harness.explain.evidence.freedom import SCALES, Freedom, Lesson, Scale, prior

ROWS = np.array([[1.0, 0.0]])  # one unknown, that moves the first of two readings
NOISE = np.array([0.04, 0.04])


def free(type_share: float = 1.0) -> Freedom:
    return prior([type_share], ["t"], np.zeros(2), ["A", "B"], 0.0)


def lesson(*first: float, trusted: int = 0) -> Lesson:
    off = np.array([[value, 0.0] for value in first])
    piece, whole = np.sqrt(NOISE), np.sqrt(NOISE + np.array([1.0, 0.0]))
    return Lesson.of(off, piece, whole, [k < trusted for k in range(len(first))])


def test_units_that_agree_teach_as_the_textbook_has_it() -> None:
    taught, _ = free().taught(ROWS, lesson(0.5, 0.6, 0.55, 0.45), NOISE)
    n, s, r = 4, 1.0, 0.04
    assert taught.mean[0] == pytest.approx(n * s / (n * s + r) * 0.525, rel=1e-6)
    assert taught.of_type[0, 0] == pytest.approx(s * r / (n * s + r), rel=1e-6)


def test_what_belongs_to_the_piece_is_not_taught() -> None:
    taught, _ = free(type_share=0.0).taught(ROWS, lesson(0.5, 0.6, 0.55, 0.45), NOISE)
    assert taught.mean[0] == pytest.approx(0.0, abs=1e-9)
    assert taught.covariance[0, 0] == pytest.approx(1.0)


def test_a_faulty_neighbour_does_not_teach() -> None:
    good, _ = free().taught(ROWS, lesson(0.5, 0.6, 0.55), NOISE)
    mixed, _ = free().taught(ROWS, lesson(0.5, 0.6, 0.55, 3.9), NOISE)
    assert mixed.mean[0] == pytest.approx(good.mean[0], abs=0.02)


def test_what_all_show_in_large_is_no_error_of_the_model() -> None:
    taught, _ = free().taught(ROWS, lesson(8.0, 8.1, 7.9), NOISE)
    assert taught.mean[0] == pytest.approx(0.0, abs=1e-9)


def test_a_known_good_unit_counts_in_full_and_another_alone_by_half() -> None:
    trusted, _ = free().taught(ROWS, lesson(0.5, trusted=1), NOISE)
    other, _ = free().taught(ROWS, lesson(0.5), NOISE)
    assert trusted.of_type[0, 0] == pytest.approx(0.04 / 1.04, rel=1e-6)
    assert other.of_type[0, 0] == pytest.approx(0.08 / 1.08, rel=1e-6)


def test_scales_leave_what_is_stated() -> None:
    both = prior([0.5, 0.5], ["a", "b"], np.array([0.1]), ["A"], 0.0).scaled(Scale(0.1, 0.5, 1.0), [0, 2])
    assert np.sqrt(np.diag(both.covariance)) == pytest.approx([1.0, 0.01, 0.05])


@pytest.mark.parametrize(("parts", "model"), [(1.0, 0.0), (1.0, 1.0), (0.4, 0.2), (2.5, 2.5), (0.12, 0.4)])
def test_units_tell_how_rough_parts_are_apart_from_how_wrong_the_model_is(parts: float, model: float) -> None:
    """Ten unknowns of as many types, each in six readings of nets of their own: what a type's readings share is the
    parts', what they don't the model's. The likeliest scale is the one that they were drawn with, or the nearest to
    it."""
    count, each = 10, 6
    rows = np.kron(np.eye(count), np.ones((1, each)))
    n, draw = count * each, np.random.default_rng(11)
    values = draw.standard_normal(count)
    values /= np.sqrt(np.mean(values**2))
    free = prior([1.0] * count, list(range(count)), np.full(n, 0.3), list(range(n)), 0.0)
    off = parts * values @ rows + 0.3 * model * draw.standard_normal(n)
    noise = np.full(n, 1e-4)
    units = Lesson(off + 0.01 * draw.standard_normal((4, n)), np.ones((4, n)))
    told = [free.scaled(scale, [1] * count).taught(rows, units, noise)[1] for scale in SCALES]
    best = SCALES[int(np.argmax(told))]
    assert (best.parts, best.model) == (parts, max(model, 0.2))
