"""What `wakeboard bench` tries before a run is sent to the bench.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import pytest

from wakeboard.harness.run.fitness.selfcheck import CheckedInstrument, _look_at_off, _look_at_routes
from wakeboard.instruments.errors import BenchError


class Lying:
    def measure(self, channel: str) -> tuple[float, float]:
        return (5.0 if channel == "1" else 0.01), 0.0


class Relays:
    def __init__(self, errors: list[tuple[int, str]]) -> None:
        self._errors = errors

    def is_closed(self, channel: str) -> bool:
        return channel == "102"

    def errors(self) -> list[tuple[int, str]]:
        return self._errors


def test_an_output_that_claims_to_be_off_at_five_volts() -> None:
    checked = CheckedInstrument("supply", "psu", "x")
    _look_at_off(checked, Lying(), ["1", "2"])
    assert checked.doubtful == ["1"]
    assert "says that it is off, and it reads 5.00 V itself" in checked.says[0]


def test_the_routes_are_asked_after() -> None:
    checked = CheckedInstrument("relays", "scanner", "x")
    _look_at_routes(checked, Relays([]), {"TP1": "101", "TP2": "102"})
    assert checked.says == ["knows 2 channels of the routes"]
    assert checked.cautions == ["channel 102 is closed"]
    with pytest.raises(BenchError, match="-222"):
        _look_at_routes(checked, Relays([(-222, "Data out of range")]), {"TP1": "999"})
