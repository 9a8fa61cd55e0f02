"""`wakeboard compare` and `wakeboard report` as a person and a script use them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from wakeboard.harness.cli import execute

SKEP = Path(__file__).resolve().parents[3] / "sequences" / "demo" / "skep" / "board.toml"


@pytest.fixture
def folder(tmp_path: Path, store_with_runs: Any, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A bring-up folder: the board file with wakeboard.db beside it."""
    (tmp_path / "board.toml").write_bytes(SKEP.read_bytes())
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("NO_COLOR", "1")
    return tmp_path


def test_compare_fits_eighty_columns_and_names_design_and_assembly(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert execute(["compare", "board.toml"]) == 0
    shown = capsys.readouterr().out
    assert max(len(line) for line in shown.splitlines()) <= 80
    design = shown.split("look at the design")[1].split("look at its assembly")[0]
    assert "RADIO_RST" in design
    assert "FLASH_CS" not in design
    assert "SK-A-003: +3V3 ohms" in shown
    assert "2.02Ω!" in shown
    assert "5 units can show" in shown


def test_compare_as_json_is_one_document(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert execute(["compare", "board.toml", "--json", "--rework", "--drift", "--statistics"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["board"] == "Skep"
    assert len(document["units"]) == 5
    assert document["rework"] == []
    assert document["drift"] == []
    assert all({"n", "mean", "sd", "cpk"} <= set(entry) for entry in document["statistics"])


def test_statistics_and_check_narrow_the_table(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert execute(["compare", "Skep", "--check", "vsys DC", "--all", "--statistics"]) == 0
    shown = capsys.readouterr().out
    assert "Cpk" in shown
    assert "FLASH_CS" not in shown


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["compare", "Skap"], "Did you mean 'Skep'"),
        (["compare", "nowhere/board.toml"], "no board file"),
        (["compare", "Skep", "--sequence", "Other"], "no run of the sequence"),
        (["compare", "Skep", "--reference", "SK-X"], "has no run"),
        (["compare", "Skep", "--check", "NOTHING"], "no check contains"),
        (["report", "ffff", "--board", "Skep"], "not both"),
        (["report", "--batch"], "go with --board"),
        (["report", "--json", "-o", "-"], "both want"),
        (["report", "-o", "no/such/folder/x.html"], "cannot write"),
        (["report", "zzzz"], "zzzz"),
    ],
)
def test_what_is_wrong_is_said_and_exits_with_two(
    folder: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], says: str
) -> None:
    assert execute(arguments) == 2
    assert says in capsys.readouterr().err


def test_a_store_that_is_not_there_is_not_made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert execute(["compare", "Skep"]) in (2, 3)
    assert execute(["report"]) in (2, 3)
    assert list(tmp_path.iterdir()) == []


def test_report_of_a_run_is_the_same_file_twice(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert execute(["report", "-o", "a.html"]) == 0
    assert execute(["report", "-o", "b.html"]) == 0
    one, two = (folder / name for name in ("a.html", "b.html"))
    assert one.read_bytes() == two.read_bytes()
    assert "SK-A-005" in one.read_text(encoding="utf-8")
    assert "a.html" in capsys.readouterr().out


def test_reports_get_a_name_of_their_own(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for arguments in (["report"], ["report", "--board", "Skep"], ["report", "--board", "Skep", "--batch"]):
        assert execute([*arguments, "--json"]) == 0
        written = json.loads(capsys.readouterr().out)["report"]
        assert Path(written).read_text(encoding="utf-8").startswith("<!doctype html>")


def test_report_to_standard_output(folder: Path, capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    assert execute(["report", "--board", "board.toml", "-o", "-"]) == 0
    assert capfdbinary.readouterr().out.startswith(b"<!doctype html>")
