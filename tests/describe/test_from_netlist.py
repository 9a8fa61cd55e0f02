"""A board file begun from a netlist: what it says is what the netlist says.

Figures are those of the netlists written here.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from wakeboard.harness.cli import execute
from wakeboard.harness.describe.load import load_board, load_sequence
from wakeboard.instruments.virtual.circuit.spice.read import read

AMPLIFIER = """* two stages and a reference
.param rl=2.2k
.model qn npn is=1e-15 bf=150 vaf=80
.model qm nmos vto=1.2 kp=0.05
.model dz d is=1e-14 bv=5.1 ibv=1m
.subckt div a b c r=10k
R1 a b {r}
R2 b c {r*2}
.ends
VCC vcc 0 9
V5 five 0 5
R1 vcc b 100k
R2 b 0 22k
Q1 c b e qn
RC vcc c {rl}
RE e 0 470
C1 c out 10u
L1 five six 10u
R6 six 0 1k
M1 c six 0 0 qm
I1 0 mid 1m
X1 vcc mid 0 div r=4.7k
D1 0 mid dz
RL out 0 10k
.end
"""


def begin(tmp_path: Path, text: str) -> tuple[int, Path]:
    netlist = tmp_path / "circuit.cir"
    netlist.write_text(text, encoding="utf-8")
    folder = tmp_path / "begun"
    return execute(["new", str(folder), "--netlist", str(netlist)]), folder


def test_every_part_comes_over_to_the_last_digit(tmp_path: Path) -> None:
    code, folder = begin(tmp_path, AMPLIFIER)
    assert code == 0
    board = load_board(folder / "board.toml")
    wanted = {part.name: part for part in read(AMPLIFIER).parts}
    assert {name: supply.net for name, supply in board.supplies.items()} == {"VCC": "vcc", "V5": "five"}
    assert board.supplies["VCC"].volts.nominal == 9.0
    assert set(board.parts) == set(wanted) - {"VCC", "V5"}
    for name, part in board.parts.items():
        assert (part.kind, part.pins) == (wanted[name].kind, wanted[name].pins)
        for value, found in part.values.items():
            want = wanted[name].values[value]
            assert found == (pytest.approx(want, rel=1e-12) if isinstance(want, float) else want), (name, value)


def test_the_begun_sequence_passes_on_the_begun_board(tmp_path: Path) -> None:
    """9 V is more than the first channel of the virtual supply gives: it takes the next. (A current source would keep
    the board alive with the power off.)"""
    from wakeboard.harness.run.session import take_unit

    _, folder = begin(tmp_path, AMPLIFIER.replace("I1 0 mid 1m\n", ""))
    run = take_unit(load_sequence(folder / "first-power-on.toml"), unit="1")
    assert run.record.outcome == "pass"
    assert [step.kind for step in run.record.steps].count("power on") == 2


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("* nothing to power\nR1 a 0 1k\n.end\n", "no voltage source above 0 V"),
        ("* alone\nV1 a 0 5\n.end\n", "no part to put on a board"),
        ("* wrong\nV1 a 0 5\nR1 a 0 1k\n.subckt x a\nR2 a 0 1k\n.end\n", "line 4"),
        ("* no supply is read\nV1 a 0 pulse\nR1 a 0 1k\nRX a\n.end\n", "line 4"),
        ("* two sources in a ring\nV1 a 0 5\nV2 a 0 3\nR1 a 0 1k\n.end\n", "V2"),
    ],
)
def test_what_cannot_be_begun_is_told_and_nothing_is_written(
    tmp_path: Path, text: str, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, folder = begin(tmp_path, text)
    output = capsys.readouterr().err
    assert code == 2
    assert says in output
    assert "circuit.cir" in output
    assert not folder.exists()


def test_all_that_cannot_be_read_is_told_at_once_and_the_rest_goes_on(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = """* several things
.lib of_a_maker.lib
V1 vin 0 5
R1 vin out 10k
R2 out 0
E1 amp 0 out 0 10
Q1 out b 0 nosuch
X1 b amp vin opamp
R3 amp 0 1,5k
C1 out 0 100n
"""
    code, folder = begin(tmp_path, text)
    told = capsys.readouterr().out
    assert code == 0
    for line in (2, 5, 6, 7, 8, 9):
        assert f"line {line}: " in told
    board = load_board(folder / "board.toml")
    unmodelled = {name: part.pins for name, part in board.parts.items() if part.kind == "unmodelled"}
    assert set(unmodelled) == {"R2", "E1", "Q1", "X1", "R3"}
    assert unmodelled["X1"] == {"1": "b", "2": "amp", "3": "vin"}
    assert unmodelled["Q1"] == {"C": "out", "B": "b", "E": "GND"}
    assert board.parts["C1"].values["value"] == 1e-7
    assert (folder / "board.toml").read_text(encoding="utf-8").count("FILL IN: netlist line") == 5


def test_volts_beyond_the_virtual_bench_are_told(tmp_path: Path) -> None:
    from wakeboard.instruments.virtual.bench import TooManyVolts

    _, folder = begin(tmp_path, AMPLIFIER.replace("VCC vcc 0 9", "VCC vcc 0 72"))
    from wakeboard.harness.run.session import take_unit

    with pytest.raises(TooManyVolts, match=r"VCC is up to 75\.6 V"):
        take_unit(load_sequence(folder / "first-power-on.toml"), unit="1")
