"""A reader of one's own: agreed to by hash, found by content, its faults told as its file's."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from wakeboard.harness.cli import execute
from wakeboard.harness.describe.load import load_board
from wakeboard.harness.describe.own import forget

READER = """
from wakeboard.harness.drawings.design import Design, DrawnPart

WHAT = "our lists of wires"

def tells(source):
    return 90 if source.text.startswith("WIRES") else 0

def read(source, options):
    design = Design()
    for row in source.text.splitlines()[1:]:
        part, pin, net = row.split()
        design.parts.setdefault(part, DrawnPart(part)).pins[pin] = net
    return design
"""
WIRES = "WIRES\nJ1 1 VBUS\nJ1 2 GND\nR1 1 VBUS\nR1 2 GND\n"


@pytest.fixture(autouse=True)
def _clean() -> Iterator[None]:
    yield
    forget()


def begun(tmp_path: Path, code: str, wires: str, monkeypatch: pytest.MonkeyPatch, *, agreed: bool = True) -> int:
    reader, netlist = tmp_path / "our_wires.py", tmp_path / "board.net"
    reader.write_text(code, encoding="utf-8")
    netlist.write_text(wires, encoding="utf-8")
    monkeypatch.setenv("WAKEBOARD_OWN", hashlib.sha256(code.encode()).hexdigest() if agreed else "")
    return execute(["new", str(tmp_path / "b"), "--netlist", str(netlist), "--reader", str(reader), "--no-input"])


def test_a_format_of_ones_own_makes_a_board(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert begun(tmp_path, READER, WIRES, monkeypatch) == 0
    board = load_board(tmp_path / "b" / "board.toml")
    assert dict(board.parts["R1"].pins) == {"1": "VBUS", "2": "GND"}
    assert "VBUS" in {supply.net for supply in board.supplies.values()}


@pytest.mark.parametrize(
    ("code", "wires", "agreed", "says"),
    [
        (READER, WIRES, False, "not run here before"),
        (READER, WIRES + "R2 1\n", True, "our_wires.py failed: ValueError"),
        ('WHAT = "half"\ndef tells(source):\n    return 99\n', WIRES, True, "a reader has WHAT"),
        ("x = 1\n", WIRES, True, "or reader"),
    ],
)
def test_what_is_wrong_with_it_is_told(
    code: str,
    wires: str,
    agreed: bool,
    says: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert begun(tmp_path, code, wires, monkeypatch, agreed=agreed) == 2
    assert says in capsys.readouterr().err
    assert not (tmp_path / "b").exists()
