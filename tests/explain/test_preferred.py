"""Preferred numbers against the table of IEC 60063 (tests/data/e_series.csv)."""

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wakeboard.harness.describe.board import preferred

TABLE = Path(__file__).parent.parent / "data" / "e_series.csv"


def standard(series: str) -> list[float]:
    lines = [line for line in TABLE.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return [float(row["mantissa_x100"]) / 100 for row in csv.DictReader(lines) if row["series"] == series]


@pytest.mark.parametrize("series", ["E3", "E6", "E12", "E24", "E48", "E96", "E192"])
def test_decade_is_the_standards_table(series: str) -> None:
    assert list(preferred.decade(series)) == pytest.approx(standard(series), abs=1e-12)


def test_e192_keeps_the_standards_exception() -> None:
    assert 9.20 in preferred.decade("E192")
    assert 9.19 not in preferred.decade("E192")


def test_unknown_series_says_which_there_are() -> None:
    with pytest.raises(ValueError, match="E3, E6, E12, E24"):
        preferred.decade("E25")


@given(st.floats(1e-2, 1e8), st.sampled_from(["E6", "E24", "E96"]))
def test_nearest_has_no_nearer_neighbour(value: float, series: str) -> None:
    best = preferred.nearest(value, series)
    for other in preferred.values_between(value / 3, value * 3, series):
        assert max(best / value, value / best) <= max(other / value, value / other) * (1 + 1e-12)


def test_middle_is_geometric() -> None:
    assert preferred.middle(1e3, 100e3) == 10e3
    assert preferred.middle(4.4e3, 4.6e3) is None


def test_values_between_spans_decades_exactly() -> None:
    assert preferred.values_between(9.1e3, 12e3, "E12") == [10000.0, 12000.0]
