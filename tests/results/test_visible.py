"""What comes from outside is seen and not obeyed. OSC 52 and CSI: ECMA-48 and xterm's control sequences; marks of
direction: Unicode TR 36; formula cells: OWASP, CSV injection."""

from __future__ import annotations

import csv
import io
import json

import pandas as pd
import pytest
from rich.console import Console

from wakeboard.harness.cli import execute
from wakeboard.harness.cli.options import Common, to_json
from wakeboard.harness.run.live import LiveObserver, PlainObserver, reading_text
from wakeboard.results.export import write_csv
from wakeboard.results.ledger.ledger import Ledger
from wakeboard.results.records import Reading
from wakeboard.results.visible import VisibleStream, plain_cell, shown, visible

CLIPBOARD = "\x1b]52;c;cm0gLXJmIH4=\x07"
HOSTILE = [CLIPBOARD, "\x9d52;c;x\x9c", "\x1b[2J", "\x1b[8m", "\x08\x08", "\u202eFAIL", "\u2066", "\u200b", "\ud800"]


@pytest.mark.parametrize("text", HOSTILE)
def test_every_hostile_character_shows_as_its_escape(text):
    seen = visible(f"a{text}b")
    assert seen.isprintable()
    assert seen.startswith("a\\") or "FAIL" in seen
    assert shown(text) == visible(text)


@pytest.mark.parametrize("text", ["3.3 V ± 2 %", "10 kΩ, µA", "Lötstelle", "日本", "e\u0301"])
def test_what_people_write_stays(text):
    assert visible(text) == shown(text) == text


def test_a_field_is_one_line():
    assert visible("SN1\nPASS unit b\r\tc") == "SN1\\nPASS unit b\\r\\tc"


def test_lines_of_ours_keep_their_colours_and_no_others():
    assert shown("\x1b[1m\x1b[31mFAIL\x1b[0m\n\tnext") == "\x1b[1m\x1b[31mFAIL\x1b[0m\n\tnext"
    assert shown("\x1b[8mhidden") == "\\x1b[8mhidden"


def test_a_screen_paints_and_obeys_nothing_else():
    out = io.StringIO()
    VisibleStream(out).write("\r\x1b[2K\x1b[1A\x1b[?25l" + CLIPBOARD)
    assert out.getvalue() == "\r\x1b[2K\x1b[1A\x1b[?25l\\x1b]52;c;cm0gLXJmIH4=\x07"


def test_json_holds_none_raw_and_reads_back_the_same():
    document = {"says": "".join(HOSTILE[:-1]), "tag": "\U000e0041"}
    text = to_json(document)
    assert all(each.isprintable() or each == "\n" for each in text)
    assert json.loads(text) == document


# --- where a person meets it ----------------------------------------------------------------------------------------
ANSWER = Reading("console.id", "text", None, "", None, None, None, "fail", says=f"toy{CLIPBOARD}\n  1  pass     rails")


def test_a_console_answer_in_a_line():
    assert reading_text(ANSWER).isprintable()


def test_a_console_answer_in_the_live_view(make_step):
    out = io.StringIO()
    stream = VisibleStream(out)
    console = Console(file=stream, force_terminal=True, width=80, markup=False)  # type: ignore[arg-type]
    with LiveObserver(console, "unit 1") as live:
        live.step_begins(1, 2, f"talk{CLIPBOARD}", "talk")
        live.reading(ANSWER)
        live.step_ends(make_step(1, name=f"talk{CLIPBOARD}"))
    assert "\x1b]52" not in out.getvalue()
    assert "\n  1  pass     rails" not in out.getvalue()


def test_plain_lines(make_step):
    lines: list[str] = []
    observer = PlainObserver(lines.append)
    observer.reading(ANSWER)
    observer.step_ends(make_step(1, name="a\n  2  pass     forged"))
    assert all(line.isprintable() for line in lines)


def test_say_note_and_errors(capsys):
    common = Common()
    common.say(CLIPBOARD)
    common.note(CLIPBOARD)
    assert execute(["check", f"no{CLIPBOARD}.toml"]) == 2
    told = capsys.readouterr()
    assert "\x1b" not in told.out + told.err
    assert "\x07" not in told.out + told.err


@pytest.mark.parametrize("command", [["run", "x.toml", "--unit"], ["unit"], ["rework"]])
def test_a_serial_number_of_two_lines_is_refused(command, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "x.toml").write_text("")
    assert execute([*command, "a\nPASS  unit b"]) == 2
    assert "\nPASS" not in capsys.readouterr().err


def test_a_serial_number_that_another_program_wrote_into_the_store(store, make_start, make_step, tmp_path, capsys):
    """Kept as it is; told so that it forges no line."""
    unit = "a\nPASS  unit b"
    run = store.begin_run(make_start(unit=unit))
    store.commit_step(run, make_step(1))
    store.end_run(run, "fail", outputs_off=True)
    Ledger(store).add_note(unit, f"note{CLIPBOARD}\nPASS  unit c")
    place = str(store.path) if hasattr(store, "path") else store.name
    assert execute(["unit", "--db", place]) == 0
    out = capsys.readouterr().out
    assert "\nPASS" not in out
    assert "\x1b" not in out


# --- other programs -------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    "text", ["=cmd|'/c calc'!A1", "+1+1", "-2+3", "+cmd|' /c calc'!A1", "@SUM(A1)", "\t=1", "\r=1", "＝1"]
)
def test_a_formula_is_text(text):
    assert plain_cell(text) == "'" + text


@pytest.mark.parametrize("value", ["-3.3", "+1e-6", "R1", "", "+3V3", "-12V_EN", -3.3, None])
def test_numbers_and_words_stay(value):
    assert plain_cell(value) == value


def test_a_csv_file_starts_no_program(tmp_path):
    table = pd.DataFrame({"unit": ["=1+1", "SN1"], "value": [-1.5, 2.0], "says": ["@x", None]})
    write_csv(table, tmp_path / "out.csv")
    rows = list(csv.reader(io.StringIO((tmp_path / "out.csv").read_text(encoding="utf-8"))))
    assert rows[1:] == [["'=1+1", "-1.5", "'@x"], ["SN1", "2.0", ""]]
