"""What is exported is read back by other programs' readers: csv, pyarrow, pandas, and a JUnit parser.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import csv
import dataclasses
import io
import re
from collections.abc import Callable
from pathlib import Path

import junitparser
import numpy as np
import pandas as pd
import pyarrow.parquet as parquet
import pytest

from wakeboard import results
from wakeboard.results.export import dictionary_path, write_csv, write_parquet
from wakeboard.results.export_junit import junit, write_junit, xml_text
from wakeboard.results.frames import COLUMNS, NAMES
from wakeboard.results.ledger.ledger import Ledger
from wakeboard.results.records import Reading, RunStart, Step
from wakeboard.results.store.errors import StoreError
from wakeboard.results.store.store import Store

Make = Callable[..., RunStart]
MakeStep = Callable[..., Step]


@pytest.fixture
def filled(store: Store, make_start: Make, make_step: MakeStep) -> Store:
    """Units 004 and 005, two runs each with two steps of three readings; 005 was reworked in between."""
    for unit in ("004", "005", "004", "005"):
        run = store.begin_run(make_start(unit=unit))
        store.commit_step(run, make_step(1))
        store.commit_step(run, make_step(2, name='Ω, µ and "quotes"'))
        store.end_run(run, "fail", outputs_off=True)
        if unit == "005" and len(store.runs()) == 2:
            Ledger(store).add_rework("005", "bodge")
    return store


# -- frames


def test_frame_has_one_row_a_reading_in_order(filled: Store) -> None:
    table = results.frame(filled)
    assert list(table.columns) == list(NAMES)
    assert len(table) == 24
    first = table.iloc[0]
    assert (first["unit"], first["of"], first["value"], first["si_unit"]) == ("004", "+3V3", 2.801, "V")
    assert (first["low"], first["high"], first["outcome"]) == (3.234, 3.366, "fail")
    assert (first["step"], first["position"], first["state"]) == (1, 0, "USB=5V@120mA")
    assert table["position"].tolist() == [0, 1, 2] * 8
    assert table["rework"].tolist() == [""] * 18 + ["bodge"] * 6
    assert table["says"].tolist()[2] == "ready v1.2"
    assert np.isnan(table["value"].iloc[2])
    assert np.isnan(table["low"].iloc[1])


def test_frame_agrees_with_the_records(filled: Store) -> None:
    table = results.frame(filled)
    rows = table[["run", "step", "of", "value", "u", "time"]].astype(object).values.tolist()
    told = [
        [run.id, step.number, r.of, r.value, r.u, r.time]
        for run in (filled.run(summary.id) for summary in reversed(filled.runs()))
        for step, r in run.readings()
    ]
    assert [[None if v != v else v for v in row] for row in rows] == told


def test_frame_is_narrowed(filled: Store) -> None:
    latest = results.frame(filled, latest=True)
    assert len(latest) == 12
    assert set(latest["run"]) == {run.id for run in filled.runs()[:2]}
    run = filled.runs()[0].id
    assert len(results.frame(filled, run=run[:10])) == 6
    assert len(results.frame(filled, unit="004", sequence="First power-on")) == 12
    assert len(results.frame(filled, board="None such")) == 0
    few = results.frame(filled, columns=["value", "of"])
    assert list(few.columns) == ["of", "value"]
    with pytest.raises(StoreError, match="no column colour"):
        results.frame(filled, columns=["colour"])


def test_frame_takes_a_file(filled: Store) -> None:
    assert len(results.frame(filled.name, board="Skep")) == 24
    with pytest.raises(StoreError, match="no results yet"):
        results.frame("no such.db")


def test_frame_of_many_runs_is_the_same_by_scan(filled: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """The quick way for many runs and the way for few give the same table."""
    from wakeboard.results import frames

    few = results.frame(filled, unit="005")
    monkeypatch.setattr(frames, "_MANY_RUNS", 0)
    pd.testing.assert_frame_equal(few, results.frame(filled, unit="005"))


@pytest.mark.postgres
def test_frame_from_a_server(filled: Store, server: str) -> None:
    from wakeboard.results.push.push import push

    push(filled, server)
    with Store.open(server) as shared:
        pd.testing.assert_frame_equal(results.frame(shared), results.frame(filled))


# -- CSV and Parquet


def test_csv_reads_back(filled: Store, tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    table = results.frame(filled)
    beside = write_csv(table, path)
    rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"), newline="")))
    assert [row["of"] for row in rows] == table["of"].tolist()
    assert [float(row["value"]) if row["value"] else None for row in rows[:3]] == [2.801, 4.7, None]
    assert rows[3]["step_name"] == 'Ω, µ and "quotes"'
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z", rows[0]["started"])
    assert beside == dictionary_path(path) == tmp_path / "readings.columns.csv"
    told = list(csv.DictReader(io.StringIO(beside.read_text(encoding="utf-8"), newline="")))
    assert [row["column"] for row in told] == list(rows[0])
    assert all(row["meaning"] for row in told)


def test_csv_numbers_read_back_bit_for_bit(store: Store, make_start: Make, make_step: MakeStep, tmp_path: Path) -> None:
    values = [0.1 + 0.2, 1 / 3, 5e-324, 1.7976931348623157e308, -1e-12]
    run = store.begin_run(make_start())
    store.commit_step(run, make_step(readings=[Reading("A", "dc volts", value, "V") for value in values]))
    write_csv(results.frame(store), tmp_path / "r.csv")
    rows = csv.DictReader(io.StringIO((tmp_path / "r.csv").read_text(encoding="utf-8"), newline=""))
    assert [float(row["value"]).hex() for row in rows] == [value.hex() for value in values]


def test_parquet_reads_back_with_its_dictionary(filled: Store, tmp_path: Path) -> None:
    path = tmp_path / "readings.parquet"
    table = results.frame(filled)
    write_parquet(table, path)
    pd.testing.assert_frame_equal(pd.read_parquet(path), table)
    schema = parquet.read_schema(path)
    for column in COLUMNS:
        assert schema.field(column.name).metadata[b"meaning"].decode() == column.says


def test_files_are_written_whole_or_not_at_all(filled: Store, tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    path.write_text("before")
    table = results.frame(filled)
    broken = table.assign(started=table["of"])  # text where a time belongs
    with pytest.raises(AttributeError):
        write_csv(broken, path)
    assert path.read_text() == "before"
    assert [item.name for item in tmp_path.iterdir() if item.suffix == ".csv"] == ["readings.csv"]
    with pytest.raises(StoreError, match="cannot be written"):
        write_csv(table, tmp_path / "no folder" / "r.csv")


# -- JUnit


def suites(data: bytes) -> list[junitparser.TestSuite]:
    return list(junitparser.JUnitXml.fromstring(data))


def test_junit_tells_failures_from_errors(store: Store, make_start: Make, make_step: MakeStep) -> None:
    run = store.begin_run(make_start())
    good = Reading("VSYS", "dc volts", 4.7, "V")
    for number, outcome in enumerate(("pass", "fail", "marginal", "tripped", "error", "skipped"), 1):
        readings = [good] if outcome in ("pass", "skipped") else make_step().readings
        store.commit_step(run, make_step(number, outcome=outcome, readings=readings, name=outcome))
    store.end_run(run, "tripped", outputs_off=True)
    (suite,) = suites(junit([store.run(run)]))
    assert (suite.tests, suite.failures, suite.errors, suite.skipped) == (6, 3, 1, 1)
    kinds = {case.name: [type(result).__name__ for result in case.result] for case in suite}
    assert kinds == {
        "1 pass": [],
        "2 fail": ["Failure"],
        "3 marginal": ["Failure"],
        "4 tripped": ["Failure"],
        "5 error": ["Error"],
        "6 skipped": ["Skipped"],
    }
    cases = list(suite)
    assert cases[1].result[0].message == "+3V3 dc volts 2.801 V, allowed 3.234 V .. 3.366 V: fail (USB=5V@120mA)"
    assert cases[1].time == 1.5
    told = {item.name: item.value for item in suite.properties()}
    assert (told["run"], told["unit"], told["outcome"], told["outputs_off"]) == (run, "004", "tripped", "true")


def test_junit_survives_what_an_instrument_may_say(store: Store, make_start: Make, make_step: MakeStep) -> None:
    nasty = "\x00\x1b[31m<b>&amp;]]>\ufffe\ud800 Ω 😀"
    record_step = make_step(outcome="error", says=nasty, readings=[], name=nasty)
    run = store.begin_run(make_start(unit="0<0>4", operator="a & b"))
    store.commit_step(run, record_step)
    store.end_run(run, "error")
    record = dataclasses.replace(store.run(run), steps=[record_step])  # as it was, before the store cleaned it
    (suite,) = suites(junit([record]))
    (case,) = list(suite)
    assert case.result[0].message == "[31m<b>&amp;]]> Ω 😀"
    assert suite.name == "Skep 0<0>4: First power-on"


def test_junit_shows_a_run_without_an_end(store: Store, make_start: Make, make_step: MakeStep) -> None:
    run = store.begin_run(make_start())
    store.commit_step(run, make_step(outcome="pass", readings=[]))
    (suite,) = suites(junit([store.run(run)]))
    assert (suite.tests, suite.errors) == (2, 1)


def test_junit_file_holds_several_runs_and_the_same_bytes(filled: Store, tmp_path: Path) -> None:
    records = [filled.run(summary.id) for summary in filled.runs()]
    write_junit(records, tmp_path / "a.xml")
    write_junit(records, tmp_path / "b.xml")
    assert (tmp_path / "a.xml").read_bytes() == (tmp_path / "b.xml").read_bytes()
    read = junitparser.JUnitXml.fromfile(str(tmp_path / "a.xml"))
    assert (len(list(read)), read.tests, read.failures) == (4, 8, 8)


def test_every_character_is_kept_or_left_out_as_xml_says() -> None:
    """XML 1.0 section 2.2, the production Char."""
    allowed = {0x9, 0xA, 0xD, *range(0x20, 0xD800), *range(0xE000, 0xFFFE), *range(0x10000, 0x10200)}
    tried = [*range(0x10200), 0x10FFFF]
    kept = {ord(sign) for sign in xml_text("".join(map(chr, tried)))}
    assert kept == allowed | {0x10FFFF}


# -- the page for notebooks

PAGE = Path(results.__file__).with_name("frames.md")


def test_page_lists_the_columns() -> None:
    rows = [f"| {c.name} | {c.type} | {c.unit} | {c.says} |" for c in COLUMNS]
    assert "\n".join(rows) in PAGE.read_text(encoding="utf-8")


def test_page_examples_run(filled: Store, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    (code,) = re.findall(r"```python\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    monkeypatch.chdir(Path(filled.name).parent)
    exec(compile(code, str(PAGE), "exec"), {})
    said = capsys.readouterr().out
    assert "2.801" in said
    assert "005" in said
