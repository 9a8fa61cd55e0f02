"""The production loop: serial numbers, answers, what is remembered, exit codes; without a terminal and on one.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import datetime
import json
import re
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from wakeboard.harness.cli.smoke import command
from wakeboard.harness.run.hand.banner import HEIGHT, banner, fits, width
from wakeboard.harness.run.production import LARGE, BadSerial, Tally, answer, passed_today, serial_number
from wakeboard.results.records import Reading, RunRecord, RunStart, RunSummary, Step
from wakeboard.results.store.store import Store

UNITS = """
[units.T-2]
plant = ["D2:short"]

[units.T-3]
plant = ["+3V3+GND:bridge=5"]
"""
QUICK = """
title = "Smoke"
board = "board.toml"

[[step]]
do = "resistance"
of = "every supply"
expect = "> 1 kΩ"
both_polarities = false
"""


@pytest.fixture
def folder(toy: Any) -> Path:
    (toy.folder / "units.toml").write_text(UNITS)
    (toy.folder / "quick.toml").write_text(QUICK)
    return Path(toy.folder)


def smoke(folder: Path, lines: str, *options: str, sequence: str = "quick.toml") -> Result:
    return CliRunner().invoke(command, [str(folder / sequence), *options], input=lines, standalone_mode=False)


def documents(result: Result) -> list[dict[str, Any]]:
    return [json.loads(line) for line in result.stdout.splitlines()]


def test_each_line_is_a_unit_until_the_input_ends(folder: Path) -> None:
    result = smoke(folder, "T-1\nT-4\r\n\n  T-5  \n", "--json")
    assert result.return_value == 0, result.output
    told = documents(result)
    assert [each.get("unit") for each in told] == ["T-1", "T-4", "T-5", None]
    assert all(each["outcome"] == "pass" and each["outputs_off"] for each in told[:3])
    with Store.open(folder / "wakeboard.db") as store:
        assert {run.unit for run in store.runs()} == {"T-1", "T-4", "T-5"}


def test_what_failed_is_named_with_what_to_do(folder: Path) -> None:
    """A fed supply and a short behind the regulator: two of three units fail, each in the step that caught it."""
    result = smoke(folder, "T-1\nT-2\nT-3\n", sequence="bring-up.toml")
    assert result.return_value == 1, result.output
    text = result.output
    assert re.search(r"^PASS\n  T-1", text, re.M)
    assert re.search(r"^FAIL\n  T-2   step 3, back-feed", text, re.M)
    assert re.search(r"^TRIPPED\n  T-3   step 2, power on", text, re.M)
    assert "VAUX" in text
    assert "Do not connect both sources" in text
    assert "Do not power it again" in text
    assert "1 of 3 passed" in text


def test_the_yield_has_clopper_and_pearsons_interval(folder: Path) -> None:
    """Against R. G. Newcombe, Statistics in Medicine 17 (1998), table I: 1 of 29 has 0.0009 to 0.1776; and scipy."""
    tally = Tally()
    for number in range(29):
        tally.add(f"U{number}", "pass" if number == 0 else "fail")
    tally.add("U1", "pass")  # a repeat is no first pass
    tally.add("U99", "error")  # a bench that failed says nothing
    found = tally.as_json()
    assert (found["first_pass"]["passed"], found["first_pass"]["total"]) == (1, 29)
    assert found["first_pass"]["low"] == pytest.approx(0.0009, abs=5e-5)
    assert found["first_pass"]["high"] == pytest.approx(0.1776, abs=5e-5)
    interval = stats.binomtest(2, 29).proportion_ci(0.95, "exact")
    assert found["final"]["high"] == pytest.approx(interval.high)
    assert "after repeats 2 of 29" in tally.says()


# --- serial numbers --------------------------------------------------------------------------------------------------
def test_a_line_that_is_no_serial_number_runs_nothing(folder: Path) -> None:
    result = smoke(folder, "x 1\nT-1\n", "--json", "--serial", r"T-\d+")
    first, second, end = documents(result)
    assert first["unit"] is None
    assert '"x 1"' in first["refused"]
    assert r"T-\d+" in first["refused"]
    assert second["outcome"] == "pass"
    assert end["yield"]["refused"] == 1
    assert result.return_value == 2


@given(st.text(max_size=200))
def test_any_line_is_a_serial_number_or_refused_in_words(line: str) -> None:
    wanted = line.strip()
    if wanted.isprintable() and len(wanted) <= 64:
        assert serial_number(line) == wanted
        return
    with pytest.raises(BadSerial, match="serial number") as refused:
        serial_number(line)
    assert str(refused.value).isprintable()


def test_a_pattern_that_is_none_is_told(folder: Path) -> None:
    result = smoke(folder, "T-1\n", "--serial", "T-[")
    assert result.exception is not None
    assert "regular expression" in str(result.exception)


def test_the_whole_of_it_must_match() -> None:
    pattern = re.compile(r"T-\d")
    assert serial_number(" T-1\n", pattern) == "T-1"
    for line in ("T-12", "xT-1", "T-1 T-2"):
        with pytest.raises(BadSerial):
            serial_number(line, pattern)


# --- what is remembered ----------------------------------------------------------------------------------------------
def test_a_unit_that_passed_today_is_left_alone_where_nobody_may_be_asked(folder: Path) -> None:
    assert smoke(folder, "T-1\n").return_value == 0
    again = smoke(folder, "T-1\nT-1\n", "--json")
    assert again.return_value == 0
    told = documents(again)
    assert [each.get("outcome") for each in told] == ["skipped", "skipped", None]
    assert "passed today" in told[0]["says"]
    assert told[-1]["yield"]["runs"] == 0
    assert documents(smoke(folder, "T-1\n", "--json", "--again"))[0]["outcome"] == "pass"


def summary(outcome: str, when: datetime.datetime) -> RunSummary:
    return RunSummary("r", "T-1", "Toy", "A", "Smoke", when.timestamp(), None, outcome, False, True)


def test_today_is_the_local_day_and_only_passes_count() -> None:
    now = datetime.datetime(2026, 3, 9, 0, 20)
    early = now.replace(minute=1)
    assert passed_today([summary("pass", early), summary("pass", now - datetime.timedelta(minutes=30))], now) == early
    assert passed_today([summary("pass", now - datetime.timedelta(minutes=30))], now) is None
    assert passed_today([summary("fail", early), summary("marginal", early)], now) is None


def test_the_loop_ends_after_so_many_runs(folder: Path) -> None:
    told = documents(smoke(folder, "T-1\nT-4\nT-5\n", "--json", "--limit", "2"))
    assert [each.get("unit") for each in told] == ["T-1", "T-4", None]


# --- a bench that fails ----------------------------------------------------------------------------------------------
def test_a_bench_that_fails_is_no_failing_unit(folder: Path) -> None:
    (folder / "dead.toml").write_text(
        '[instruments.supply]\nkind = "psu"\naddress = "TCPIP::127.0.0.1::1::SOCKET"\n'
        'feeds = { 1 = "USB", 2 = "AUX" }\n'
        '[instruments.meter]\nkind = "dmm"\naddress = "TCPIP::127.0.0.1::2::SOCKET"\n'
        '[instruments.scanner]\nkind = "scanner"\naddress = "TCPIP::127.0.0.1::3::SOCKET"\n'
        '[probing]\nby = "scanner"\nroutes = { TP1 = 101 }\n'
    )
    result = smoke(folder, "T-1\nT-4\n", "--json", "--energise", "--bench", str(folder / "dead.toml"))
    assert result.return_value == 3, result.output
    told = documents(result)
    assert told[0]["outcome"] == "error"
    assert "says nothing of the unit" in told[0]["do"]
    assert told[-1]["yield"]["units"] == 0
    assert len(told) == 2, "without a person the loop ends with the bench's first failure"


# --- the answer ------------------------------------------------------------------------------------------------------
def record(outcome: str, *steps: Step) -> RunRecord:
    return RunRecord("0123456789", RunStart("T-1", "Toy", "A", "", "Smoke", ""), 0.0, outcome=outcome, steps=steps)


def a_step(number: int, kind: str, outcome: str, readings: int = 0, says: str = "") -> Step:
    bad = [Reading(f"N{n}", "dc volts", 1.0, "V", 0.001, None, 0.3, "fail") for n in range(readings)]
    return Step(number, kind, kind, outcome, 0.0, 1.0, readings=bad, says=says)


@pytest.mark.parametrize("outcome", sorted(LARGE))
def test_every_outcome_has_an_answer_that_fits_eighty_columns(outcome: str) -> None:
    told = answer(record(outcome, a_step(1, "rails", "pass"), a_step(2, "back-feed", outcome, 5)))
    assert told.large == LARGE[outcome]
    assert told.do
    assert fits(told.large, 78)


def test_the_first_step_of_the_deciding_outcome_is_named() -> None:
    steps = a_step(1, "line", "marginal"), a_step(2, "resistance", "fail", 5), a_step(3, "rails", "fail")
    told = answer(record("fail", *steps))
    assert told.where == "step 2, resistance"
    assert "Do not power it" in told.do
    assert len(told.seen) == 4
    assert told.seen[-1] == "and 2 more"


def test_large_letters_are_five_even_rows_and_no_two_are_alike() -> None:
    from wakeboard.harness.run.hand import banner as module

    for letter in module._LETTERS:
        rows = module._LETTERS[letter].split(" ")
        assert len(rows) == HEIGHT, letter
        assert len({len(row) for row in rows}) == 1, letter
    shapes = [banner(letter) for letter in module._LETTERS]
    alike = {letter for letter in module._LETTERS if shapes.count(banner(letter)) > 1}
    assert alike <= {"0", "O", "5", "S"}
    assert max(map(len, banner("3.302 V", block="#").splitlines())) <= width("3.302 V")


# --- on a terminal ---------------------------------------------------------------------------------------------------
class Someone:
    """A person at a terminal: types lines, answers with keys."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, lines: str, keys: str = "") -> None:
        import io
        import sys

        from wakeboard.harness.cli import smoke as module
        from wakeboard.harness.cli.options import Common
        from wakeboard.harness.run.hand.operator import Operator

        self.keys = list(keys)
        operator = Operator(write=lambda _text: None, read_key=lambda _s: self.keys.pop(0))
        monkeypatch.setattr(Common, "interactive", property(lambda _self: True))
        monkeypatch.setattr(sys, "stdin", io.StringIO(lines))
        monkeypatch.setattr(module, "_forget_typed", lambda: None)
        monkeypatch.setattr("wakeboard.harness.cli.run.operator_there", lambda _common, _page: operator)


def line_at(
    folder: Path, monkeypatch: pytest.MonkeyPatch, lines: str, keys: str = "", **options: Any
) -> tuple[int, Any]:
    from wakeboard.harness.cli.options import Common
    from wakeboard.harness.cli.smoke import Line
    from wakeboard.harness.describe.load import load_sequence

    Someone(monkeypatch, lines, keys)
    with Store.open(folder / "wakeboard.db") as store:
        line = Line(Common(), load_sequence(folder / "quick.toml"), None, store, operator_name="A", again=False)
        return line.work(None, options.get("limit")), line.tally


def test_a_person_is_asked_about_a_unit_that_passed_today(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    code, tally = line_at(folder, monkeypatch, "T-1\nT-1\nT-1\n", "ny")
    assert code == 0
    assert tally.runs == [("T-1", "pass"), ("T-1", "pass")]
    assert tally.again == 1


def test_stopping_at_the_question_ends_the_loop_with_its_own_code(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    code, tally = line_at(folder, monkeypatch, "T-1\nT-1\nT-4\n", "q")
    assert code == 4
    assert tally.runs == [("T-1", "pass")]


@pytest.mark.parametrize("at", [1, 3])
def test_ctrl_c_in_a_run_ends_the_loop_with_the_outputs_off(
    folder: Path, monkeypatch: pytest.MonkeyPatch, at: int
) -> None:
    from wakeboard.instruments.scpi.dmm import Dmm

    measure, left = Dmm.measure, [at]

    def interrupted(self: Dmm, *args: Any, **named: Any) -> Any:
        left[0] -= 1
        if left[0] == 0:
            raise KeyboardInterrupt
        return measure(self, *args, **named)

    monkeypatch.setattr(Dmm, "measure", interrupted)
    code, tally = line_at(folder, monkeypatch, "T-1\nT-4\n")
    assert code == 4
    assert tally.runs == [], "a unit whose run was stopped is not tested"
    with Store.open(folder / "wakeboard.db") as store:
        assert [(run.unit, run.outcome) for run in store.runs()] == [("T-1", "error")]
        assert store.run().outputs_off is True


def test_a_stop_at_the_page_while_outputs_are_switched_off_begins_no_further_unit(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The serial numbers come by themselves: the next unit was energised although a person had pressed Stop."""
    from wakeboard.harness.cli.options import Common
    from wakeboard.harness.cli.smoke import Line
    from wakeboard.harness.describe.load import load_sequence

    class Page:
        stop_pressed = False

        def __getattr__(self, _name: str) -> Any:
            return lambda *_what: None

        def ended(self, *_what: object) -> None:
            self.stop_pressed = True

    Someone(monkeypatch, "T-1\nT-4\n")
    page: Any = Page()
    with Store.open(folder / "wakeboard.db") as store:
        sequence = load_sequence(folder / "quick.toml")
        line = Line(Common(), sequence, None, store, operator_name="A", again=False, page=page)
        line.operator = None
        assert line.work(None, None) == 4
        assert line.tally.runs == [("T-1", "pass")]
