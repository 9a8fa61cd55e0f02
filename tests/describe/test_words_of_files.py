"""What the errors of files and what `new` writes say, in the words of a bench: each was once a code or a riddle.

Figures are those of the files written here; none is a fact of the trade.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from wakeboard.harness.cli import execute
from wakeboard.harness.describe.board.from_netlist import quantity
from wakeboard.harness.describe.toml.document import read_named, read_text
from wakeboard.instruments.quantity import parse
from wakeboard.results.counted import count

NETLIST = "* amplifier\nV1 vcc 0 5\nR1 vcc out 10k\nR2 out 0 4.7k\nC1 out 0 100n\n.end\n"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('[parts]\nR1 = { value = "1k", pins = ["A", "B"]\n', "2: missing } of R1, which begins in this line"),
        ("x = { a = 1,\nb = 2 }", "1: missing }; a table in { } stands in one line; a long one as [parts.R1]"),
        ("a = [ {x=1}, {x=2 ]", "1: missing } of a, which begins in this line"),
        ("of = [\n  1,\n  2\nb = 3\n", "1: missing ] of of, which begins in this line"),
        ("[parts]\nR1 = {k=1}\nR1 = {k=2}", "3: R1 is written twice; first in line 2"),
        ("[parts]\nR1 = {k=1}\n[parts.R1]\nz=1", "3: parts.R1 is written twice; first in line 2"),
        ('[[step]]\ndo="x"\n[[step]]\ndo="y"\ndo="z"', "5: do is written twice; first in line 4"),
        ('"R 1" = [1,\n2]\n"R 1" = [1,\n2]\n', '3: "R 1" is written twice; first in line 1'),
        ("R1 = { k = 1, k = 2 }", "1: k is written twice in one { }"),
        ("a = { b = 1, }", "1: a comma before }; the last entry in { } has none"),
        ("a = { b = 1 }}", "1: a } too many"),
        ("[supplies.USB", "1: missing ] of the heading [supplies.USB"),
        ("key", "1: missing = after key"),
    ],
)
def test_what_is_no_toml_is_told_by_what_was_forgotten(text: str, told: str) -> None:
    (problem,) = read_text(text, "board.toml").problems
    assert str(problem) == f"board.toml:{told}"


def test_a_file_that_another_names_tells_what_is_missing_and_nothing_of_itself(tmp_path: Path) -> None:
    for text, told in (("R1 = { k = 1\n", "missing }"), ("k = 1\nk = 2\n", "a key that is written twice"),
                       ("root:secret\n", "missing ="), ("a = secret\n", "no TOML")):  # fmt: skip
        (tmp_path / "b.toml").write_text(text, encoding="utf-8")
        (problem,) = read_named(tmp_path / "b.toml").problems
        assert (problem.found, problem.hint, problem.source) == (told, "", "")


def test_a_decimal_comma_is_answered_with_a_point(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (bare,) = read_text("[rails.V]\nvolts = 3,3 V", "board.toml").problems
    assert "use a point" in bare.hint
    execute(["new", str(tmp_path / "b")])
    board = tmp_path / "b" / "board.toml"
    text = board.read_text(encoding="utf-8").replace('volts = "3.3 V ± 3 %"', 'volts = "3,3 V ± 3 %"')
    board.write_text(text.replace('"4.40 .. 5.25 V"       #', '"4,40 .. 5.25 V"       #'), encoding="utf-8")
    capsys.readouterr()
    assert execute(["check", str(board)]) == 2
    shown = " ".join("".join(capsys.readouterr()).split())
    assert shown.count("use a point") == 2


def test_the_ground_that_was_assumed_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    execute(["new", str(tmp_path / "b")])
    board = tmp_path / "b" / "board.toml"
    written = board.read_text(encoding="utf-8")
    without = written.replace('ground = "GND"                 # the net that is zero volts\n', "")
    assert without != written
    board.write_text(without, encoding="utf-8")
    capsys.readouterr()
    assert execute(["check", str(board)]) == 0
    assert "ground is not written: GND is assumed" in capsys.readouterr().out
    board.write_text(without.replace('"GND"', '"GNDA"'), encoding="utf-8")
    assert execute(["check", str(board)]) == 2
    shown = " ".join("".join(capsys.readouterr()).split())
    assert 'found the net "GND", assumed since none is written, on which no part sits' in shown
    assert 'did you mean "GNDA"?' in shown


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [(1.0000000000000001e-07, "F", "100 nF"), (4700.0, "Ω", "4.7 kΩ"), (1e-14, "A", "10 fA"), (0.0, "Ω", "0 Ω"),
     (2.2e-6, "F", "2.2 µF"), (-3e-3, "V", "-3 mV"), (25e6, "Hz", "25 MHz"), (0.02, "%", "0.02 %")],
)  # fmt: skip
def test_a_netlists_values_stand_as_on_a_schematic(value: float, unit: str, text: str) -> None:
    assert quantity(value, unit) == text


@pytest.mark.parametrize("value", [1 / 3, 999999.9999, 1.2345678901234e-9, 7.0e11, math.pi * 1e-12])
def test_and_read_back_to_the_last_bits(value: float) -> None:
    assert parse(quantity(value, "Ω"), "Ω") == pytest.approx(value, rel=1e-14)


@pytest.mark.parametrize("netlist", [False, True])
def test_a_new_folder_checks_clean_and_its_own_template_passes_review_and_run(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, netlist: bool
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("a.cir").write_text(NETLIST, encoding="utf-8")
    assert execute(["new", "b", *(["--netlist", "a.cir"] if netlist else [])]) == 0
    assert execute(["check", "b/board.toml", "b/bench.toml", "b/first-power-on.toml"]) == 0
    shown = capsys.readouterr()
    assert "1 supply, " in shown.out
    assert "supplies" not in shown.out
    assert "note" not in shown.err.replace("next: ", "")
    assert execute(["review", "b/board.toml"]) == 0
    assert "no concern" in capsys.readouterr().out
    for serial in ("T-1", "T-2", "SK-7"):
        assert execute(["run", "b/first-power-on.toml", "--unit", serial]) == 0
    assert "s (simulated)" in capsys.readouterr().out
    if netlist:
        assert 'value = "100 nF"' in Path("b/board.toml").read_text(encoding="utf-8")


def test_one_of_a_thing_is_no_plural() -> None:
    assert (count(1, "supply", "supplies"), count(2, "supply", "supplies")) == ("1 supply", "2 supplies")
    assert (count(1, "step"), count(0, "step")) == ("1 step", "0 steps")
