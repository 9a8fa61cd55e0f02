"""Runs to store, and stores to keep them in."""

from __future__ import annotations

import os
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from wakeboard.results.records import InstrumentUsed, Reading, RunStart, Step, SupplyTrace, Trace
from wakeboard.results.store.store import Store


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "wakeboard.db") as opened:
        yield opened


@pytest.fixture
def make_start() -> Callable[..., RunStart]:
    def make(**changes: object) -> RunStart:
        given: dict[str, object] = {
            "unit": "004",
            "board_name": "Skep",
            "revision": "A",
            "board_text": "[board]\nname = 'Skep'\n",
            "sequence_title": "First power-on",
            "sequence_text": "title = 'First power-on'\n",
            "bench_text": "",
            "operator": "mel",
            "instruments": [
                InstrumentUsed(
                    "supply", "psu", "Maker", "P2", "S1", "1.0", "here", "plain", "2026-01-02", "2027-01-02"
                ),
                InstrumentUsed("meter", "dmm", "Maker", "M6", "S2"),
            ],
            "virtual": True,
        }
        return RunStart(**{**given, **changes})  # type: ignore[arg-type]

    return make


@pytest.fixture
def make_step() -> Callable[..., Step]:
    def make(number: int = 1, **changes: object) -> Step:
        readings = [
            Reading(
                "+3V3",
                "dc volts",
                2.801,
                "V",
                0.0012,
                3.234,
                3.366,
                "fail",
                "USB=5V@120mA",
                "meter",
                10.0,
                1.5,
                "board",
            ),
            Reading(
                "VSYS", "dc volts", 4.7, "V", 0.002, None, 5.25, "pass", "USB=5V@120mA", "meter", 10.0, 1.7, "circuit"
            ),
            Reading("console", "text", None, "", says="ready v1.2"),
        ]
        trace = Trace(
            {"USB": SupplyTrace([0.0, 0.1, 0.2], [0.0, 4.9, 5.0], [0.0, 0.12, 0.03], [0.12] * 3, ["off", "cc", "cv"])}
        )
        given: dict[str, object] = {
            "number": number,
            "name": "rails",
            "kind": "rails",
            "outcome": "fail",
            "started": 1.0,
            "ended": 2.5,
            "readings": readings,
            "says": "",
            "detail": {"settled": True, "ripple": [1, 2.5, None]},
            "trace": trace,
            "traffic": [(1.0, "meter", ">", "READ?"), (1.1, "meter", "<", "+2.80100000E+00")],
        }
        return Step(**{**given, **changes})  # type: ignore[arg-type]

    return make


@pytest.fixture
def server(request: pytest.FixtureRequest) -> Iterator[str]:
    """URL of a schema of its own on the PostgreSQL named by WAKEBOARD_TEST_POSTGRES."""
    base = os.environ.get("WAKEBOARD_TEST_POSTGRES")
    if not base:
        pytest.skip("WAKEBOARD_TEST_POSTGRES names no PostgreSQL server")
    import psycopg

    schema = f"test_{uuid.uuid4().hex}"
    with psycopg.connect(base, autocommit=True) as connection:
        connection.execute(f"CREATE SCHEMA {schema}")
    try:
        yield f"{base}{'&' if '?' in base else '?'}options=-csearch_path%3D{schema}"
    finally:
        with psycopg.connect(base, autocommit=True) as connection:
            connection.execute(f"DROP SCHEMA {schema} CASCADE")
