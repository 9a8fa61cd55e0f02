"""Capability indices against the NIST/SEMATECH e-Handbook of Statistical Methods, section 6.1.6."""

from __future__ import annotations

import pytest

from wakeboard.results.statistics import StatisticsError, capability, one_sided_factor
from wakeboard.results.statistics.capability import capability_of


def test_the_handbooks_worked_example() -> None:
    # e-Handbook 6.1.6: limits 8 and 20, mean 16, sd 2; Cpm and the share outside are recomputed from its definitions.
    found = capability_of(50, 16.0, 2.0, 8.0, 20.0, target=14.0)
    assert found.cp == pytest.approx(1.0)
    assert found.cpu == pytest.approx(0.6667, abs=5e-5)
    assert found.cpl == pytest.approx(1.3333, abs=5e-5)
    assert found.cpk == pytest.approx(0.6667, abs=5e-5)
    assert found.k == pytest.approx(0.3333, abs=5e-5)
    assert found.cpm == pytest.approx(0.7071, abs=5e-5)
    assert found.expected_out * 1e6 == pytest.approx(22781.8, abs=0.1)


def test_interval_of_cp_for_fifty_units() -> None:
    # By chi-square as in e-Handbook 6.1.6, recomputed: Cp = 1, n = 50, 95 %.
    found = capability_of(50, 0.0, 1.0, -3.0, 3.0)
    assert found.cp_interval == pytest.approx((0.8025, 1.1971), abs=1e-4)


def test_interval_of_a_two_sided_cpk() -> None:
    # e-Handbook 6.1.6 gives Cpk ± z √(1/(9n) + Cpk²/(2(n-1))); by hand for Cpk = 1, n = 50, z = 1.96: ± 0.2185.
    low, high = capability_of(50, 0.0, 1.0, -3.0, 3.0).cpk_interval
    assert (high - low) / 2 == pytest.approx(0.2185, abs=1e-4)


@pytest.mark.parametrize(("n", "content"), [(5, 0.90), (10, 0.95), (43, 0.99)])
def test_a_one_sided_cpk_at_a_tolerance_limit_has_the_content_as_its_lower_bound(n: int, content: float) -> None:
    # Two published quantities tied together: a limit at mean + k1·sd covers `content` with 95 % confidence, so the
    # lower 95 % bound of Cpk for that limit is exactly z(content)/3. z from JCGM 106 tables: 1.2816, 1.6449, 2.3263.
    z = {0.90: 1.28155, 0.95: 1.64485, 0.99: 2.32635}[content]
    found = capability_of(n, 0.0, 1.0, None, one_sided_factor(n, content, 0.95), confidence=0.90)
    assert found.cpk_interval[0] == pytest.approx(z / 3, abs=1e-4)
    assert found.cp is None
    assert found.cpl is None


def test_from_values_and_words_for_few() -> None:
    few = capability([3.30, 3.31, 3.29, 3.30, 3.32], 3.234, 3.366)
    assert "fewer than 25" in few.says
    many = capability([3.30, 3.31, 3.29] * 10, 3.234, 3.366)
    assert "fewer than" not in many.says
    assert few.cpk_interval[1] - few.cpk_interval[0] > many.cpk_interval[1] - many.cpk_interval[0]


@pytest.mark.parametrize(
    ("values", "low", "high", "says"),
    [
        ([1.0, 2.0], None, None, "neither"),
        ([1.0, 2.0], 3.0, 1.0, "not below"),
        ([1.0], 0.0, 2.0, "at least 2"),
        ([1.0, 1.0, 1.0], 0.0, 2.0, "differ"),
    ],
)
def test_what_cannot_be_answered_is_refused(
    values: list[float], low: float | None, high: float | None, says: str
) -> None:
    with pytest.raises(StatisticsError, match=says):
        capability(values, low, high)
