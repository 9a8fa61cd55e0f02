"""How often a chart marks something although nothing is wrong: the table against fresh random numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest

from wakeboard.results.statistics import individuals
from wakeboard.results.statistics.charts import FALSE_ALARMS, chance_words


@pytest.mark.parametrize("n", [10, 20, 40])
def test_false_alarms_are_as_measured(n: int) -> None:
    rng = np.random.default_rng(5)
    marked = np.mean([not individuals(rng.standard_normal(n).tolist()).steady for _ in range(600)])
    share = FALSE_ALARMS[n]
    assert marked == pytest.approx(share, abs=5 * math.sqrt(share / 600))


def test_equal_values_are_steady() -> None:
    assert individuals([0.31] * 40).steady
    assert individuals([0.1 + 0.2] * 12).steady


def test_words() -> None:
    assert "34%" in chance_words(40)
    assert "too few" in chance_words(5)
