"""A hidden pull that was written into the board and still stands in units.toml is told, by `check` and by `run`."""

from __future__ import annotations

from pathlib import Path

import pytest

from wakeboard.harness.cli import execute
from wakeboard.harness.describe.board.twice import planted_twice
from wakeboard.harness.describe.load import load_board

SKEP = Path(__file__).resolve().parents[2] / "sequences" / "demo" / "skep"
SILENT = 'NRST = { rail = "VIO", type = "input" }'
BY_PIN = (SILENT, 'NRST = { rail = "VIO", type = "input", pull_up = "13k" }')
BY_PART = (
    "[parts.U1]  ",
    'R99 = { kind = "resistor", value = "12.7k", tolerance = "1 %", pins = ["RADIO_RST", "+3V3"] }\n\n[parts.U1]  ',
)


def folder(tmp_path: Path, change: tuple[str, str] | None) -> Path:
    for file in SKEP.glob("*.toml"):
        text = file.read_text(encoding="utf-8")
        if file.name == "board.toml" and change:
            assert change[0] in text
            text = text.replace(*change)
        (tmp_path / file.name).write_text(text, encoding="utf-8")
    return tmp_path


@pytest.mark.parametrize(
    ("change", "told"),
    [(None, ""), (BY_PIN, "parts.U5.io.NRST has a pull_up of 13 kΩ"), (BY_PART, "R99 is such a resistor")],
)
def test_check_of_the_units_tells_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], change: tuple[str, str] | None, told: str
) -> None:
    assert execute(["check", str(folder(tmp_path, change) / "units.toml")]) == 0
    shown = " ".join("".join(capsys.readouterr()).split())
    assert ("planted twice" in shown) == bool(told)
    assert told in shown


def test_run_tells_it(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder(tmp_path, BY_PIN))
    short = 'title = "First"\nboard = "board.toml"\n[[step]]\ndo = "resistance"\nof = "USB"\nexpect = "> 1 kΩ"\n'
    Path("short.toml").write_text(short, encoding="utf-8")
    assert execute(["run", "short.toml", "--unit", "SK-A-001"]) == 0
    assert "U5.NRST:pull_up=13k is planted twice" in " ".join(capsys.readouterr().err.split())


def test_another_pull_is_none_of_it() -> None:
    board = load_board(SKEP / "board.toml")
    others = ("U5.NRST:pull_up=13k", "U5.NRST:pull_down=47k", "R31:missing", "+3V3+GND:bridge=2", "nonsense")
    assert dict(planted_twice(board, others)) == {"U5.NRST:pull_down=47k": "R31 is such a resistor"}
    assert dict(planted_twice(board, ["U1.NRST:pull_up=13k"])) == {
        "U1.NRST:pull_up=13k": "parts.U1.io.NRST has a pull_up of 40 kΩ"
    }
